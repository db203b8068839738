"""How bright the scene is: its light's log average, bright end and middle tones, from the survey, by exact counting."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

import numpy as np

from tilepipe.device import exact
from tilepipe.measure.match import FULL_LIGHT, linear_scale
from tilepipe.measure.reduced import SOME_CLIPPED, UNCOVERED, ReducedFrame, Survey
from tilepipe.measure.response import Response

LEVELS = 65536
FLOOR_STOPS = -14.0  # of a frame's clipping level; darker light counts as this
BRIGHT_SHARE = 0.02  # of the picture lies above the bright end: lamps and the sun do not steer it; chosen here
BINS_PER_STOP = 16
# Middle tones: what the base frame shows with CIE L* 35 to 65, in stops of its clipping level; fewer than this share of the
# picture say nothing. Chosen here.
MIDDLE_STOPS, LEAST_MIDDLE = (-3.557, -1.554), 0.01
TRUSTED_LEVEL = 50763  # 65535·sqrt(.6): above it in-camera curves flatten before they clip; chosen here


@functools.lru_cache(maxsize=4)
def _stops_of_level(nodes: tuple[float, ...]) -> tuple[float, ...]:
    """Stops from clipping of each reduced level, through the curve of encoded frames where one was measured."""
    light = linear_scale(Response(nodes) if nodes else None).light.tolist()
    floor = FULL_LIGHT * exact.exp2(FLOOR_STOPS)
    return tuple(exact.log2(max(float(value), floor) / FULL_LIGHT) for value in light)


def scene_light(
    survey: Survey, lights: Sequence[float], order: Sequence[int], nodes: Sequence[float] = ()
) -> dict[str, Any]:
    """`log_average_stops` and `bright_stops` (only 2 % of the picture is brighter), from the base's clipping level.

    And of the base frame's middle tones, None where there are hardly any: `middle_stops`, the log average of their light,
    and `middle_shown_stops`, that of what the frame's own code values show. They differ by a camera's curve.

    `lights`: each frame's light relative to the base; `nodes`: the measured curve of encoded frames. Every reduced
    pixel is read from the brightest frame that is neither clipped nor close to it there (else from the darkest).
    Counts are integers; sums over levels and frames have a fixed order.
    """
    frames = survey.frames
    undecided = (frames[order[0]].state & UNCOVERED) == 0
    total, pixels, bins = 0.0, 0, dict[int, int]()
    for index in reversed(order):
        frame = frames[index]
        free = ((frame.state & (SOME_CLIPPED | UNCOVERED)) == 0) & (frame.level < TRUSTED_LEVEL)
        here = undecided if index == order[0] else undecided & free
        stops = _stops_of_level(() if frame.linear else tuple(nodes))
        away = exact.log2(lights[index])
        counts = np.bincount(frame.level[here], minlength=LEVELS)
        for level in np.flatnonzero(counts).tolist():
            count, value = int(counts[level]), stops[level] - away
            total = total + count * value
            pixels += count
            step = round(value * BINS_PER_STOP)
            bins[step] = bins.get(step, 0) + count
        undecided = undecided & ~here
    bright = {"log_average_stops": total / pixels if pixels else 0.0, "bright_stops": _bright(bins, pixels)}
    return bright | _middle(frames[list(lights).index(1.0)] if 1.0 in lights else frames[order[-1]], pixels, nodes)


def _middle(base: ReducedFrame, pixels: int, nodes: Sequence[float]) -> dict[str, Any]:
    shown, light = _stops_of_level(()), _stops_of_level(() if base.linear else tuple(nodes))
    counts = np.bincount(base.level[(base.state & (SOME_CLIPPED | UNCOVERED)) == 0], minlength=LEVELS)
    number, total_shown, total_light = 0, 0.0, 0.0
    for level in np.flatnonzero(counts).tolist():
        if MIDDLE_STOPS[0] <= shown[level] <= MIDDLE_STOPS[1]:
            count = int(counts[level])
            number += count
            total_shown += count * shown[level]
            total_light += count * light[level]
    known = number > LEAST_MIDDLE * pixels
    return {
        "middle_stops": total_light / number if known else None, "middle_shown_stops": total_shown / number if known else None,
    }


def _bright(bins: dict[int, int], pixels: int) -> float:
    above = 0
    for step in sorted(bins, reverse=True):
        above += bins[step]
        if above > BRIGHT_SHARE * pixels:
            return step / BINS_PER_STOP
    return 0.0
