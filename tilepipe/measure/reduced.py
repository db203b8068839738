"""The survey: one reading of each frame gives its reduced picture, clipping and sharpness, as exact integers."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Grid, Shape, Window

BOXES = Kernel(
    "reduced_boxes", 0, 3, params="Plane green; Plane peak[3]; Plane coverage; int covered; int factor; float clip;",
    result="int64", header="reduced.h",
)
FINISH = Kernel(
    "reduced_finish", 3, 2, params="int factor; int height; int width;", source="int64", result="uint16",
    header="reduced.h",
)
LEVEL = Kernel("reduced_level", 1, 1, result="uint16", header="reduced.h")
EDGES = Kernel(
    "reduced_edges", 0, 6,
    params="Plane level; int y0; int x0; int y1; int x1; int cell; int strong; int clip;",
    source="uint16", result="int64", header="reduced.h",
)

SOME_CLIPPED, UNCOVERED, MOSTLY_CLIPPED = 1, 2, 4  # bits of `ReducedFrame.state`
REDUCED_SIDE_PX = 1500  # chosen here: 1–1.5 million reduced pixels are statistics enough, 6 MB a frame
LARGEST_FACTOR = 128  # row sums of 128 px stay inside int32
CELL_PX = 64
REACH_PX = 4
CLIP = 0.985  # of the clipping level: 253/255 of an 8-bit sRGB frame
STRONG_EDGE = 246  # of 4095: .06 in sqrt(light), about five times a photon-noise difference at base sensitivity
EDGE_CLIP = 3990  # of 4095: .95 in light

Array = npt.NDArray[Any]


class FrameSource(Protocol):
    """A frame that can be measured: `tile` gives linear light with 1.0 = clipping (see `light`).

    `light`: relative exposure t·ISO/N² from EXIF or recipe, not a finite number > 0 where it is unknown.
    `linear`: False for encoded pictures whose curve is not known (in-camera JPEG): `tile` then decodes them as sRGB.
    """

    @property
    def name(self) -> str: ...
    @property
    def shape(self) -> Shape: ...
    @property
    def light(self) -> float: ...
    @property
    def linear(self) -> bool: ...

    def tile(self, device: Any, window: Window) -> Tile:
        """Planes red, green, blue, then optionally peak_red, peak_green, peak_blue, coverage."""
        ...


@dataclass(frozen=True)
class SurveyGrid:
    """How a picture of `shape` is reduced: boxes of `factor` px, cells of `cell` px (a multiple of `factor`)."""

    shape: Shape

    @property
    def factor(self) -> int:
        return min(-(-max(self.shape.height, self.shape.width) // REDUCED_SIDE_PX), LARGEST_FACTOR)

    @property
    def cell(self) -> int:
        return self.factor * -(-CELL_PX // self.factor)

    @property
    def reduced(self) -> Shape:
        return _divided(self.shape, self.factor)

    @property
    def cells(self) -> Shape:
        return _divided(self.shape, self.cell)

    def windows(self, side_px: int) -> Iterator[Window]:
        """Task windows of about `side_px` that share no box or cell with each other (any other windows work too)."""
        side = self.cell * max(1, side_px // self.cell)
        return iter(Grid(self.shape, side, side))


@dataclass(frozen=True)
class SurveyPart:
    """One frame's integer sums of one window: box sums `(3, y, x)` at `boxes`, edge sums `(6, y, x)` at `cells`."""

    frame: int
    boxes: Window
    box_sums: npt.NDArray[np.int64]
    cells: Window
    edge_sums: npt.NDArray[np.int64]


@dataclass(frozen=True)
class ReducedFrame:
    """What the survey keeps of one frame.

    `level`: uint16 `(y, x)`, 65535·sqrt(mean green light of a box). `state`: uint16 bits (SOME_CLIPPED, …).
    `edges`: int64 `(6, y, x)` per cell, see reduced_edges in reduced.h. `clipped_px`: clipped pixels at full size.
    """

    name: str
    light: float
    linear: bool
    level: npt.NDArray[np.uint16]
    state: npt.NDArray[np.uint16]
    edges: npt.NDArray[np.int64]
    clipped_px: int


@dataclass(frozen=True)
class Survey:
    """All frames, in the order they were given."""

    grid: SurveyGrid
    frames: tuple[ReducedFrame, ...]


def survey_partial(device: Any, frames: Sequence[FrameSource], window: Window) -> list[SurveyPart]:
    """Pass A: every frame's sums over `window`; frames are read one after another, `window` and 4 px around it."""
    return [survey_frame(device, frame, index, window) for index, frame in enumerate(frames)]


def survey_frame(
    device: Any, frame: FrameSource, index: int, window: Window, look: Callable[[Any, int, Tile], None] | None = None
) -> SurveyPart:
    """One frame's part of pass A; `look` is shown the tile of `window`."""
    grid = SurveyGrid(frame.shape)
    tile = frame.tile(device, window.padded(REACH_PX).cut(frame.shape))
    if look is not None:
        look(device, index, tile.cut(window))
    boxes, cells = _touched(window, grid.factor), _touched(window, grid.cell)
    return SurveyPart(
        index, boxes, _box_sums(device, tile.cut(window), grid, boxes),
        cells, _edge_sums(device, tile, window, grid, cells),
    )


def _divided(shape: Shape, by: int) -> Shape:
    return Shape(-(-shape.height // by), -(-shape.width // by))


def _touched(window: Window, by: int) -> Window:
    return Window.between(window.y // by, window.x // by, -(-window.y_end // by), -(-window.x_end // by))


def trust_planes(device: Any, tile: Tile) -> tuple[PlaneArgument, list[PlaneArgument], PlaneArgument, bool]:
    """Green, the three planes clipping is judged by, coverage (green stands in where there is none), has coverage."""
    planes = dict(zip(tile.planes, device.planes(tile), strict=True))
    colours = ("red", "green", "blue")
    peaks = [planes.get(f"peak_{colour}", planes[colour]) for colour in colours]
    return planes["green"], peaks, planes.get(COVERAGE, planes["green"]), COVERAGE in planes


def _box_sums(device: Any, tile: Tile, grid: SurveyGrid, boxes: Window) -> npt.NDArray[np.int64]:
    green, peaks, coverage, covered = trust_planes(device, tile)
    sums = device.empty((3, boxes.height, boxes.width), np.int64)
    outs = [device.plane(plane, boxes, grid.reduced) for plane in sums]
    device.launch(
        BOXES, [], outs, green=green, peak=peaks, coverage=coverage, covered=int(covered), factor=grid.factor, clip=CLIP
    )
    return np.array(device.download(sums))


def _edge_sums(device: Any, tile: Tile, window: Window, grid: SurveyGrid, cells: Window) -> npt.NDArray[np.int64]:
    level = device.empty((tile.window.height, tile.window.width), np.uint16)
    plane = device.plane(level, tile.window, tile.picture)
    device.launch(LEVEL, [device.planes(tile, 2)[1]], [plane])
    sums = device.empty((6, cells.height, cells.width), np.int64)
    outs = [device.plane(part, cells, grid.cells) for part in sums]
    device.launch(
        EDGES, [], outs, level=plane, y0=window.y, x0=window.x, y1=window.y_end, x1=window.x_end,
        cell=grid.cell, strong=STRONG_EDGE, clip=EDGE_CLIP,
    )
    return np.array(device.download(sums))


class SurveySum:
    """Adds up parts in any order, from any thread; integers, so that the order cannot matter."""

    def __init__(self, frames: Sequence[FrameSource]) -> None:
        self._frames = [(frame.name, frame.light, frame.linear) for frame in frames]
        self._grid = SurveyGrid(frames[0].shape)
        reduced, cells, count = self._grid.reduced, self._grid.cells, len(frames)
        self._boxes = np.zeros((count, 3, reduced.height, reduced.width), np.int64)
        self._edges = np.zeros((count, 6, cells.height, cells.width), np.int64)
        self._lock = threading.Lock()

    def add(self, parts: Sequence[SurveyPart]) -> None:
        with self._lock:
            for part in parts:
                self._boxes[part.frame][:, part.boxes.rows, part.boxes.cols] += part.box_sums
                self._edges[part.frame][:, part.cells.rows, part.cells.cols] += part.edge_sums

    def finish(self, device: Any) -> Survey:
        """The survey, once every window of the picture has been added exactly once."""
        frames = [
            ReducedFrame(name, light, linear, *self._reduced(device, index), self._edges[index],
                         int(self._boxes[index, 1].sum()))
            for index, (name, light, linear) in enumerate(self._frames)
        ]
        return Survey(self._grid, tuple(frames))

    def _reduced(self, device: Any, index: int) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
        reduced, shape = self._grid.reduced, self._grid.shape
        sums = device.upload(self._boxes[index])
        out = device.empty((2, reduced.height, reduced.width), np.uint16)
        device.launch(
            FINISH, [device.plane(plane, reduced.whole, reduced) for plane in sums],
            [device.plane(plane, reduced.whole, reduced) for plane in out],
            factor=self._grid.factor, height=shape.height, width=shape.width,
        )
        level, state = np.array(device.download(out))
        return level, state


def survey(device: Any, frames: Sequence[FrameSource], side_px: int = 1024) -> Survey:
    """Pass A in one go, for arrays and tests."""
    total = SurveySum(frames)
    for window in SurveyGrid(frames[0].shape).windows(side_px):
        total.add(survey_partial(device, frames, window))
    return total.finish(device)
