"""Pyramid levels of a picture: which windows a tile needs of each, and one level made from the next by kernels.

A tile of several planes goes through every function here plane by plane, in one launch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel, PlaneArgument, Stack
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window

REDUCE = Kernel("pyramid_reduce", 1, 1, 2, 2, header="pyramid.h")
EXPAND = Kernel("pyramid_expand", 1, 1, 1, 1, params="int height; int width;", header="pyramid.h")
BOX = Kernel("pyramid_box", 1, 1, 1, 2, params="int height; int width;", header="pyramid.h")
COLLAPSE = Kernel("pyramid_collapse", 1, 1, params="Plane coarse; Plane inverse;", header="pyramid.h")
ADD = Kernel("pyramid_add", 2, 1, header="pyramid.h")
WEIGHTED = Kernel("coverage_weighted", 2, 1, header="pyramid.h")
INVERSE = Kernel("coverage_inverse", 1, 1, header="pyramid.h")
DIVIDED = Kernel("coverage_divided", 2, 1, header="pyramid.h")
KEPT = Kernel("coverage_kept", 2, 1, header="pyramid.h")

_ONE = ("value",)
NOWHERE = PlaneArgument()  # a null plane: nothing is there to be read


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


def at(tile: Tile, first: int, names: tuple[str, ...], window: Window | None = None) -> Tile:
    """Planes from `first` on under other names, cut to a window: a view."""
    part = Tile(tile.array[first : first + len(names)], tile.window, tile.picture, names)
    return part if window is None else part.cut(window)


def step_of(tile: Tile) -> int:
    """Bytes from one plane to the next; 0 where there is one plane, which then stands for all of others' planes."""
    return int(tile.array.strides[0]) if len(tile.planes) > 1 else 0


def first_of(device: Any, tile: Tile) -> PlaneArgument:
    """The tile's first plane as a kernel's argument."""
    plane: PlaneArgument = device.planes(tile, 1)[0]
    return plane


def launch_planes(device: Any, kernel: Kernel, ins: Sequence[Tile], out: Tile, **params: Any) -> None:
    """A kernel of one output over every plane of `out`; each input has as many planes, or one for all.

    A parameter may be a tile: a plane that goes along.
    """
    count, planes = len(out.planes), {name: value for name, value in params.items() if isinstance(value, Tile)}
    numbers = params | {name: first_of(device, tile) for name, tile in planes.items()}
    stack = None
    if count > 1:
        steps = {name: step_of(tile) for name, tile in planes.items()}
        stack = Stack(count, [step_of(tile) for tile in ins], [step_of(out)], steps)
    device.launch(kernel, [first_of(device, tile) for tile in ins], [first_of(device, out)], stack=stack, **numbers)


def apply(device: Any, kernel: Kernel, ins: list[Tile], window: Window, out: Tile | None = None, **params: Any) -> Tile:
    """Tiles → `window` of a tile with as many planes as the richest of them, by a kernel of one output.

    Point kernels read their inputs cut to the window; `out`: where the result goes.
    """
    given = [tile.cut(window) if tile.window != window else tile for tile in ins]
    if out is None:
        richest = max(given, key=lambda tile: len(tile.planes))
        out = device.tile(window, richest.picture, richest.planes)
    launch_planes(device, kernel, given, out, **params)
    return out


def pyramid_of(device: Any, base: Tile, levels: Levels, last: Tile | None = None) -> list[Tile]:
    """The Gaussian pyramid over a tile, each level on its `made` window; `last`: where the coarsest level goes."""
    pyramid = [base]
    for shape, window in zip(levels.shapes[1:], levels.made[1:], strict=True):
        ends = len(pyramid) == levels.coarsest
        out: Tile = last if last is not None and ends else device.tile(window, shape, base.planes)
        launch_planes(device, REDUCE, pyramid[-1:], out)
        pyramid.append(out)
    if last is not None and levels.coarsest == 0:
        last.array[...] = base.array
    return pyramid


def box_pyramid_of(device: Any, base: Tile, levels: Levels) -> list[Tile]:
    """Sums of a tile over the pixels under each pixel of each level."""
    pyramid = [base]
    for shape, window in zip(levels.shapes[1:], levels.made[1:], strict=True):
        out, fine = device.tile(window, shape, base.planes), pyramid[-1].picture
        launch_planes(device, BOX, pyramid[-1:], out, height=fine.height, width=fine.width)
        pyramid.append(out)
    return pyramid


def expanded(device: Any, coarse: Tile, window: Window, picture: Shape) -> Tile:
    """A coarser level brought to `window` of the next finer one."""
    out: Tile = device.tile(window, picture, coarse.planes)
    size = coarse.picture
    launch_planes(device, EXPAND, [coarse], out, height=size.height, width=size.width)
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


def collapse(
    device: Any, sums: list[Tile], residual: Tile, levels: Levels, cover: Cover | None, last: Tile | None = None
) -> Tile:
    """Level 0 of the result: the residual of the coarsest level, expanded and added to the sums level by level.

    `last`: where the result goes.
    """
    result = residual
    for level in reversed(range(levels.coarsest)):
        if cover is not None:
            result = apply(device, WEIGHTED, [result, cover.levels[level + 1]], levels.sums[level + 1])
        inverse = cover.inverse_expanded[level] if cover else NOWHERE
        target = last if level == 0 else None
        result = apply(device, COLLAPSE, [sums[level]], levels.sums[level], target, coarse=result, inverse=inverse)
    if last is not None and levels.coarsest == 0:
        last.array[...] = result.cut(last.window).array
        return last
    return result
