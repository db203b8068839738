"""Searches a frame's levels for dark round places of any size: differences of blurs, whole numbers throughout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.spot_levels import SpotLevels

_HEADER, _OF = "spots.h", {"source": "uint16", "result": "uint16", "header": "spots.h"}
BLURS = {step: Kernel(f"spots_blur_{step}", 1, 1, 2 * step, **_OF) for step in (1, 2, 4, 8)}  # type: ignore[arg-type]
CONTRAST = Kernel("spots_contrast", 2, 2, params="int most;", **_OF)  # type: ignore[arg-type]
PEAK = Kernel("spots_peak", 3, 2, 1, params="int times, least, most;", **_OF)  # type: ignore[arg-type]

# Two differences of blurs an octave: standard deviations 1 and 2, √2 and √8. A disc answers them most where its radius is
# √2 times the mean of the two (Lindeberg, "Feature detection with automatic scale selection", IJCV 30(2) 1998).
RADII = (2.05, 2.9)  # pixels of the level
MARGIN_PX, TILE_PX = 48, 1024
MOST_APART = 250  # of 2048 an octave: what strong edges count at most in what is usual around
TIMES = 10  # quarters of the mean absolute difference around: 2 standard deviations of even noise
MOST_USUAL = 64  # of 2048 an octave: where differences of 2 % are usual, no dirt is seen
LEAST = 6  # of 2048 an octave: half of what a disc of 0.4 % answers
MOST_CONTRAST = 1700  # of 2048 an octave: what hides 44 % of the light is a thing, not dirt far before the sensor
PATCH_PX = 9  # half of what is looked at around a peak: 2.6 radii and rounding
SECTORS = 8
MOST_UNEVEN = 2  # a ring's opposite sectors may differ from the others by one part in so many of the contrast


@dataclass(frozen=True)
class Blob:
    """A dark round place of one frame, in its pixels; `contrast`: of 2048 an octave, the ring's level over the middle's.

    `answer`: the difference of blurs, of 2048 an octave; `strength`: how often it is what is usual around, in 64ths.
    `uneven`: by how much a ring's sectors differ at most, opposite ones together (a slope is even); `edge`: the same for
    the pair that differs most.
    """

    frame: int
    y: float
    x: float
    radius: float
    contrast: int
    answer: int
    strength: int
    uneven: int
    edge: int


def search_tasks(levels: SpotLevels) -> list[tuple[int, int, Window]]:
    """(frame, octave, window) of all that is to be searched."""
    return [
        (frame, octave, window) for frame in range(len(levels.frames))
        for octave, shape in enumerate(levels.shapes()) for window in Grid(shape, TILE_PX, TILE_PX)
    ]


def search(device: Any, levels: SpotLevels, frame: int, octave: int, core: Window) -> list[Blob]:
    """The blobs whose middle lies in `core` of one octave of a frame."""
    level = levels.frames[frame][octave]
    shape = Shape(*level.shape)
    given = core.padded(MARGIN_PX).cut(shape)
    whole = device.upload(np.ascontiguousarray(level[given.rows, given.cols]))
    blurs = _Blurs(device, shape, core)
    one = blurs.blurred(whole, given, 1, 46)
    two = blurs.blurred(one, core.padded(46).cut(shape), 1, 44)
    three = blurs.blurred(two, core.padded(44).cut(shape), 1, 42)
    four = blurs.blurred(three, core.padded(42).cut(shape), 1, 40)
    eight = blurs.blurred(four, core.padded(40).cut(shape), 2, 36)
    found: list[Blob] = []
    size = levels.factor << octave
    for radius, fine, fine_px, coarse, coarse_px in ((RADII[0], one, 46, four, 40), (RADII[1], two, 44, eight, 36)):
        peaks, usual, window = blurs.peaks(fine, fine_px, coarse, coarse_px)
        rows, cols = np.nonzero(peaks)
        found += _judged(level, window, rows, cols, peaks, usual, radius, frame, size)
    return found


class _Blurs:
    """Blurred windows around a core, each as much smaller as its blur reaches."""

    def __init__(self, device: Any, shape: Shape, core: Window) -> None:
        self.device, self.shape, self.core = device, shape, core

    def _at(self, margin_px: int) -> Window:
        return self.core.padded(margin_px).cut(self.shape)

    def blurred(self, array: Any, window: Window, step: int, margin_px: int) -> Any:
        to = self._at(margin_px)
        made = self.device.empty((to.height, to.width), np.uint16)
        self.device.launch(
            BLURS[step], [self.device.plane(array, window, self.shape)], [self.device.plane(made, to, self.shape)]
        )
        return made

    def peaks(self, fine: Any, fine_px: int, coarse: Any, coarse_px: int) -> tuple[Any, Any, Window]:
        """Over the core: contrasts where they are peaks, else 0; and what is usual around, in 64ths."""
        device, shape, to = self.device, self.shape, self._at(coarse_px)
        contrast, apart = (device.empty((to.height, to.width), np.uint16) for _ in range(2))
        device.launch(
            CONTRAST, [device.plane(fine, self._at(fine_px), shape), device.plane(coarse, to, shape)],
            [device.plane(contrast, to, shape), device.plane(apart, to, shape)], most=MOST_APART,
        )
        near = self.blurred(apart, to, 4, coarse_px - 8)
        wide = self.blurred(near, self._at(coarse_px - 8), 8, coarse_px - 24)
        core = self.core
        made, usual = (device.empty((core.height, core.width), np.uint16) for _ in range(2))
        device.launch(
            PEAK,
            [device.plane(contrast, to, shape), device.plane(near, self._at(coarse_px - 8), shape),
             device.plane(wide, self._at(coarse_px - 24), shape)],
            [device.plane(made, core, shape), device.plane(usual, core, shape)], times=TIMES, least=LEAST, most=MOST_USUAL,
        )
        return np.asarray(device.download(made)), np.asarray(device.download(usual)), core


def _judged(
    level: npt.NDArray[np.uint16], window: Window, rows: Any, cols: Any, peaks: Any, usual: Any, radius: float, frame: int,
    size: int,
) -> list[Blob]:
    """The peaks that are darker than all around them, whatever the slope; sums are whole numbers."""
    if not len(rows):
        return []
    patches = _patches(level, window, rows, cols)
    masks, counts = _masks(radius)
    known = ((patches == 0) @ masks.any(1).astype(np.int64)) == 0
    sums = patches @ masks
    means = (16 * sums) // counts  # in sixteenths
    middle, sectors = means[:, 0], means[:, 1:]
    pairs = np.sort((sectors[:, : SECTORS // 2] + sectors[:, SECTORS // 2 :]) // 2, axis=1)
    ring = (pairs[:, 1] + pairs[:, 2]) // 2
    away = np.sort(np.abs(pairs - ring[:, None]), axis=1)
    contrast, uneven, edge = ring - middle, away[:, -2], away[:, -1]
    good = known & (contrast > 0) & (contrast <= 16 * MOST_CONTRAST) & (MOST_UNEVEN * uneven <= contrast)
    found = []
    for i in np.flatnonzero(good).tolist():
        row, col = int(rows[i]), int(cols[i])
        answer, around = int(peaks[row, col]), max(int(usual[row, col]), 1)
        found.append(Blob(
            frame, (row + window.y + 0.5) * size - 0.5, (col + window.x + 0.5) * size - 0.5, radius * size,
            int(contrast[i]) // 16, answer, 64 * 64 * answer // around, int(uneven[i]) // 16, int(edge[i]) // 16,
        ))
    return found


def _patches(level: npt.NDArray[np.uint16], window: Window, rows: Any, cols: Any) -> npt.NDArray[np.int64]:
    """int64 `(n, side²)` around places of a window; beyond the picture's border it is mirrored."""
    side, shape = 2 * PATCH_PX + 1, Shape(*level.shape)
    wanted = window.padded(PATCH_PX)
    given = wanted.cut(shape)
    missing = ((given.y - wanted.y, wanted.y_end - given.y_end), (given.x - wanted.x, wanted.x_end - given.x_end))
    around = np.pad(level[given.rows, given.cols], missing, mode="reflect")
    patches = np.lib.stride_tricks.sliding_window_view(around, (side, side))[rows, cols]
    found: npt.NDArray[np.int64] = patches.reshape(len(rows), side * side).astype(np.int64)
    return found


def _masks(radius: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Of a patch: which pixels are its middle (0) and which the ring's sectors (1 …), and how many each are."""
    offsets = range(-PATCH_PX, PATCH_PX + 1)
    masks = np.zeros(((2 * PATCH_PX + 1) ** 2, 1 + SECTORS), np.int64)
    for index, (dy, dx) in enumerate((dy, dx) for dy in offsets for dx in offsets):
        away = dy * dy + dx * dx
        if away <= (0.7 * radius) ** 2:
            masks[index, 0] = 1
        elif (1.6 * radius) ** 2 <= away <= (2.7 * radius) ** 2:
            masks[index, 1 + _sector(dy, dx)] = 1
    return masks, masks.sum(0)


def _sector(dy: int, dx: int) -> int:
    """The eighth of the circle that a direction lies in, counted around; opposite ones differ by four."""
    low = 1 if (dy > 0 or (dy == 0 and dx > 0)) else 0
    x, y = (dx, dy) if low else (-dx, -dy)  # now y > 0, or y = 0 and x > 0
    quarter = 0 if x > 0 else 2
    u, v = (x, y) if x > 0 else (y, -x)
    return (0 if low else 4) + quarter + (1 if v >= u else 0)


def strongest_first(blobs: Sequence[Blob]) -> list[Blob]:
    """In an order that does not depend on how they were found."""
    return sorted(blobs, key=lambda blob: (-blob.strength, blob.frame, blob.y, blob.x, blob.radius))
