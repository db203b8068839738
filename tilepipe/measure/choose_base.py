"""Chooses the base frame, by integers: least clipped outside the sun, not too dark, sharpest, and not shaken."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.measure.match import exposure_order, stops_between
from tilepipe.measure.reduced import MOSTLY_CLIPPED, UNCOVERED, ReducedFrame, Survey

DARK_LEVEL = 2896  # of 65535·sqrt(light): 2^-9 of clipping, where noise is about as strong as light
CLIPPED_COUNTS = 2  # a clipped place is lost, a dark one only noisy: chosen here
SIMILAR = 20  # thousandths of the picture: frames this close in what they lose are told apart by sharpness
SUN_THOUSANDTHS = 20  # of the picture: the largest a sun with its glare may be
MAP_SIDE = 256
LEAST_EDGES = 24
LEAST_CELLS = 8
ONE = 4096  # fixed point of sharpness
SHAKEN = ONE // 2
FALL_PER_STOP = 942  # of 1024: .92, measured on brackets of still scenes from 1 to 3 stops apart

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Standing:
    """For and against a frame: thousandths of the picture, sharpness in 1/4096 of the second sharpest frame."""

    name: str
    clipped: int
    dark: int
    sharpness: tuple[int, int]
    shaken: bool

    @property
    def loss(self) -> int:
        return CLIPPED_COUNTS * self.clipped + self.dark

    def facts(self) -> dict[str, Any]:
        return {
            "name": self.name, "clipped_thousandths": self.clipped, "dark_thousandths": self.dark,
            "sharpness_4096": list(self.sharpness), "shaken": self.shaken,
        }


def choose_base(survey: Survey) -> dict[str, Any]:
    """Facts: `base` (index), `reason` (a sentence), `order` (dark → bright), `left_out` (shaken frames), figures."""
    order = exposure_order(survey.frames)
    suns = _suns(survey.frames, order)
    sharpness = _sharpness(survey.frames, order)
    rows = [_standing(frame, suns[index], sharpness[index]) for index, frame in enumerate(survey.frames)]
    left_out = [index for index in order if rows[index].shaken]
    usable = [index for index in order if not rows[index].shaken] or order
    least = min(rows[index].loss for index in usable)
    similar = [index for index in usable if rows[index].loss <= least + SIMILAR]
    middle = len(order) // 2

    def rank(index: int) -> tuple[int, int, int]:
        return -min(rows[index].sharpness) * 20 // ONE, abs(order.index(index) - middle), index

    base = min(similar, key=rank)
    return {
        "base": base, "reason": _reason(rows, base, similar), "order": order, "left_out": left_out,
        "frames": [row.facts() for row in rows], "warnings": [_warning(rows[index]) for index in left_out],
    }


def _standing(frame: ReducedFrame, sun: Flags, sharpness: tuple[int, int, bool]) -> Standing:
    covered = (frame.state & UNCOVERED) == 0
    area = max(int(covered.sum()), 1)
    clipped = ((frame.state & MOSTLY_CLIPPED) != 0) & covered & ~sun
    dark = (frame.level < DARK_LEVEL) & covered
    return Standing(
        frame.name, 1000 * int(clipped.sum()) // area, 1000 * int(dark.sum()) // area, sharpness[:2], sharpness[2]
    )


def _reason(rows: Sequence[Standing], base: int, similar: Sequence[int]) -> str:
    row = rows[base]
    lost = f"{row.clipped / 10:.1f} % of it is clipped outside the sun and {row.dark / 10:.1f} % is very dark"
    if len(similar) == 1:
        return f"{row.name} is the base: {lost}, the least of all frames"
    others = f"as little as in {len(similar) - 1} other frame{'s' if len(similar) > 2 else ''}"
    return f"{row.name} is the base: {lost}, {others}, and it is the sharpest or nearest to the middle of these"


def _warning(row: Standing) -> dict[str, str]:
    percent = 100 * min(row.sharpness) // ONE
    return {
        "what": "this frame is shaken and is left out", "where": row.name,
        "found": f"its edges are {percent} % as steep (in energy) as those of the other frames",
        "next_step": "name it in the recipe's `base` or drop it from `frames`",
    }


def _suns(frames: Sequence[ReducedFrame], order: Sequence[int]) -> list[Flags]:
    """Per frame the boxes of the sun: the compact clipped spot around the brightest place of the darkest frame."""
    step = -(-max(frames[0].level.shape) // MAP_SIDE)
    found = [np.zeros(frame.level.shape, np.bool_) for frame in frames]
    darkest = frames[order[0]]
    clipped_boxes = _summed(((darkest.state & MOSTLY_CLIPPED) != 0).astype(np.int64), step)
    light = _summed(darkest.level.astype(np.int64), step)
    at = int(np.argmax(clipped_boxes)) if clipped_boxes.max() > 0 else int(np.argmax(light))
    seed = divmod(at, light.shape[1])
    last = np.zeros(light.shape, np.bool_)
    for index in order:
        clipped = 2 * _summed(((frames[index].state & MOSTLY_CLIPPED) != 0).astype(np.int64), step) >= step * step
        spot = _connected(clipped, seed)
        last = spot if _compact(spot) else last
        height, width = frames[index].level.shape
        found[index] = np.repeat(np.repeat(last, step, axis=0), step, axis=1)[:height, :width]
    return found


def _summed(values: npt.NDArray[np.int64], step: int) -> npt.NDArray[np.int64]:
    """Sums over cells of step × step."""
    rows = np.add.reduceat(values, np.arange(0, values.shape[0], step), axis=0)
    return np.asarray(np.add.reduceat(rows, np.arange(0, values.shape[1], step), axis=1))


def _connected(flags: Flags, seed: tuple[int, int]) -> Flags:
    """The part of `flags` that is connected to `seed` or its neighbours."""
    spot = np.zeros(flags.shape, np.bool_)
    height, width = flags.shape
    open_ = [(seed[0] + dy, seed[1] + dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
    while open_:
        y, x = open_.pop()
        if 0 <= y < height and 0 <= x < width and flags[y, x] and not spot[y, x]:
            spot[y, x] = True
            open_ += [(y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)]
    return spot


def _compact(spot: Flags) -> bool:
    """True for a small spot that fills a third or more of a frame around it that is not long."""
    area = int(spot.sum())
    if area == 0 or 1000 * area > SUN_THOUSANDTHS * spot.size:
        return False
    rows, cols = np.nonzero(spot)
    height, width = int(rows.max() - rows.min()) + 1, int(cols.max() - cols.min()) + 1
    return 3 * area >= height * width and max(height, width) <= 3 * min(height, width)


def _sharpness(frames: Sequence[ReducedFrame], order: Sequence[int]) -> list[tuple[int, int, bool]]:
    """Along rows and columns: steepness of the same edges beside that of the second sharpest frame; shaken or not.

    Whether a frame is shaken is judged beside its neighbours in exposure only, for over many steps the edges that two
    frames share become few, and beside what is usual at that step.
    """
    chains, worst = [], dict.fromkeys(order, ONE)
    for first in (0, 3):
        chain = {order[0]: ONE}
        for dark, bright in itertools.pairwise(order):
            step = _steeper(frames[dark].edges, frames[bright].edges, first)
            chain[bright] = max(chain[dark] * step // ONE, 1)
            usual = _usual(frames[dark], frames[bright])
            worst[bright] = min(worst[bright], step * usual // ONE)
            worst[dark] = min(worst[dark], ONE * ONE // max(step, 1) * ONE // usual)
        ranked = sorted(chain.values(), reverse=True)
        reference = max(ranked[1 if len(ranked) > 2 else 0], 1)
        chains.append([chain[index] * ONE // reference for index in range(len(frames))])
    return [(along, across, worst[index] < SHAKEN) for index, (along, across) in enumerate(zip(*chains, strict=True))]


def _usual(dark: ReducedFrame, bright: ReducedFrame) -> int:
    """How steep the darker frame's edges usually are: noise and weak contrast cost it something at every stop."""
    if not (math.isfinite(dark.light) and math.isfinite(bright.light) and dark.light > 0.0 and bright.light > 0.0):
        return ONE
    stops = min(max(round(stops_between(dark.light, bright.light)), 0), 4)
    return int(ONE * FALL_PER_STOP**stops // 1024**stops)


def _steeper(one: npt.NDArray[np.int64], other: npt.NDArray[np.int64], first: int) -> int:
    """How steep the edges of `other` are beside those of `one`: the median over cells that both have edges in."""
    both = (one[first] >= LEAST_EDGES) & (other[first] >= LEAST_EDGES)
    if int(both.sum()) < LEAST_CELLS:
        return ONE
    steep = [edges[first + 1][both] * ONE // np.maximum(edges[first + 2][both], 1) for edges in (one, other)]
    ratios = np.sort(np.maximum(steep[1], 1) * ONE // np.maximum(steep[0], 1))
    return int(ratios[len(ratios) // 2])
