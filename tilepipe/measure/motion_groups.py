"""Makes groups of the cells that moved and chooses the frame each is taken from; integers only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tilepipe.device import exact
from tilepipe.measure.motion import LIMIT, MotionMaps, least_of
from tilepipe.measure.motion_members import FULL, Cells, narrow_weights, near, wide_weights
from tilepipe.measure.motion_polygon import cells_inside

VERSION = 13
SURE_64, MAYBE_64 = 8, 3  # of 64 pixels that disagree: what begins a group, what continues it
SURE_DRIFT, MAYBE_DRIFT = 36, 22  # of a cell's mean, in 1/32 of its threshold
TEXTURED = 4  # pixels with texture that agree speak against one that does not: fine texture aliases
LEAST_SEEN = 8  # pixels of a cell that must say something
LEAST_PIXELS = 40  # that disagree, in all of a group; chosen here: a line 12 px long and 3 px wide
CLIPPED_1024 = 10  # of 1024 pixels of a group may clip in the frame it is taken from; there darker ones help out
MOST_VARIANCE = 9.0  # beside the merge of all frames, up to which a frame can be made as quiet without loss of detail
SMOOTHED_CELLS = 8
THIN_CELLS = 4
LEAST_PART_CELLS = 256  # 128×128 px
AVERAGE = -1  # stands for all frames' mean in place of a frame's index

MEAN_OF_ALL = (AVERAGE, "the mean of all frames, as the recipe wishes")

Choice = int | Literal["average", "merge"]


@dataclass(frozen=True)
class Override:
    """What a recipe says of a part of the picture: `polygon` in (x, y) fractions of the base frame; frame 1 is the darkest."""

    polygon: tuple[tuple[float, float], ...]
    frame: Choice


@dataclass(frozen=True)
class Groups:
    """`facts`: what is told of every group; `labels`: uint16 `(row, column)`, the cells' group, 0 for none.

    `weights`: uint8 `(choice, row, column)`, 0..FULL, one plane per entry of `choices` (a frame's index, dark → bright,
    or AVERAGE). `alone`: uint8 `(row, column)`, 0..FULL: where the group's frame stands alone, whatever others show.
    """

    facts: list[dict[str, Any]]
    choices: tuple[int, ...]
    weights: npt.NDArray[np.uint8]
    alone: npt.NDArray[np.uint8]
    labels: npt.NDArray[np.uint16]


def groups_of(
    maps: MotionMaps, frames: Sequence[Mapping[str, Any]], *, reach_px: int, average: bool = False,
    overrides: Sequence[Override] = (), local: bool = False,
) -> Groups:
    """Groups of what moved, the larger first, each on one frame.

    `frames` are the facts of the frames, `reach_px` closes gaps up to twice as wide between what moved.
    `local`: where a group reaches over what may stand still, every frame that shows the same as the chosen one within noise
    will keep its own light, pixel by pixel; groups then reach farther.
    """
    moved = moved_cells(maps)
    forced = [(cells_inside(each.polygon, maps.shape, maps.cell_px), each.frame) for each in overrides]
    for inside, _ in forced:
        moved &= ~inside
    standing = _standing(maps, moved)
    solid = _joined(moved, standing, max(reach_px // maps.cell_px, 1))
    for inside, _ in forced:
        solid &= ~inside
    labels, count = _large_enough(solid, maps)
    wished = np.full(solid.shape, maps.base) if average else wished_frames(maps, frames, solid)
    facts, chosen = [], []
    for label in range(1, count + 1):
        own = labels == label
        for wish, inside in _parts(own, _without_strips(own, wished) if local else wished):
            frame, why = MEAN_OF_ALL if average else _frame_of(maps, inside, wish, frames)
            facts.append(_told(maps, inside, frame, why))
            chosen.append((inside, frame))
    for inside, stated in forced:
        if stated != "merge" and inside.any():
            frame = AVERAGE if stated == "average" else stated - 1
            facts.append(_told(maps, inside, frame, "the recipe says so"))
            chosen.append((inside, frame))
    kept = np.zeros(solid.shape, bool)  # cells that a recipe keeps out of every group
    for inside, stated in forced:
        kept = (kept & ~inside) | (inside if stated == "merge" else np.zeros_like(inside))
    facts = [{"id": index + 1, **fact} for index, fact in enumerate(facts)]
    named = np.zeros(solid.shape, np.uint16)
    for number, (inside, _) in enumerate(chosen):
        named[inside] = min(number + 1, 65535)
    dark = np.where(average, AVERAGE, _wished_alone(maps, frames))
    for inside, _ in forced:  # a recipe's word stands however dark it is
        dark[inside] = AVERAGE
    if not local:
        chosen += list(_too_dark(chosen, dark, _evidence(maps, SURE_64, SURE_DRIFT, TEXTURED)))
    choices = tuple(sorted({frame for _, frame in chosen}))
    alone = narrow_weights(choices, chosen, kept, standing, dark)
    weights = wide_weights(choices, chosen, kept) if local else alone
    surely = np.where(alone.sum(axis=0, dtype=np.int32) >= FULL, FULL, 0) if local else np.full(kept.shape, FULL)
    return Groups(facts, choices, weights, surely.astype(np.uint8), named)


def _too_dark(chosen: Sequence[tuple[Cells, int]], dark: Cells, sure: Cells) -> Iterator[tuple[Cells, int]]:
    """Cells of groups that surely moved and are too dark for the group's frame, with the frame each asks for."""
    for inside, frame in chosen:
        for wish in np.unique(dark[inside & sure & (dark > frame)]):
            yield inside & sure & (dark == wish), int(wish)


# ------------------------------------------------------------ which cells moved
def moved_cells(maps: MotionMaps) -> Cells:
    """Cells in which any two frames disagree: sure ones, and those that continue them."""
    sure, maybe = _evidence(maps, SURE_64, SURE_DRIFT, TEXTURED), _evidence(maps, MAYBE_64, MAYBE_DRIFT, TEXTURED)
    labels, _ = ndimage.label(maybe, np.ones((3, 3), bool))
    return np.asarray(maybe & np.isin(labels, np.unique(labels[sure & maybe])))


def _evidence(maps: MotionMaps, apart_64: int, drift: int, textured: int) -> Cells:
    seen = maps.seen.astype(np.int32)
    apart = maps.apart.astype(np.int32)
    counted = (apart * 64 >= apart_64 * seen) & (seen >= LEAST_SEEN) & (apart * textured >= maps.rough)
    drifted = (maps.drift >= drift) & (seen >= 4 * LEAST_SEEN)
    return np.asarray((counted | drifted).any(axis=0))


def _standing(maps: MotionMaps, moved: Cells) -> Cells:
    """Places whose texture is the same in all frames, and not by chance: most of what is around agrees too."""
    quiet = (maps.apart.max(axis=0) <= 1) & (maps.drift.max(axis=0) < MAYBE_DRIFT // 2)
    same = (maps.rough.max(axis=0) >= 12) & quiet & ~moved
    return np.asarray(_box(same, 2) * 2 > 25 - _box(~(same | moved), 2)) & ~moved


def _box(cells: Cells, reach: int) -> Cells:
    """How many of the cells around (a square of 2·reach + 1) are set; beyond the rim there are none."""
    size = 2 * reach + 1
    kernel = np.ones(size, np.int32)
    down = ndimage.correlate1d(cells.astype(np.int32), kernel, axis=0, mode="constant")
    return np.asarray(ndimage.correlate1d(down, kernel, axis=1, mode="constant"))


# ------------------------------------------------------------ from cells to groups
def _joined(moved: Cells, standing: Cells, reach: int) -> Cells:
    """What moved with its gaps closed: holes up to 2·reach wide that do not plainly stand still belong to it."""
    around = (max(reach, 1) + 1)
    padded = np.pad(moved, around)
    wide = near(padded, reach)
    closed = ~near(~wide, reach)[around:-around, around:-around]
    return np.asarray(moved | (closed & ~standing))


def _large_enough(solid: Cells, maps: MotionMaps) -> tuple[Cells, int]:
    """Labels of the groups that can be seen, 1 = the largest; cells that nearly touch belong together."""
    together, count = ndimage.label(near(solid, 1), np.ones((3, 3), bool))
    labels = np.where(solid, together, 0)
    strength = maps.apart.astype(np.int64).max(axis=0) + np.where(maps.drift.max(axis=0) >= SURE_DRIFT, 64, 0)
    pixels = np.bincount(labels.ravel(), weights=None, minlength=count + 1)
    weight = np.zeros(count + 1, np.int64)
    np.add.at(weight, labels.ravel(), strength.ravel())
    order = sorted((label for label in range(1, count + 1) if weight[label] >= LEAST_PIXELS), key=lambda n: (-pixels[n], n))
    renamed = np.zeros(count + 1, np.int32)
    for index, label in enumerate(order):
        renamed[label] = index + 1
    return renamed[labels], len(order)


def wished_frames(maps: MotionMaps, frames: Sequence[Mapping[str, Any]], solid: Cells) -> Cells:
    """The frame that each cell's brightness asks for: the base, or in deep shadows the shortest frame without its noise.

    Neighbours decide together, `SMOOTHED_CELLS` to each side, so that no group is made of patches.
    """
    wish = _wished_alone(maps, frames)
    around, sums = _box(solid, SMOOTHED_CELLS), np.zeros(solid.shape, np.int64)
    for frame in range(maps.base + 1, len(frames)):
        sums += _box(solid & (wish >= frame), SMOOTHED_CELLS) * 2 > around
    return np.asarray(maps.base + sums)


def _wished_alone(maps: MotionMaps, frames: Sequence[Mapping[str, Any]]) -> Cells:
    """What each cell asks for by its own brightness."""
    seen = maps.clipped <= (maps.cell_px * maps.cell_px) // 8
    brightest = np.where(seen, np.arange(len(frames))[:, None, None], -1).max(axis=0)
    level = np.take_along_axis(maps.level, np.maximum(brightest, 0)[None], axis=0)[0]
    return np.where(brightest < 0, maps.base, _wishes(frames, maps.base)[level])


def _wishes(frames: Sequence[Mapping[str, Any]], base: int) -> Cells:
    """For every code of `MotionMaps.level` the shortest frame from the base on whose noise can be made like the merge's."""
    found = []
    for code in range(256):
        light = exact.exp2((code - 192) / 8.0)
        variances = [
            frame["shot"] * light / frame["light"] + frame["read"] / (frame["light"] * frame["light"]) for frame in frames
        ]
        usable = [
            2.0 * least_of(frame) <= light * frame["light"] < 0.5 * LIMIT * frame["clip"] for frame in frames
        ]
        precision = 0.0
        for variance, use in zip(variances, usable, strict=True):
            precision += 1.0 / variance if use else 0.0
        good = [k for k in range(base, len(frames)) if usable[k] and variances[k] * precision <= MOST_VARIANCE]
        found.append(good[0] if good else base)
    return np.array(found, np.int32)


def _wide(cells: Cells, reach: int) -> Cells:
    """Of the cells those that lie in squares of 2·reach + 1 of them; beyond the rim there are as many as one wants."""
    padded = np.pad(cells, reach, mode="edge")
    return near(~near(~padded, reach), reach)[reach:-reach, reach:-reach] & cells


def _without_strips(inside: Cells, wished: Cells) -> Cells:
    """The wishes with those of thin or small parts replaced by that of the nearest part that can stand alone.

    What is seen through a strip between two parts would come from three frames.
    """
    firm = np.zeros(inside.shape, bool)
    for wish in np.flatnonzero(np.bincount(wished[inside])):
        labels, count = ndimage.label(_wide(inside & (wished == wish), THIN_CELLS), np.ones((3, 3), bool))
        sizes = np.bincount(labels.ravel(), minlength=count + 1)
        sizes[0] = 0
        firm |= sizes[labels] >= LEAST_PART_CELLS
    if not firm.any():
        return wished
    _, (rows, cols) = ndimage.distance_transform_cdt(~firm, "chessboard", return_indices=True)
    return np.where(inside, wished[rows, cols], wished)


def _parts(inside: Cells, wished: Cells) -> Iterator[tuple[int, Cells]]:
    """A group cut where its brightness asks for different frames; a part too small to stand alone goes with the rest."""
    counts = np.bincount(wished[inside])
    main = int(counts.argmax())
    rest = inside.copy()
    for wish in np.flatnonzero(counts):
        if wish == main:
            continue
        labels, count = ndimage.label(inside & (wished == wish), np.ones((3, 3), bool))
        sizes = np.bincount(labels.ravel(), minlength=count + 1)
        for label in range(1, count + 1):
            if sizes[label] >= LEAST_PART_CELLS:
                part = labels == label
                rest &= ~part
                yield int(wish), part
    if rest.any():
        yield main, rest


def _frame_of(
    maps: MotionMaps, inside: Cells, wish: int, frames: Sequence[Mapping[str, Any]]
) -> tuple[int, str]:
    """The frame wished where it does not clip, else the brightest darker frame that does not; and why, as words."""
    pixels = int(inside.sum()) * maps.cell_px * maps.cell_px
    shares = [int(plane[inside].astype(np.int64).sum()) * 1024 // pixels for plane in maps.clipped]
    for frame in range(wish, maps.base, -1):
        if shares[frame] <= CLIPPED_1024:
            return frame, "so dark that the base frame shows noise; the shortest frame that does not, and does not clip"
    if shares[maps.base] <= CLIPPED_1024:
        return maps.base, "the base frame: it does not clip here"
    if frames[maps.base].get("encoded", False):  # darker ones hold nothing but rounding in what is dark here
        return maps.base, f"the base frame, and the next darker one in the {_percent(shares[maps.base])} of it that clips"
    for frame in range(maps.base - 1, -1, -1):
        if shares[frame] <= CLIPPED_1024:
            share = _percent(shares[maps.base])
            return frame, f"the base frame clips in {share} of it; this is the next darker one that does not"
    return 0, f"every frame clips here, the darkest in {_percent(shares[0])} of it"


def _percent(share_1024: int) -> str:
    return f"{share_1024 * 100 / 1024:.0f} %" if share_1024 >= 10 else "1 %"


def _told(maps: MotionMaps, inside: Cells, frame: int, why: str) -> dict[str, Any]:
    rows, cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    top, bottom, left, right = (int(value) for value in (rows[0], rows[-1] + 1, cols[0], cols[-1] + 1))
    y, x = (int(value) for value in np.argwhere(inside)[int(inside.sum()) // 2])
    cell, shape = maps.cell_px, maps.shape
    apart = [index for index, pair in enumerate(maps.pairs) if (maps.apart[index][inside] > 0).any()]
    return {
        "frame": frame, "why": why,
        "at": [min((2 * x + 1) * cell, 2 * shape.width) / (2 * shape.width),
               min((2 * y + 1) * cell, 2 * shape.height) / (2 * shape.height)],
        "window": [left * cell, top * cell, min(right * cell, shape.width) - left * cell,
                   min(bottom * cell, shape.height) - top * cell],
        "size_px": [min(right * cell, shape.width) - left * cell, min(bottom * cell, shape.height) - top * cell],
        "share": int(inside.sum()) / inside.size,
        "disagree": [list(maps.pairs[index]) for index in apart],
    }
