"""Brings the frames of a bracket to one brightness scale: gains by integer histograms, beside the exposures."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel
from tilepipe.errors import InputError
from tilepipe.geometry import Shape
from tilepipe.measure import fade
from tilepipe.measure.fit import IDENTITY, apply
from tilepipe.measure.reduced import ReducedFrame, Survey, SurveyGrid
from tilepipe.measure.response import CODES, Response, code_table, fit_response

_PAIR = "Plane level[2]; Plane state[2]; const int* moves; int cells; const int* codes; int flat;"
JOINT = Kernel(
    "match_joint", 0, 1, params=f"{_PAIR} int width;", source="uint16", result="int64", form="tally", header="match.h"
)
SUMS = Kernel(
    "match_sums", 0, 1, params=f"{_PAIR} const int64_t* light; int low; int high; int least; int most;",
    source="uint16", result="int64", form="tally", header="match.h",
    example={"low": -20, "high": 20, "least": -20, "most": 40, "flat": 0},
)

CELL = 32  # reduced pixels that share one displacement, see match.h
STEPS_PER_STOP = 32
RANGE_STOPS = 14
BINS = STEPS_PER_STOP * RANGE_STOPS
FULL_LIGHT = 1 << 32
BRIGHTEST = BINS - 8  # a quarter of a stop below clipping
# The darker frame's light from which boxes count, and the share of the picture that must: as bright as the overlap
# allows, for noise in the logarithm of weak light is lopsided. Deeper than −7 only where boxes average the noise away.
FLOORS_STOPS = ((-3, 1 / 50), (-5, 1 / 200), (-7, 1 / 2000), (-9, 1 / 2000), (-11, 1 / 2000))
LEAST_BOXES = 400
FADE_FLOOR_STOPS = -6
TRIM = 8, 48  # codes: boxes this far from the median ratio count, at least and at most; three times their usual spread

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Scale:
    """How a level reads as light: `light` int64[65536] in 2^-32, `codes` int32[65536] in 1/32 stop, −1 below range."""

    light: npt.NDArray[np.int64]
    codes: npt.NDArray[np.int32]


@dataclass(frozen=True)
class Pair:
    """Two neighbours in exposure; `stops` is measured (NaN where too little overlaps), `expected` as stated."""

    dark: int
    bright: int
    expected: float
    stops: float
    boxes: int

    def facts(self) -> dict[str, Any]:
        measured = self.stops if math.isfinite(self.stops) else None
        expected = self.expected if math.isfinite(self.expected) else None
        return {
            "dark": self.dark, "bright": self.bright, "expected": expected, "measured": measured, "boxes": self.boxes,
        }


@dataclass(frozen=True)
class Neighbours:
    """Two frames that are compared; `moves`: from the darker to the brighter (y, x in whole boxes, per cell)."""

    dark: ReducedFrame
    bright: ReducedFrame
    factor: int
    moves: npt.NDArray[np.int32]
    stops: float  # by the stated exposures, NaN where they are unknown

    def tally(
        self, device: Any, kernel: Kernel, codes: Array, flat: bool, bins: int, **params: Any
    ) -> npt.NDArray[np.int64]:
        shape = Shape(*self.dark.level.shape)
        sources = (self.dark.level, self.bright.level, self.dark.state, self.bright.state)
        held = [device.upload(array) for array in sources]  # the planes only point at them
        planes = [device.plane(array, shape.whole, shape) for array in held]
        table, moves = device.upload(codes), device.upload(self.moves.reshape(-1))
        counts: npt.NDArray[np.int64] = device.tally(
            kernel, [], planes[0], bins, level=planes[:2], state=planes[2:], moves=table_address(device, moves),
            cells=self.moves.shape[1], codes=table_address(device, table), flat=int(flat), **params,
        )
        return counts

    def joint(self, device: Any, codes: npt.NDArray[np.int32], bins: int, flat: bool = True) -> npt.NDArray[np.int64]:
        """int64 `(bins, bins)`: boxes by (code in the darker frame, code in the brighter one)."""
        return self.tally(device, JOINT, codes, flat, bins * bins, width=bins).reshape(bins, bins)


def displacements(dark_to_bright: Matrix, grid: SurveyGrid) -> npt.NDArray[np.int32]:
    """Whole boxes (y, x) by which each cell of the reduced picture moves under a matrix of full-size pixels."""
    factor, reduced = grid.factor, grid.reduced
    rows, cols = -(-reduced.height // CELL), -(-reduced.width // CELL)
    moves = np.zeros((rows, cols, 2), np.int32)
    for row in range(rows):
        for col in range(cols):
            y, x = (row * CELL + (CELL - 1) / 2.0) * factor, (col * CELL + (CELL - 1) / 2.0) * factor
            to_x, to_y = apply(dark_to_bright, x, y)
            moves[row, col] = round((to_y - y) / factor), round((to_x - x) / factor)
    return moves


def linear_scale(response: Response | None = None) -> Scale:
    """Light of each level: its square, through the frame's response where one was measured."""
    level = np.arange(65536, dtype=np.int64)
    light = level * level + 2 * level  # 65535² + 2·65535 = 2^32 − 1
    if response is not None:
        light = response.light_of_decoded(light)
    thresholds = [math.ceil(FULL_LIGHT * exact.exp2(step / STEPS_PER_STOP - RANGE_STOPS)) for step in range(BINS)]
    codes = np.searchsorted(np.array(thresholds, np.int64), light, side="right").astype(np.int32) - 1
    return Scale(light, np.minimum(codes, BINS - 1).astype(np.int32))


def match(
    device: Any, survey: Survey, base: int, matrices: Sequence[Matrix] | None = None, *, mode: str = "gain",
    curve: str = "auto", warn_stops: float = 0.15, local: bool = False,
) -> dict[str, Any]:
    """Facts: per frame `exposure`, `gain`, `light` (relative to the base frame), the pairs, the response, warnings.

    `matrices`: base → frame, from the coarse alignment; without them the frames are taken to lie on each other, and a
    displaced bracket is measured a tenth of a stop wrong. `mode`: "gain" measures, "exposure" takes the exposures as
    stated. `curve`: "auto" estimates a response for encoded frames, "none" never. With `local` a
    frame whose light faded from place to place has a `fade`, see `tilepipe.measure.fade`. Raises InputError where exposures are
    needed and unknown, or all equal.
    """
    frames, warnings = survey.frames, list[dict[str, str]]()
    stated = _stated(frames, mode)
    order = exposure_order(frames)

    def neighbours(dark: int, bright: int) -> Neighbours:
        across = exact.matrix_multiply(matrices[bright], exact.matrix_inverse(matrices[dark])) if matrices else IDENTITY
        stops = stops_between(frames[dark].light, frames[bright].light) if stated else math.nan
        return Neighbours(frames[dark], frames[bright], survey.grid.factor, displacements(across, survey.grid), stops)

    couples = list(itertools.pairwise(order))
    response = None
    if curve == "auto" and len(frames) > 1 and not all(frame.linear for frame in frames):
        wider = couples + list(zip(order, order[2:], strict=False))
        response = _response(device, [neighbours(*pair) for pair in wider] if stated else [], warnings)
    scale = linear_scale(response)
    pairs = [_pair(device, neighbours(*pair), *pair, scale) for pair in couples]
    lights = _lights(frames, order, base, pairs, stated, mode, warnings)
    rows = [_row(frame, light, frames[base], stated) for frame, light in zip(frames, lights, strict=True)]
    _warn_of_gains(rows, warn_stops, warnings)
    if local and mode == "gain":
        both = [neighbours(*pair) for pair in couples]
        ways = [exact.matrix_inverse(matrices[dark]) if matrices else IDENTITY for dark, _ in couples]
        steps = {
            (pair.dark, pair.bright): _faded(device, frames, pair, scale, way, survey.grid.shape)
            for pair, frames, way in zip(pairs, both, ways, strict=True)
        }
        for row, found in zip(rows, fade.chained_fades(survey.grid.shape, order, base, steps), strict=True):
            row["fade"] = found.facts() if found else None
    return {
        "base": base, "order": order, "frames": rows, "pairs": [pair.facts() for pair in pairs],
        "response": response.facts() if response else None, "warnings": warnings,
    }


def exposure_order(frames: Sequence[ReducedFrame]) -> list[int]:
    """Frames dark → bright: by stated exposure where all have one, else by their mean level."""
    if _known(frames):
        return sorted(range(len(frames)), key=lambda index: (frames[index].light, index))
    return sorted(range(len(frames)), key=lambda index: (int(frames[index].level.sum(dtype=np.int64)), index))


def _known(frames: Sequence[ReducedFrame]) -> bool:
    return all(math.isfinite(frame.light) and frame.light > 0.0 for frame in frames)


def _stated(frames: Sequence[ReducedFrame], mode: str) -> bool:
    """True where exposures are known; raises where they must be and are not."""
    known = _known(frames)
    missing = [frame.name for frame in frames if not (math.isfinite(frame.light) and frame.light > 0.0)]
    if not known and (mode == "exposure" or all(frame.linear for frame in frames)):
        raise InputError(
            "the exposure of these frames is unknown", where=", ".join(missing),
            found="no shutter time, aperture and ISO", allowed="t·ISO/N² of each frame in any common unit",
            next_step="state `exposure` for each frame in the recipe, for example 0.25, 1 and 4",
        )
    lights = [frame.light for frame in frames]
    if known and len(frames) > 1 and max(lights) < 1.07 * min(lights):
        raise InputError(
            "all frames have the same exposure", where=", ".join(frame.name for frame in frames),
            found=f"{lights[0]!r} each", allowed="frames that differ by a tenth of a stop or more",
            next_step="give frames of one bracket, or state their true exposures in the recipe",
        )
    return known


def stops_between(dark: float, bright: float) -> float:
    return exact.log2(bright / dark)


def table_address(device: Any, table: Array) -> Any:
    """Where an uploaded one-dimensional table lies, for kernels that read it by pointer."""
    line = Shape(1, len(table))
    return device.plane(table.reshape(1, -1), line.whole, line).p


def _pair(device: Any, both: Neighbours, dark: int, bright: int, scale: Scale) -> Pair:
    for flat in (True, False):
        joint = both.joint(device, scale.codes, BINS, flat)
        for floor, share in FLOORS_STOPS:
            if floor < -7 - (both.factor.bit_length() - 1):
                break
            found = _ratio(device, both, joint, scale, floor, max(LEAST_BOXES, int(share * both.dark.level.size)), flat)
            if found is not None:
                return Pair(dark, bright, both.stops, *found)
    return Pair(dark, bright, both.stops, math.nan, 0)


def _ratio(
    device: Any, both: Neighbours, joint: npt.NDArray[np.int64], scale: Scale, floor: int, least_boxes: int, flat: bool
) -> tuple[float, int] | None:
    """Measured stops and the boxes behind them; the median first, then the ratio of light sums close to it."""
    least_dark = STEPS_PER_STOP * (RANGE_STOPS + floor)
    if math.isfinite(both.stops):
        rough = round(both.stops * STEPS_PER_STOP)
    else:
        rough, _ = _median(joint, 0, 2 * BRIGHTEST)
    least, most = 2 * least_dark + rough, 2 * BRIGHTEST - rough
    middle, spread = _median(joint, least, most - TRIM[0])
    trim = min(max(3 * spread, TRIM[0]), TRIM[1])
    light = device.upload(scale.light)
    count, dark_sum, bright_sum = (int(value) for value in both.tally(
        device, SUMS, scale.codes, flat, 3, light=table_address(device, light), low=middle - trim, high=middle + trim,
        least=least, most=most - trim,
    ))
    if count < least_boxes or dark_sum <= 0:
        return None
    return stops_between(float(dark_sum), float(bright_sum)), count


def _faded(
    device: Any, both: Neighbours, pair: Pair, scale: Scale, to_base: Matrix, shape: Shape
) -> list[float] | None:
    """EV on the nodes of a grid by which the brighter frame is brighter than the pair's gain says; None: nowhere."""
    if not math.isfinite(pair.stops):
        return None
    middle = round(pair.stops * STEPS_PER_STOP)
    rows, cols = (-(-size // fade.CELL_BOXES) for size in both.dark.level.shape)
    light = device.upload(scale.light)
    sums = both.tally(
        device, fade.CELLS, scale.codes, True, rows * cols * fade.SUMS, light=table_address(device, light),
        low=middle - fade.REACH, high=middle + fade.REACH,
        least=2 * STEPS_PER_STOP * (RANGE_STOPS + FADE_FLOOR_STOPS) + middle, most=2 * BRIGHTEST - middle - fade.REACH,
        middle=middle, width=cols,
    ).reshape(rows, cols, fade.SUMS)
    return fade.fit_fade(shape, fade.cell_samples(sums, both.factor, pair.stops, to_base))


def _median(joint: npt.NDArray[np.int64], least: int, most: int) -> tuple[int, int]:
    """Median of bright code − dark code where both add up to `least`..`most`; half the distance of its quartiles."""
    dark, bright = np.nonzero(joint)
    inside = (dark + bright >= least) & (dark + bright <= most)
    dark, bright = dark[inside], bright[inside]
    bins = int(joint.shape[0])
    counts = np.zeros(2 * bins, np.int64)
    np.add.at(counts, bright - dark + bins, joint[dark, bright])
    total = np.cumsum(counts)
    first, middle, third = (int(np.searchsorted(total, (int(total[-1]) * part + 3) // 4)) for part in (1, 2, 3))
    return middle - bins, (third - first + 1) // 2


def _response(device: Any, pairs: Sequence[Neighbours], warnings: list[dict[str, str]]) -> Response | None:
    if not pairs:
        warnings.append({
            "what": "exposures are unknown, so the frames' curve cannot be measured: they are read as sRGB and their "
                    "exposures are estimated from the pictures", "where": "match",
            "next_step": "state `exposure` for each frame in the recipe",
        })
        return None
    codes = code_table()
    response = fit_response([pair.joint(device, codes, CODES) for pair in pairs], [pair.stops for pair in pairs])
    if response is None:
        warnings.append({
            "what": "the frames overlap too little to measure their curve: they are read as sRGB", "where": "match",
            "next_step": "use frames whose exposures lie closer together, or raw frames",
        })
    return response


def _lights(
    frames: Sequence[ReducedFrame], order: Sequence[int], base: int, pairs: Sequence[Pair], stated: bool, mode: str,
    warnings: list[dict[str, str]],
) -> list[float]:
    """Light of each frame relative to the base: chained over neighbours in exposure."""
    if mode == "exposure":
        return [frame.light / frames[base].light for frame in frames]
    height = {order[0]: 0.0}
    for pair in pairs:
        measured = math.isfinite(pair.stops)
        if not measured:
            warnings.append({
                "what": "too few well exposed places in common: the stated exposures are taken" if stated else
                        "too few well exposed places in common: the frames are taken to be one stop apart",
                "where": f"{frames[pair.dark].name} and {frames[pair.bright].name}",
                "next_step": "use frames whose exposures lie closer together",
            })
        step = pair.stops if measured else pair.expected if stated else 1.0
        height[pair.bright] = height[pair.dark] + step
    return [exact.exp2(height[index] - height[base]) for index in range(len(frames))]


def _row(frame: ReducedFrame, light: float, base: ReducedFrame, stated: bool) -> dict[str, Any]:
    exposure = frame.light / base.light if stated else None
    gain = light / exposure if exposure else None
    return {"name": frame.name, "exposure": exposure, "gain": gain, "light": light}


def _warn_of_gains(rows: Sequence[dict[str, Any]], warn_stops: float, warnings: list[dict[str, str]]) -> None:
    for row in rows:
        off = exact.log2(row["gain"]) if row["gain"] else 0.0
        if abs(off) > warn_stops:
            warnings.append({
                "what": "the picture's brightness and the stated exposure disagree", "where": row["name"],
                "found": f"{off:+.2f} EV against the stated exposure",
                "next_step": "the measured value is used; if it is wrong, set `mode: exposure` in the step `match`",
            })
