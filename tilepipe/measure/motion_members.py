"""How far each cell belongs to the groups around it: full inside, falling to nothing beyond."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FULL = 128  # of a membership: the cell belongs to its group wholly
RAMP_CELLS = 3  # over which a group fades into its surroundings: 24 px and half a cell to both sides

Cells = npt.NDArray[Any]


def near(cells: Cells, reach: int) -> Cells:
    """Cells within `reach` (the larger of rows and columns) of a set one."""
    if not cells.any():
        return np.zeros(cells.shape, bool)
    return np.asarray(distance(cells) <= reach)


def distance(cells: Cells) -> Cells:
    """The number of steps, diagonal ones included, to the nearest set cell."""
    return np.asarray(ndimage.distance_transform_cdt(~cells, "chessboard"))


def narrow_weights(
    choices: tuple[int, ...], chosen: Sequence[tuple[Cells, int]], kept: Cells, standing: Cells, dark: Cells
) -> npt.NDArray[np.uint8]:
    """Memberships, FULL in a group and one cell around it, falling to 0 over the cells beyond; together at most FULL.

    Where texture plainly stands still they end within a cell: the frames agree there, and the merge shows it best. So they
    do where it is too dark for the group's frame: `dark` is the frame that a cell asks for by its own brightness.
    """
    weights = np.zeros((len(choices), *kept.shape), np.int32)
    for plane, choice, (cells, others) in zip(weights, choices, _by_choice(choices, chosen, kept), strict=True):
        if cells.any():
            away = np.maximum(distance(cells) - 1, 0)
            plane[:] = _falling(away)
            plane[standing & (away > 0)] = 0
            plane[dark > choice] = 0
            plane[others] = 0
    return _together(weights)


def wide_weights(choices: tuple[int, ...], chosen: Sequence[tuple[Cells, int]], kept: Cells) -> npt.NDArray[np.uint8]:
    """Memberships where frames that agree keep their light: two cells around a group belong to it, whatever they show."""
    weights = np.zeros((len(choices), *kept.shape), np.int32)
    for plane, (cells, others) in zip(weights, _by_choice(choices, chosen, kept), strict=True):
        if cells.any():
            plane[:] = _falling(np.maximum(distance(cells) - 2, 0))
            plane[others] = 0
    return _together(weights)


def _by_choice(
    choices: tuple[int, ...], chosen: Sequence[tuple[Cells, int]], kept: Cells
) -> Iterator[tuple[Cells, Cells]]:
    """The cells of each choice, later groups over earlier ones, and those that it may not reach.

    Between two groups' frames there is no mixture but of neighbouring cells.
    """
    taken = np.zeros(kept.shape, bool)
    for inside, _ in chosen:
        taken |= inside
    for choice in choices:
        cells = np.zeros(kept.shape, bool)
        for inside, frame in chosen:
            cells = (cells & ~inside) | (inside if frame == choice else np.zeros_like(inside))
        yield cells, kept | (taken & ~cells)


def _falling(away: Cells) -> Cells:
    return np.asarray(np.maximum(FULL - away * (FULL // (RAMP_CELLS + 1)), 0))


def _together(weights: Cells) -> npt.NDArray[np.uint8]:
    total = weights.sum(axis=0)
    return np.asarray(weights * FULL // np.maximum(total, FULL)[None], np.uint8)
