"""Counts, cell by cell, where aligned frames of a bracket disagree beyond noise; small integer maps of the whole picture."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window

CELL_PX = 8  # chosen here: a twig's width at 6 MP, and 64 samples steady a mean to an eighth
REACH_PX = 4
VERSION = 5  # of the counts
TILE_PX = 512  # a multiple of the cell: no cell is shared by two tasks
LIMIT = 0.9  # of the clipping level: beyond, a sensor is not quite linear and neighbours may clip
JUDGED_LIMIT = 0.97  # up to which frames are compared: the merge takes light up to 0.98, so movement must show as far
SIGMAS = 2.5  # beyond the neighbourhood's own range, which noise has already widened by about 1.5 σ
DISPLACED_PX = 0.33  # what alignment and the lens may leave; chosen here
CONTRAST = 0.03  # of the level: what gains, curves and resampling may leave
DRIFT_SIGMAS = 7.0  # of a cell's mean: demosaicing makes neighbours alike, so that 64 samples are worth about 16
DRIFT_CONTRAST = 0.02  # about 0.5 L* at middle brightness (CIE 1976)
# Frames that a camera or a program has encoded (JPEG) keep no promise: their curves vary from frame to frame and place to
# place and are rounded in the dark. There only what changes within 9 px is compared, and less strictly. Chosen here, by
# looking at published brackets.
LEAST_ENCODED, CONTRAST_ENCODED, DRIFT_CONTRAST_ENCODED = 0.01, 0.2, 0.15
SIGMAS_ENCODED = 8.0

DIFFERS = Kernel(
    "motion_differs", 16, 4, 1, header="motion.h",
    params="float per_light[2], shot[2], read[2], limit[2], least[2], sigmas, contrast, displaced, joint, relative;",
)
AROUND = Kernel("motion_around", 1, 1, REACH_PX, header="motion.h")
CELLS = Kernel(
    "motion_cells", 0, 4, result="uint8", header="motion.h", example={"cell": CELL_PX},
    params="Plane verdict; Plane z; Plane difference; Plane level; int cell; float noise, contrast;",
)
CLIPPED = Kernel(
    "motion_clipped", 0, 2, params="Plane peak[3]; Plane green; int cell; float limit, per_light;", result="uint8",
    header="motion.h", example={"cell": CELL_PX},
)

Counts = npt.NDArray[np.uint8]


def pairs_of(base: int, frames: int) -> tuple[tuple[int, int], ...]:
    """(reference, frame): every frame against the base; and neighbours in exposure against each other.

    The second kind speaks where the base clips, and in shadows where its noise hides what brighter frames show.
    """
    against_base = [(base, frame) for frame in range(frames) if frame != base]
    beside = [(frame + 1, frame) for frame in range(frames - 1) if base not in (frame, frame + 1)]
    return (*against_base, *beside)


@dataclass(frozen=True)
class MotionMaps:
    """Counts per cell of `cell_px`, uint8 `(pair or frame, row, column)` of a picture of size `shape`.

    Of each pair: `apart` pixels that disagree, `seen` pixels that say anything, `drift` of the cell's mean in 1/32 of its
    threshold, `rough` pixels that agree and have texture. Of each frame: `clipped` pixels, and the mean `level` of green
    in base units as 8·log2 + 192.
    """

    shape: Shape
    cell_px: int
    base: int
    apart: Counts
    seen: Counts
    drift: Counts
    rough: Counts
    clipped: Counts
    level: Counts

    @classmethod
    def empty(cls, shape: Shape, base: int, frames: int) -> MotionMaps:
        cells = cells_of(shape)
        pairs = len(pairs_of(base, frames))
        made = [np.zeros((pairs, cells.height, cells.width), np.uint8) for _ in range(4)]
        of_frames = [np.zeros((frames, cells.height, cells.width), np.uint8) for _ in range(2)]
        return cls(shape, CELL_PX, base, *made, *of_frames)

    @property
    def frames(self) -> int:
        return len(self.clipped)

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        return pairs_of(self.base, self.frames)


def cells_of(shape: Shape, cell_px: int = CELL_PX) -> Shape:
    """How many cells a picture has, down and across."""
    return Shape(-(-shape.height // cell_px), -(-shape.width // cell_px))


def _cells_under(window: Window) -> Window:
    return Window.between(
        window.y // CELL_PX, window.x // CELL_PX, -(-window.y_end // CELL_PX), -(-window.x_end // CELL_PX)
    )


class MotionSum:
    """Collects the maps from tasks in any order, from any thread; every cell is made by one of them."""

    def __init__(self, shape: Shape, base: int, frames: int) -> None:
        self.maps = MotionMaps.empty(shape, base, frames)
        self._lock = threading.Lock()

    def add(self, window: Window, pairs: Sequence[Counts], of_frames: Counts) -> None:
        """What `motion_window` found in `window`, whose corner lies on a cell's corner."""
        cells = _cells_under(window)
        with self._lock:
            for index, part in enumerate(pairs):
                targets = (self.maps.apart, self.maps.seen, self.maps.drift, self.maps.rough)
                for target, plane in zip(targets, part, strict=True):
                    target[index][cells.rows, cells.cols] = plane
            self.maps.clipped[:, cells.rows, cells.cols] = of_frames[:, 0]
            self.maps.level[:, cells.rows, cells.cols] = of_frames[:, 1]


def motion_window(
    device: Any, tiles: Sequence[Tile], window: Window, facts: Mapping[str, Any], sensitivity: float = 1.0
) -> tuple[list[Counts], Counts]:
    """The counts of one window, which begins on a cell's corner and ends on one or at the picture's rim.

    `tiles`: the aligned frames, dark → bright, each holding `window` and 4 px around it, all in one set of primaries.
    Returns one uint8 `(4, rows, columns)` per pair, and per frame clipped pixels and level, uint8
    `(frame, 2, rows, columns)`. `sensitivity` divides all thresholds.
    """
    frames, base = facts["frames"], facts["base"]
    found = [
        _pair(device, (tiles[one], tiles[other]), (frames[one], frames[other]), window, sensitivity)
        for one, other in pairs_of(base, len(frames))
    ]
    clipped = [_clipped(device, tile, frame, window) for tile, frame in zip(tiles, frames, strict=True)]
    return found, np.stack(clipped)


def _pair(
    device: Any, tiles: tuple[Tile, Tile], frames: tuple[Mapping[str, Any], Mapping[str, Any]], window: Window,
    sensitivity: float,
) -> Counts:
    made: Tile = device.tile(window, tiles[0].picture, ("verdict", "z", "difference", "level"))
    full = device.empty((tiles[0].window.height, tiles[0].window.width))
    full.fill(1)
    ins, means = [], []
    for tile in tiles:
        mean: Tile = device.tile(window, tile.picture, ("mean",))
        device.launch(AROUND, device.planes(tile, 2)[1:], device.planes(mean))
        means.append(mean)
        whole = device.plane(full, tiles[0].window, tile.picture)
        cover = device.plane(tile.plane(COVERAGE), tile.window, tile.picture) if tile.has_coverage else whole
        ins += [*device.planes(tile, 3), *_peaks(device, tile), cover]
    lights, encoded = [frame["light"] for frame in frames], any(frame.get("encoded", False) for frame in frames)
    device.launch(
        DIFFERS, [*ins, *(device.planes(mean)[0] for mean in means)], device.planes(made),
        per_light=[1.0 / light for light in lights],
        shot=[frame["shot"] / frame["light"] for frame in frames],
        read=[frame["read"] / (frame["light"] * frame["light"]) for frame in frames],
        limit=[(LIMIT if encoded else JUDGED_LIMIT) * frame["clip"] for frame in frames],
        least=[least_of(frame) for frame in frames], sigmas=(SIGMAS_ENCODED if encoded else SIGMAS) / sensitivity,
        contrast=(CONTRAST_ENCODED if encoded else CONTRAST) / sensitivity,
        displaced=DISPLACED_PX, relative=1.0 if encoded else 0.0,
        joint=0.0 if all(frame.get("colours_apart", False) for frame in frames) else 1.0,
    )
    planes = dict(zip(made.planes, device.planes(made), strict=True))
    return _cells(
        device, CELLS, window, made.picture, **planes,
        noise=DRIFT_SIGMAS / sensitivity, contrast=(DRIFT_CONTRAST_ENCODED if encoded else DRIFT_CONTRAST) / sensitivity,
    )


def least_of(frame: Mapping[str, Any]) -> float:
    """The value below which a frame says nothing: encoded frames are rounded there and their curve is a guess."""
    return LEAST_ENCODED if frame.get("encoded", False) else -1e30


def _clipped(device: Any, tile: Tile, frame: Mapping[str, Any], window: Window) -> Counts:
    inner = tile.cut(window)
    return _cells(
        device, CLIPPED, window, tile.picture, peak=_peaks(device, inner), green=device.planes(inner, 2)[1],
        limit=LIMIT * frame["clip"], per_light=1.0 / frame["light"],
    )


def _cells(device: Any, kernel: Kernel, window: Window, picture: Shape, **params: Any) -> Counts:
    cells, whole = _cells_under(window), cells_of(picture)
    out = device.empty((kernel.outs, cells.height, cells.width), np.uint8)
    device.launch(kernel, [], [device.plane(plane, cells, whole) for plane in out], cell=CELL_PX, **params)
    return np.array(device.download(out))


def _peaks(device: Any, tile: Tile) -> list[Any]:
    names = ["peak_red", "peak_green", "peak_blue"] if "peak_red" in tile.planes else list(COLOUR)
    return [device.plane(tile.plane(name), tile.window, tile.picture) for name in names]
