"""A curve's nodes level by level, for devices without drivers: all nodes' planes in one launch, their sums in another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tilepipe.device.kernel import Kernel, Stack
from tilepipe.device.tile import Tile
from tilepipe.stages import pyramid
from tilepipe.stages.pyramid import NOWHERE, Cover, Levels, apply, first_of, plane_of

SUM = Kernel(
    "node_sum", 1, 2, header="node_levels.h",
    params="Plane value; Plane coarse; Plane inverse; Plane inverse_coarse; int64_t step, coarse_step; int nodes;",
)
_FLOAT = 4  # bytes of a value


def node_planes(
    device: Any, remap: Kernel, value: Tile, cover: Tile | None, names: tuple[str, ...],
    numbers: Mapping[str, Sequence[float]], **params: Any,
) -> Tile:
    """`remap` of a one-plane tile around every node: a plane each, times the coverage where there is one.

    `numbers`: the parameters that change from node to node; the kernel needs a MANY in its header.
    """
    out: Tile = device.tile(value.window, value.picture, names)
    stack = Stack(len(names), [0], [int(out.array.strides[0])], numbers=numbers)
    first = {name: values[0] for name, values in numbers.items()}
    device.launch(remap, [first_of(device, value)], [first_of(device, out)], stack=stack, **first, **params)
    return out if cover is None else apply(device, pyramid.WEIGHTED, [out, cover], out.window, out)


def node_sum(
    device: Any, position: Tile, planes: Sequence[Tile], level: int, levels: Levels, cover: Cover | None
) -> tuple[Tile, Tile]:
    """Σ hat · Laplacian and Σ hat · value of a level over the nodes' planes; `position`: where pixels lie among the nodes."""
    own, coarse, window = planes[level], planes[level + 1], levels.sums[level]
    out: Tile = device.tile(window, levels.shapes[level], ("sum", "mean"))
    device.launch(
        SUM, [first_of(device, position)], device.planes(out), value=first_of(device, own),
        coarse=first_of(device, coarse), inverse=first_of(device, cover.inverse[level]) if cover else NOWHERE,
        inverse_coarse=first_of(device, cover.inverse_expanded[level]) if cover else NOWHERE,
        step=int(own.array.strides[0]) // _FLOAT, coarse_step=int(coarse.array.strides[0]) // _FLOAT, nodes=len(own.planes),
    )
    return plane_of(out, "sum"), plane_of(out, "mean")
