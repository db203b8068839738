"""Pyramid levels of a picture: which windows a tile needs of each, and one level made from the next by kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window

REDUCE = Kernel("pyramid_reduce", 1, 1, 2, 2, header="pyramid.h")
EXPAND = Kernel("pyramid_expand", 1, 1, 1, 1, params="int height; int width;", header="pyramid.h")
BOX = Kernel("pyramid_box", 1, 1, 1, 2, params="int height; int width;", header="pyramid.h")
ADD = Kernel("pyramid_add", 2, 1, header="pyramid.h")
WEIGHTED = Kernel("coverage_weighted", 2, 1, header="pyramid.h")
INVERSE = Kernel("coverage_inverse", 1, 1, header="pyramid.h")
DIVIDED = Kernel("coverage_divided", 2, 1, header="pyramid.h")
KEPT = Kernel("coverage_kept", 2, 1, header="pyramid.h")

_ONE = ("value",)


def reduce_window(coarse: Window, fine: Shape) -> Window:
    """The window of the finer picture that `coarse` of the level above it is reduced from."""
    wide = Window.between(2 * coarse.y - 2, 2 * coarse.x - 2, 2 * coarse.y_end + 1, 2 * coarse.x_end + 1)
    return wide.cut(fine)


def expand_window(fine: Window, coarse: Shape) -> Window:
    """The window of the coarser picture that `fine` of the level below it is expanded from."""
    first_y, first_x = (fine.y - 1) >> 1, (fine.x - 1) >> 1
    return Window.between(first_y, first_x, ((fine.y_end - 1) >> 1) + 2, ((fine.x_end - 1) >> 1) + 2).cut(coarse)


@dataclass(frozen=True)
class Levels:
    """What a tile makes of each level 0 … D: `made` windows of the Gaussian levels, `sums` of the Laplacian sums."""

    shapes: tuple[Shape, ...]
    made: tuple[Window, ...]
    sums: tuple[Window, ...]

    @property
    def coarsest(self) -> int:
        return len(self.shapes) - 1


def _made(shapes: tuple[Shape, ...], sums: tuple[Window | None, ...], coarse: Window) -> tuple[Window, ...]:
    windows = [coarse]
    for level in reversed(range(len(shapes) - 1)):
        needed = reduce_window(windows[0], shapes[level])
        own = sums[level]
        windows.insert(0, needed if own is None else needed.union(own))
    return tuple(windows)


def _shapes(shape: Shape, level: int) -> tuple[Shape, ...]:
    return tuple(shape.halved(times) for times in range(level + 1))


def levels_down(shape: Shape, coarse: Window, level: int) -> Levels:
    """Pass 1: exactly `coarse` of the hand-over level, no sums."""
    shapes = _shapes(shape, level)
    nothing = (Window(coarse.y, coarse.x, 0, 0),) * (level + 1)
    return Levels(shapes, _made(shapes, (None,) * (level + 1), coarse), nothing)


def _sum_windows(shapes: tuple[Shape, ...], wanted: Window) -> tuple[Window, ...]:
    sums = [wanted]
    for coarse in shapes[1:]:
        sums.append(expand_window(sums[-1], coarse))
    return tuple(sums)


def levels_up(shape: Shape, wanted: Window, level: int) -> Levels:
    """Pass 2: the sums that `wanted` of the result needs, and the Gaussian levels under them."""
    shapes = _shapes(shape, level)
    sums = _sum_windows(shapes, wanted)
    return Levels(shapes, _made(shapes, sums, sums[-1]), sums)


def levels_strip(shape: Shape, strip: Window, level: int) -> Levels:
    """A strip of columns, aligned to 2^level: the sums of its own columns at every level, and its coarse columns."""
    shapes = _shapes(shape, level)
    grain = 1 << level
    if strip.x % grain or (strip.x_end % grain and strip.x_end != shape.width):
        raise ValueError(f"the strip {strip} is not aligned to {grain} px")
    own = tuple(
        Window.between(0, strip.x >> times, size.height, -(-strip.x_end >> times) if times else strip.x_end)
        for times, size in enumerate(shapes)
    )
    own = tuple(window.cut(size) for window, size in zip(own, shapes, strict=True))
    beside = [expand_window(window, size) for window, size in zip(own, shapes[1:], strict=False)]
    wanted = [own[0], *(window.union(around) for window, around in zip(own[1:], beside, strict=True))]
    return Levels(shapes, _made(shapes, tuple(wanted), wanted[-1]), own)


def levels_whole(shape: Shape, first: int, last: int) -> Levels:
    """Levels `first` … `last` of the picture, each of them whole."""
    shapes = _shapes(shape, last)[first:]
    windows = tuple(level.whole for level in shapes)
    return Levels(shapes, windows, windows)


def one_plane(device: Any, window: Window, picture: Shape) -> Tile:
    """A new uninitialised plane, as a tile of one plane."""
    tile: Tile = device.tile(window, picture, _ONE)
    return tile


def plane_of(tile: Tile, name: str) -> Tile:
    """One plane of a tile, as a tile (a view)."""
    index = tile.planes.index(name)
    return Tile(tile.array[index : index + 1], tile.window, tile.picture, (name,))


def apply(device: Any, kernel: Kernel, ins: list[Tile], window: Window, **params: Any) -> Tile:
    """One-plane tiles → one plane of `window`, by a kernel of one output; point kernels read their inputs cut to it."""
    out = one_plane(device, window, ins[0].picture)
    device.launch(kernel, [device.planes(tile.cut(window))[0] for tile in ins], device.planes(out), **params)
    return out


def pyramid_of(device: Any, base: Tile, levels: Levels) -> list[Tile]:
    """The Gaussian pyramid over a one-plane tile, each level on its `made` window."""
    pyramid = [base]
    for shape, window in zip(levels.shapes[1:], levels.made[1:], strict=True):
        out = one_plane(device, window, shape)
        device.launch(REDUCE, device.planes(pyramid[-1]), device.planes(out))
        pyramid.append(out)
    return pyramid


def box_pyramid_of(device: Any, base: Tile, levels: Levels) -> list[Tile]:
    """Sums of a one-plane tile over the pixels under each pixel of each level."""
    pyramid = [base]
    for shape, window in zip(levels.shapes[1:], levels.made[1:], strict=True):
        out, fine = one_plane(device, window, shape), pyramid[-1].picture
        device.launch(BOX, device.planes(pyramid[-1]), device.planes(out), height=fine.height, width=fine.width)
        pyramid.append(out)
    return pyramid


def expanded(device: Any, coarse: Tile, window: Window, picture: Shape) -> Tile:
    """A coarser level brought to `window` of the next finer one."""
    out = one_plane(device, window, picture)
    size = coarse.picture
    device.launch(EXPAND, device.planes(coarse), device.planes(out), height=size.height, width=size.width)
    return out


@dataclass(frozen=True)
class Cover:
    """Coverage of a tile's pyramid: per level 1 / coverage and, for all but the coarsest, 1 / expanded coverage."""

    levels: list[Tile]
    inverse: list[Tile]
    inverse_expanded: list[Tile]

    @classmethod
    def over(cls, device: Any, base: Tile, levels: Levels) -> Cover:
        pyramid = pyramid_of(device, base, levels)
        inverse = [apply(device, INVERSE, [tile], tile.window) for tile in pyramid]
        wide = [
            expanded(device, pyramid[level + 1], levels.sums[level], levels.shapes[level])
            for level in range(levels.coarsest)
        ]
        return cls(pyramid, inverse, [apply(device, INVERSE, [tile], tile.window) for tile in wide])


def divided(device: Any, value: Tile, inverse: Tile | None, window: Window) -> Tile:
    """value · coverage → value; without coverage the tile itself."""
    return value if inverse is None else apply(device, DIVIDED, [value, inverse], window)


def collapse(device: Any, sums: list[Tile], residual: Tile, levels: Levels, cover: Cover | None) -> Tile:
    """Level 0 of the result: the residual of the coarsest level, expanded and added to the sums level by level."""
    result = residual
    for level in reversed(range(levels.coarsest)):
        if cover is not None:
            result = apply(device, WEIGHTED, [result, cover.levels[level + 1]], levels.sums[level + 1])
        wide = expanded(device, result, levels.sums[level], levels.shapes[level])
        wide = divided(device, wide, cover.inverse_expanded[level] if cover else None, levels.sums[level])
        result = apply(device, ADD, [sums[level], wide], levels.sums[level])
    return result
