"""Blending across scales level by level, as a device without drivers does it: shares times Laplacians, summed and collapsed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.stages import pyramid
from tilepipe.stages.pyramid import Cover, Levels, apply, divided, expanded, plane_of

BEGIN = Kernel("fusion_begin", 3, 1, header="fusion_sum.h")
ADD = Kernel("fusion_add", 4, 1, header="fusion_sum.h")


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
    """The collapsed colours of the first of `levels`; without `solved` the last one is the top of the pyramid.

    `anywhere`: the coverage of any layer, None where all is covered.
    """
    covers = _covers(device, layers, levels)
    over = Cover.over(device, anywhere, levels) if anywhere is not None else None
    shares = [pyramid.pyramid_of(device, layer.share, levels) for layer in layers]
    if over is not None:
        shares = [_divided_levels(device, share, over) for share in shares]
    out: Tile = device.tile(levels.sums[0], levels.shapes[0], COLOUR)
    for c in range(3):
        colours = [pyramid.pyramid_of(device, layer.colours[c], levels) for layer in layers]
        sums = [_sum(device, shares, colours, covers, level, levels) for level in range(levels.coarsest)]
        residual = plane_of(solved, COLOUR[c]) if solved else _mixed(device, shares, colours, covers, levels)
        out.array[c] = pyramid.collapse(device, sums, residual, levels, over).array[0]
    return out


def _covers(device: Any, layers: Sequence[Layer], levels: Levels) -> list[Cover | None]:
    """Each layer's coverage pyramid; layers over the same plane share it."""
    made: dict[int, Cover] = {}
    for layer in layers:
        if layer.cover is not None and id(layer.cover) not in made:
            made[id(layer.cover)] = Cover.over(device, layer.cover, levels)
    return [made[id(layer.cover)] if layer.cover is not None else None for layer in layers]


def _sum(
    device: Any, shares: list[list[Tile]], colours: list[list[Tile]], covers: list[Cover | None], level: int,
    levels: Levels,
) -> Tile:
    window = levels.sums[level]

    def laplacian(k: int) -> list[Tile]:
        cover = covers[k]
        wide = expanded(device, colours[k][level + 1], window, levels.shapes[level])
        own = divided(device, colours[k][level], cover.inverse[level] if cover else None, window)
        return [own, divided(device, wide, cover.inverse_expanded[level] if cover else None, window)]

    return _added(device, [share[level] for share in shares], laplacian, window)


def _mixed(
    device: Any, shares: list[list[Tile]], colours: list[list[Tile]], covers: list[Cover | None], levels: Levels
) -> Tile:
    """The top level: the layers' values by their shares."""
    window = levels.sums[-1]
    nothing = pyramid.one_plane(device, window, levels.shapes[-1])
    nothing.array.fill(0)

    def value(k: int) -> list[Tile]:
        cover = covers[k]
        return [divided(device, colours[k][-1], cover.inverse[-1] if cover else None, window), nothing]

    return _added(device, [share[-1] for share in shares], value, window)


def _divided_levels(device: Any, levels: list[Tile], cover: Cover) -> list[Tile]:
    pairs = zip(levels, cover.inverse, strict=True)
    return [divided(device, value, inverse, value.window) for value, inverse in pairs]


def _added(device: Any, shares: list[Tile], laplacian: Callable[[int], list[Tile]], window: Any) -> Tile:
    total = apply(device, BEGIN, [shares[0], *laplacian(0)], window)
    for k in range(1, len(shares)):
        total = apply(device, ADD, [shares[k], *laplacian(k), total], window)
    return total
