"""Blending across scales level by level, as a device without drivers does it: shares times Laplacians, summed and collapsed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel, Stack
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.stages import pyramid
from tilepipe.stages.pyramid import NOWHERE, Cover, Levels, first_of, step_of

BEGIN = Kernel("fusion_begin", 3, 1, header="fusion_sum.h")
ADD = Kernel("fusion_add", 4, 1, header="fusion_sum.h")
LAYERS = Kernel(
    "fusion_layers", 0, 1, header="fusion_sum.h",
    params="Plane value; Plane coarse; Plane share; Plane inverse; Plane inverse_coarse; Plane any; "
    "int64_t step, coarse_step, share_step, inverse_step, inverse_coarse_step; int layers, copies;",
)
_FLOAT = 4  # bytes of a value


@dataclass(frozen=True)
class Layer:
    """One picture to be blended, each plane as a tile of its own: colours and coverage as value · coverage.

    `share` is its part of the result, times the coverage of any layer; `cover` its own coverage, None where all is covered.
    """

    colours: Sequence[Tile]
    share: Tile
    cover: Tile | None = None


def blended(
    device: Any, layers: Sequence[Layer], anywhere: Tile | None, levels: Levels, solved: Tile | None
) -> Tile:
    """`blended_planes` of layers that lie anywhere in memory; those with coverage share one, or have one each."""
    planes = [plane for layer in layers for plane in (*layer.colours, layer.share)]
    covers = [layer.cover for layer in layers if layer.cover is not None]
    if len({id(cover) for cover in covers}) == 1:
        covers = covers[:1]
    together = _stacked(device, covers) if covers else None
    return blended_planes(device, _stacked(device, planes), together, 1, anywhere, levels, solved)


def _stacked(device: Any, planes: Sequence[Tile]) -> Tile:
    """Planes of one window, one after the other."""
    first = planes[0]
    out: Tile = device.tile(first.window, first.picture, tuple(f"plane {index}" for index in range(len(planes))))
    for index, plane in enumerate(planes):
        out.array[index] = plane.array[0]
    return out


def blended_planes(
    device: Any, planes: Tile, covers: Tile | None, copies: int, anywhere: Tile | None, levels: Levels,
    solved: Tile | None, last: Tile | None = None,
) -> Tile:
    """The collapsed colours of the first of `levels`; without `solved` the last one is the top of the pyramid.

    `planes`: per layer red, green, blue, share, as in `Layer`. `covers`: one coverage for every `copies` layers, or one
    for all. `anywhere`: the coverage of any layer. Both None where all is covered. `last`: where the colours go.
    """
    cover = Cover.over(device, covers, levels) if covers is not None else None
    over = Cover.over(device, anywhere, levels) if anywhere is not None else None
    made = pyramid.pyramid_of(device, planes, levels)
    sums = [_sum(device, made, cover, over, copies, level, levels) for level in range(levels.coarsest)]
    residual = solved if solved is not None else _sum(device, made, cover, over, copies, levels.coarsest, levels)
    if last is None:
        last = device.tile(levels.sums[0], levels.shapes[0], COLOUR)
    colours = Tile(residual.array[:3], residual.window, residual.picture, COLOUR)
    return pyramid.collapse(device, sums, colours, levels, over, last)


def _sum(
    device: Any, made: list[Tile], cover: Cover | None, over: Cover | None, copies: int, level: int, levels: Levels
) -> Tile:
    """A level's Laplacians by their shares, all layers and colours in one launch; at the top the values themselves."""
    top, window, own = level == levels.coarsest, levels.sums[level], made[level]
    layers, each = len(own.planes) // 4, int(own.array.strides[0])
    coarse = made[level if top else level + 1]
    value, wide = first_of(device, own), first_of(device, coarse)
    wide_step = int(coarse.array.strides[0])
    out: Tile = device.tile(window, levels.shapes[level], COLOUR)
    planes: dict[str, Any] = {
        "value": value, "coarse": NOWHERE if top else wide, "share": first_of(device, _share(own)),
        "inverse": NOWHERE, "inverse_coarse": NOWHERE,
        "any": NOWHERE if over is None else first_of(device, over.inverse[level]),
    }
    steps = {"step": 4 * each, "coarse_step": 4 * wide_step, "share_step": 4 * each}
    steps |= {"inverse_step": 0, "inverse_coarse_step": 0}
    if cover is not None:
        planes["inverse"], steps["inverse_step"] = first_of(device, cover.inverse[level]), step_of(cover.inverse[level])
        if not top:
            beside = cover.inverse_expanded[level]
            planes["inverse_coarse"], steps["inverse_coarse_step"] = first_of(device, beside), step_of(beside)
    numbers = {name: step // _FLOAT for name, step in steps.items()}
    stack = Stack(3, [], [step_of(out)], {"value": each} | ({} if top else {"coarse": wide_step}))
    device.launch(LAYERS, [], [first_of(device, out)], stack=stack, **planes, **numbers, layers=layers, copies=copies)
    return out


def _share(planes: Tile) -> Tile:
    return Tile(planes.array[3:4], planes.window, planes.picture, ("share",))
