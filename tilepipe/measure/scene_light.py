"""How bright the scene is: its light's log average and bright end, from the survey's reduced pictures, by exact counting."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

import numpy as np

from tilepipe.device import exact
from tilepipe.measure.match import FULL_LIGHT, linear_scale
from tilepipe.measure.reduced import SOME_CLIPPED, UNCOVERED, Survey
from tilepipe.measure.response import Response

LEVELS = 65536
FLOOR_STOPS = -14.0  # of a frame's clipping level; darker light counts as this
BRIGHT_SHARE = 0.02  # of the picture lies above the bright end: lamps and the sun do not steer it; chosen here
BINS_PER_STOP = 16
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
    return {"log_average_stops": total / pixels if pixels else 0.0, "bright_stops": _bright(bins, pixels)}


def _bright(bins: dict[int, int], pixels: int) -> float:
    above = 0
    for step in sorted(bins, reverse=True):
        above += bins[step]
        if above > BRIGHT_SHARE * pixels:
            return step / BINS_PER_STOP
    return 0.0
