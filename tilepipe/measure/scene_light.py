"""How bright the scene is: the log average of its light, from the survey's reduced pictures, by exact counting."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.measure.reduced import SOME_CLIPPED, UNCOVERED, Survey

LEVELS = 65536
FLOOR_STOPS = -14.0  # of a frame's clipping level; darker light counts as this
Float = npt.NDArray[np.float64]


@functools.cache
def _stops_of_level() -> tuple[float, ...]:
    """Stops from clipping of each level, 65535·sqrt(light)."""
    floor = exact.exp2(0.5 * FLOOR_STOPS)
    return tuple(2.0 * exact.log2(max(level / 65535.0, floor)) for level in range(LEVELS))


def log_average_stops(survey: Survey, lights: Sequence[float], order: Sequence[int]) -> float:
    """The mean of log2 light over the picture, in stops from the base frame's clipping level.

    `lights`: each frame's light relative to the base. Every reduced pixel is read from the brightest frame that is not
    clipped there (the darkest where all are). Counts are integers; the sum over levels and frames has a fixed order.
    """
    frames = survey.frames
    undecided = (frames[order[0]].state & UNCOVERED) == 0
    total, pixels = 0.0, 0
    for index in reversed(order):
        last = index == order[0]
        here = undecided if last else undecided & ((frames[index].state & (SOME_CLIPPED | UNCOVERED)) == 0)
        counts = np.bincount(frames[index].level[here], minlength=LEVELS)
        away = exact.log2(lights[index])
        for level in np.flatnonzero(counts).tolist():
            count = int(counts[level])
            total = total + count * (_stops_of_level()[level] - away)
            pixels += count
        undecided = undecided & ~here
    return total / pixels if pixels else 0.0
