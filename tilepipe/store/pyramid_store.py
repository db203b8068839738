"""Reduced copies of a working picture: each level is the mean light of 2×2 pixels of the one below, by kernels."""

from __future__ import annotations

from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window

HALVE = Kernel("box_reduce", 1, 1, 1, 2, params="int height; int width;", header="box.h")
HALVE_COVERED = Kernel("box_reduce_covered", 2, 1, 1, 2, params="int height; int width;", header="box.h")
VERSION = 1
SMALLEST_PX = 512  # chosen here: the last level's longer side is at most this, one tile of a TIFF file


def level_count(shape: Shape, smallest_px: int = SMALLEST_PX) -> int:
    """How often a picture is halved until its longer side is at most `smallest_px`."""
    level = 0
    while max(shape.halved(level).height, shape.halved(level).width) > smallest_px:
        level += 1
    return level


def finer_window(coarse: Window, finer: Shape) -> Window:
    """The window of the picture `finer` under `coarse` of the level above it."""
    return Window(2 * coarse.y, 2 * coarse.x, 2 * coarse.height, 2 * coarse.width).cut(finer)


def coarser_window(fine: Window, coarser: Shape) -> Window:
    """The window of the level above over `fine`, which starts at even places and ends at such or at the rim."""
    return Window.between(fine.y // 2, fine.x // 2, (fine.y_end + 1) // 2, (fine.x_end + 1) // 2).cut(coarser)


def halved_tile(device: Any, tile: Tile) -> Tile:
    """The level above a tile, float32; the tile starts at even places and ends at such or at the picture's rim.

    Coverage is averaged; colour is Σcv / Σc, so that uncovered pixels never bleed.
    """
    coarser = tile.picture.halved()
    out: Tile = device.tile(coarser_window(tile.window, coarser), coarser, tile.planes)
    size = {"height": tile.picture.height, "width": tile.picture.width}
    planes = device.planes(tile)
    cover = planes[tile.planes.index(COVERAGE)] if tile.has_coverage else None
    for name, source, target in zip(tile.planes, planes, device.planes(out), strict=True):
        if cover is None or name == COVERAGE:
            device.launch(HALVE, [source], [target], **size)
        else:
            device.launch(HALVE_COVERED, [source, cover], [target], **size)
    return out
