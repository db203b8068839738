"""A frame's light on reduced levels, as whole numbers, kept by the survey for the search for dirt."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.reduced import trust_planes

_HEADER = "spots.h"
LEVEL = Kernel(
    "spots_level", 0, 1, result="uint16", header=_HEADER,
    params="Plane colour[3]; Plane peak[3]; Plane coverage; int covered, factor, height, width; float clip, least;",
)
HALF = Kernel(
    "spots_half", 1, 1, 1, 2, params="int height, width;", source="uint16", result="uint16", header=_HEADER,
)
FINEST, COARSER = 2, 4  # px: both divide the survey's tiles
MOST_PIXELS = 32_000_000  # of the finest level, for memory's sake: from 128 MP on it is reduced by 4
OCTAVES = 5
OCTAVE = 2048  # of a level's whole numbers
CLIP = 0.985  # of the clipping level: as the survey judges it
LEAST = 1.0 / 256.0  # of the clipping level: below, a typical camera's noise at its base sensitivity exceeds the light
BYTES = 2  # a pixel of a level; the coarser ones together are a third of the finest
SEARCH_BYTES = 40 << 20  # a worker: blurs of a window of 1120 px, and what is around its peaks

Array = npt.NDArray[np.uint16]


def finest_factor(shape: Shape) -> int:
    """By how much the finest level is reduced from the frame."""
    return FINEST if shape.pixels <= MOST_PIXELS * FINEST * FINEST else COARSER


def spots_bytes(shape: Shape, frames: int, workers: int) -> int:
    """What the levels of all frames and searching them takes."""
    factor = finest_factor(shape)
    return frames * (shape.pixels // (factor * factor)) * BYTES * 4 // 3 + workers * SEARCH_BYTES


class SpotLevels:
    """The levels of all frames, filled window by window from any thread; none writes what another does."""

    def __init__(self, shape: Shape, frames: int) -> None:
        self.shape, self.factor = shape, finest_factor(shape)
        self.finest = Shape(-(-shape.height // self.factor), -(-shape.width // self.factor))
        self.frames: list[list[Array]] = [[np.zeros((self.finest.height, self.finest.width), np.uint16)] for _ in range(frames)]

    def look(self, device: Any, frame: int, tile: Tile) -> None:
        """Takes a tile whose window begins at whole boxes."""
        factor, window = self.factor, tile.window
        boxes = Window.between(
            window.y // factor, window.x // factor, -(-window.y_end // factor), -(-window.x_end // factor)
        )
        _, peaks, coverage, covered = trust_planes(device, tile)
        made = device.empty((boxes.height, boxes.width), np.uint16)
        device.launch(
            LEVEL, [], [device.plane(made, boxes, self.finest)], colour=device.planes(tile, 3), peak=peaks,
            coverage=coverage, covered=int(covered), factor=factor, height=self.shape.height, width=self.shape.width,
            clip=CLIP, least=LEAST,
        )
        self.frames[frame][0][boxes.rows, boxes.cols] = device.download(made)

    def halve(self, device: Any, frame: int) -> None:
        """Makes a frame's coarser levels, once its finest one is whole."""
        levels, shape = self.frames[frame], self.finest
        while len(levels) < OCTAVES and min(shape.height, shape.width) >= 4:
            coarser = shape.halved()
            made = device.empty((coarser.height, coarser.width), np.uint16)
            given = device.upload(levels[-1])
            device.launch(
                HALF, [device.plane(given, shape.whole, shape)], [device.plane(made, coarser.whole, coarser)],
                height=shape.height, width=shape.width,
            )
            levels.append(np.array(device.download(made)))
            shape = coarser

    def shapes(self) -> Sequence[Shape]:
        """The sizes of a frame's levels."""
        return [Shape(*level.shape) for level in self.frames[0]]
