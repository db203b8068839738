"""The noise of a frame, measured in the frame itself: photon noise λ_S and read noise λ_R, Var(x) = λ_S·x + λ_R."""

from __future__ import annotations

import threading
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.mosaic import PEDESTAL, sensor_range
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.formats.frame import FrameInfo
from tilepipe.geometry import Shape, Window

TYPICAL_SHOT, TYPICAL_READ = 3.24e-4, 4.3e-6  # at ISO 100: Hasinoff, Durand, Freeman, CVPR 2010
REACH_PX = 2
BAND_ROWS = 16
WANTED_SAMPLES = 1 << 21
LEVELS, ROUGH, SIZES = 24, 40, 162  # as in noise.h
COUNTS = LEVELS * ROUGH * SIZES + LEVELS
FULL = 65535.0  # steps of the clipping level to which decoded frames are rounded
LEAST_SAMPLES = 400
SMOOTH_PART = 0.1  # of a level's places, the smoothest, are looked at
ROUNDS = 8  # of reweighting; fixed, no convergence test
# Half of |normal noise| lies within 0.6744898 standard deviations; a second difference has 6 variances.
QUANTILE, QUANTILE_SIGMAS = 0.5, 0.6744898
# Rounding to 8 bits on a curve like sRGB's alone: step 2.2·x^0.55/255, variance step²/12, nearly proportional to x;
# at black (1/255/12.92)²/12.
ROUNDING_SHOT, ROUNDING_READ = 6.2e-6, 7.7e-9

DIFFERENCES = Kernel(
    "noise_differences", 1, 0, REACH_PX, params="float unit, full; int covered;", form="tally", header="noise.h"
)
Counts = npt.NDArray[np.int64]


class Source(Protocol):
    """A frame whose code values can be read by window."""

    @property
    def info(self) -> FrameInfo: ...
    @property
    def decoder(self) -> FrameDecoder: ...
    @property
    def codes(self) -> Any: ...


@dataclass(frozen=True)
class NoisePartial:
    """Exact counts of one window; `full`: steps of the clipping level in which differences were counted."""

    counts: Counts
    full: float
    encoded: bool


def noise_partial(device: Any, frame: Source, window: Window) -> NoisePartial:
    """Counts differences on bands of `window`; the bands depend on the picture alone, never on its tiles."""
    info, decoder = frame.info, frame.decoder
    mosaic = info.kind == "mosaic"
    camera = decoder.camera
    full = sensor_range(camera) if mosaic and camera is not None else FULL
    counts = np.zeros(COUNTS, np.int64)
    bands = _bands(window, info.shape)
    if bands:
        reach = window.padded(REACH_PX).cut(info.shape)
        codes = frame.codes.read(reach)
        for band in bands:
            plane = (_mosaic_plane if mosaic else _green_plane)(device, decoder, codes, reach, band, info.shape)
            source, over = device.planes(plane)[0], device.planes(plane.cut(band))[0]
            unit = 1.0 if mosaic else FULL
            counts += device.tally(
                DIFFERENCES, [source], over, len(counts), unit=unit, full=full, covered=int(info.has_coverage)
            )
    return NoisePartial(counts, full, not mosaic and decoder.encoding.transfer != "linear" and info.camera is None)


def noise_of_profile(profile: Sequence[float]) -> dict[str, Any]:
    """λ_S and λ_R from a DNG's NoiseProfile (tag 51041): pairs S, O with Var(x) = S·x + O, for all colours or for each.

    Of three pairs the second, green's, is taken: one serves all colours here. Raises ValueError for anything else.
    """
    if len(profile) not in (2, 6) or min(profile) < 0.0 or max(profile) <= 0.0:
        raise ValueError(f"a noise profile has one or three pairs of numbers ≥ 0, not {list(profile)}")
    shot, read = profile[:2] if len(profile) == 2 else profile[2:4]
    return {"shot": float(shot), "read": float(read), "noise_from": "the file's noise profile"}


class NoiseSum:
    """Adds partial counts of one frame from any thread; `iso` only scales the typical values of the fallback."""

    def __init__(self, iso: float = 100.0) -> None:
        self.iso, self.full, self.encoded = iso, FULL, False
        self._counts: Counts = np.zeros(COUNTS, np.int64)
        self._lock = threading.Lock()

    def add(self, partial: NoisePartial) -> None:
        with self._lock:
            self._counts += partial.counts
            self.full, self.encoded = partial.full, partial.encoded

    def include(self, other: NoiseSum) -> None:
        """Adds all that another frame's sum holds."""
        self.add(NoisePartial(other._counts, other.full, other.encoded))

    def finish(self) -> dict[str, Any]:
        """`{"shot": λ_S, "read": λ_R, "noise_from": how}` in units of the frame's clipping level."""
        gain = self.iso / 100.0
        typical = (TYPICAL_SHOT * gain, TYPICAL_READ * gain * gain)
        shot, read, how = fit_noise(noise_levels(self._counts, self.full), typical)
        if self.encoded:
            shot, read = max(shot, ROUNDING_SHOT), max(read, ROUNDING_READ)
        return {"shot": shot, "read": read, "noise_from": how}


def pooled_noise(sums: Sequence[NoiseSum], same: Sequence[Hashable]) -> list[dict[str, Any]]:
    """The noise of every frame, from all frames whose `same` is equal: one camera at one ISO speed, one encoding.

    Frames of a bracket share their noise, and the dark ones show the read noise that the bright ones hide.
    """
    groups: dict[Hashable, NoiseSum] = {}
    for part, key in zip(sums, same, strict=True):
        groups.setdefault((key, part.full, part.encoded), NoiseSum(part.iso)).include(part)
    found = {key: group.finish() for key, group in groups.items()}
    return [dict(found[key, part.full, part.encoded]) for part, key in zip(sums, same, strict=True)]


@dataclass(frozen=True)
class NoiseLevel:
    """Pixels of like brightness: their number, mean value and variance of a value, in units of the clipping level."""

    count: int
    value: float
    variance: float


def noise_levels(counts: Counts, full: float) -> list[NoiseLevel]:
    """Brightness, and variance of the smoothest places, of every level with enough of them."""
    levels = []
    places = counts[: LEVELS * ROUGH * SIZES].reshape(LEVELS, ROUGH, SIZES)
    for by_roughness, total in zip(places, counts[LEVELS * ROUGH * SIZES :], strict=True):
        everywhere = int(by_roughness.sum())
        sizes, count = _smoothest(by_roughness, max(LEAST_SAMPLES, int(SMOOTH_PART * everywhere)))
        if count >= LEAST_SAMPLES:
            sigma = _quantile(sizes, count) / QUANTILE_SIGMAS / full
            levels.append(NoiseLevel(count, int(total) / (4 * everywhere * full), sigma * sigma / 6.0))
    return levels


def _smoothest(by_roughness: Counts, wanted: int) -> tuple[list[int], int]:
    """The sizes of the differences at the smoothest places, at least `wanted` where there are so many."""
    sizes, count = [0] * SIZES, 0
    for row in by_roughness:
        if count >= wanted:
            break
        sizes = [have + int(more) for have, more in zip(sizes, row, strict=True)]
        count = sum(sizes)
    return sizes, count


def fit_noise(levels: list[NoiseLevel], typical: tuple[float, float]) -> tuple[float, float, str]:
    """λ_S, λ_R and where they come from: a weighted line through the levels' variances.

    Texture only ever adds: levels far above the line count little. Where brightness varies too little for a line, the
    typical values are scaled to the variance found; where nothing can be measured, they are taken as they are.
    """
    usable = [level for level in levels if level.variance > 0.0]
    if not usable:
        return (*typical, "typical values: no smooth part of this frame shows noise")
    values = [level.value for level in usable]
    if len(usable) >= 4 and max(values) > 4.0 * max(min(values), 0.0) + 0.01:
        shot, read = _line(usable)
        if shot > 0.0:
            return shot, read, "measured in the frame"
    scale = _scale(usable, typical)
    return typical[0] * scale, typical[1] * scale, "measured in the frame, photon to read noise in the typical ratio"


def _line(levels: list[NoiseLevel]) -> tuple[float, float]:
    shot, read = 0.0, 0.0
    expected = [level.variance for level in levels]
    for _ in range(ROUNDS):
        weights = [
            min(level.count, 20_000) / (guess * guess) * _trust(level.variance / guess)
            for level, guess in zip(levels, expected, strict=True)
        ]
        shot, read = _weighted_line(levels, weights)
        least = 0.01 * min(level.variance for level in levels)
        expected = [max(shot * level.value + read, least) for level in levels]
    return shot, read


def _trust(ratio: float) -> float:
    """How much a level counts whose variance is `ratio` of the line's: texture puts levels above it, nothing below."""
    above = max(ratio - 1.0, 0.0) / 0.25
    return 1.0 / ((1.0 + above * above) * (1.0 + above * above))


def _weighted_line(levels: list[NoiseLevel], weights: list[float]) -> tuple[float, float]:
    """Least squares with both terms ≥ 0: where one would be negative, the other alone."""
    w = x = v = xx = xv = 0.0
    for level, weight in zip(levels, weights, strict=True):
        value = max(level.value, 0.0)
        w, x, v = w + weight, x + weight * value, v + weight * level.variance
        xx, xv = xx + weight * value * value, xv + weight * value * level.variance
    determinant = w * xx - x * x
    shot = (w * xv - x * v) / determinant if determinant > 0.0 else 0.0
    read = (v - shot * x) / w
    if shot < 0.0:
        return 0.0, v / w
    return (xv / xx, 0.0) if read < 0.0 else (shot, read)


def _scale(levels: list[NoiseLevel], typical: tuple[float, float]) -> float:
    """The lower quartile of measured to typical variance: texture only adds."""
    ratios = sorted(level.variance / (typical[0] * max(level.value, 0.0) + typical[1]) for level in levels)
    return ratios[len(ratios) // 4]


def _quantile(sizes: list[int], total: int) -> float:
    """The middle of |difference|, 0 where it is less than one step; an integer n stands for n − ½ … n + ½."""
    wanted, below = QUANTILE * total, 0
    for index, count in enumerate(sizes):
        if below + count >= wanted:
            low, high = _edges(index) if index else (0.0, 0.0)
            return low + (high - low) * (wanted - below) / count
        below += count
    return 0.0


def _edges(index: int) -> tuple[float, float]:
    """Where the integers of a bin begin and end: eighths of octaves; small octaves have fewer integers than bins."""
    octave, step = divmod(index - 1, 8)
    first = -(-(1 << octave) * (8 + step) // 8)
    after = -(-(1 << octave) * (9 + step) // 8)
    return first - 0.5, max(after, first + 1) - 0.5


def _bands(window: Window, picture: Shape) -> list[Window]:
    """Bands of 16 rows, so far apart that about 2 million pixels of the whole picture are looked at."""
    every = max(1, min(64, picture.pixels // WANTED_SAMPLES))
    bands = []
    for row in range(window.y // BAND_ROWS, -(-window.y_end // BAND_ROWS)):
        if row % every == 0:
            band = Window(row * BAND_ROWS, window.x, BAND_ROWS, window.width).intersection(window)
            if band.height > 0:
                bands.append(band)
    return bands


def _mosaic_plane(
    device: Any, decoder: FrameDecoder, codes: Any, reach: Window, band: Window, picture: Shape
) -> Tile:
    camera = decoder.camera
    assert camera is not None
    wide = band.padded(REACH_PX).cut(picture)
    tile: Tile = device.tile(wide, picture, ("value",))
    source = device.plane(device.upload(codes[0])[wide.within(reach)], wide, picture)
    device.launch(PEDESTAL, [source], device.planes(tile), black=camera.black)
    return tile


def _green_plane(
    device: Any, decoder: FrameDecoder, codes: Any, reach: Window, band: Window, picture: Shape
) -> Tile:
    wide = band.padded(REACH_PX).cut(picture)
    tile: Tile = decoder.run(device, codes, reach, picture, wide)
    return Tile(tile.array[1:2], wide, picture, ("value",))
