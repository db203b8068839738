"""What deliverables are written from: the finished picture, its reduced copies in the workspace, its coded values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import encode_tile, linear_tile
from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.formats.write_exif import ShotTags
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.recipe.deliver import Deliverable
from tilepipe.run.digests import bands
from tilepipe.run.evaluate import read_tile
from tilepipe.run.workspace import Place
from tilepipe.store import pyramid_store
from tilepipe.store.picture import Picture

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

Array = npt.NDArray[Any]
TASK_PX = 2048  # chosen here: three halvings leave 256 px, a chunk that is worth a file
TASK_LEVELS = 3


@dataclass(frozen=True)
class Source:
    """A finished picture and its reduced copies, full size first, and what is known of it."""

    run: Execution
    levels: tuple[Picture, ...]
    shot: ShotTags
    root: str

    @property
    def shape(self) -> Shape:
        return self.levels[0].shape

    @property
    def planes(self) -> tuple[str, ...]:
        return self.levels[0].planes

    def tile(self, level: int, window: Window) -> Tile:
        """Pixels of one level, float32, in the device's memory."""
        return read_tile(self.run.device, self.levels[level], window)

    def codes(self, item: Deliverable, tile: Tile) -> Array:
        """A tile's values as a deliverable stores them: planar uint8 or uint16 codes, or scene-linear float32."""
        device = self.run.device
        if item.bits == 32:
            return np.asarray(device.download(linear_tile(device, tile, item.space).array))
        return np.asarray(device.download(encode_tile(device, tile, item.space, item.bits)))


def reduced_levels(run: Execution, name: str, count: int) -> tuple[Picture, ...]:
    """A run's picture and `count` levels above it, full size first, kept in the workspace."""
    levels: list[Picture] = [run.pictures[name]]
    while len(levels) <= count:
        above = range(len(levels), min(len(levels) + TASK_LEVELS, count + 1))
        levels += _levels_above(run, name, levels[-1], above)
    return tuple(levels)


def copy_name(name: str, level: int) -> str:
    """What a reduced copy of the picture `name` is called in the working folder."""
    return f"{name}-level-{level}"


def _levels_above(run: Execution, name: str, source: Picture, numbers: range) -> list[Picture]:
    """The next levels, all in one reading of `source`."""
    places = [_place(run, name, source, number, times) for times, number in enumerate(numbers, 1)]
    grid = Grid(source.shape, TASK_PX, TASK_PX)
    done = set.intersection(*(set(range(len(grid))) if place.complete else place.finished for place in places))

    def work(index: int) -> None:
        for place, made in zip(places, _halved(run.device, source, grid[index], len(places)), strict=True):
            place.write(index, made.window, run.device.download(made.array))

    missing = [index for index in range(len(grid)) if index not in done]
    finished = False
    try:
        if missing:
            run.engine.run_bag(f"reduce {name} to 1/{1 << numbers[-1]}", missing, work, len(grid))
        finished = True
    finally:
        for place in places:
            place.close(complete=finished)
    return [place.picture for place in places]


def _place(run: Execution, name: str, source: Picture, number: int, times: int) -> Place:
    key = key_of({"reduced": pyramid_store.VERSION, "of": run.keys[name], "level": number})
    tile = Shape(TASK_PX >> times, TASK_PX >> times)
    shape = source.shape.halved(times)
    return run.workspace.place(copy_name(name, number), key, shape, source.planes, "float32", tile)


def _halved(device: Any, source: Picture, window: Window, times: int) -> list[Tile]:
    """The levels above one window of a picture, read in bands so that only a band of it is in memory."""
    whole: list[Tile] = []
    shape, area = source.shape, window
    for _ in range(times):
        shape = shape.halved()
        area = pyramid_store.coarser_window(area, shape)
        whole.append(device.tile(area, shape, source.planes))
    for band in bands(window):
        tile = read_tile(device, source, band)
        for target in whole:
            tile = pyramid_store.halved_tile(device, tile)
            rows, cols = tile.window.within(target.window)
            target.array[:, rows, cols] = tile.array
    return whole
