"""The outline of one group of cells as a polygon, so that a recipe can say from which frame it is taken."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Corner = tuple[int, int]  # (y, x), in cells


def outline(member: npt.NDArray[Any]) -> list[Corner]:
    """The longest closed line around the cells that are true, corners only, the inside on its right; empty for none."""
    padded = np.pad(np.asarray(member, bool), 1)
    after: dict[Corner, list[Corner]] = {}
    rows, columns = np.nonzero(padded)
    for y, x in zip(rows.tolist(), columns.tolist(), strict=True):
        sides = (
            (padded[y - 1, x], (y, x), (y, x + 1)), (padded[y, x + 1], (y, x + 1), (y + 1, x + 1)),
            (padded[y + 1, x], (y + 1, x + 1), (y + 1, x)), (padded[y, x - 1], (y + 1, x), (y, x)),
        )
        for inside, start, end in sides:
            if not inside:
                after.setdefault(start, []).append(end)
    lines: list[list[Corner]] = []
    while after:
        start = next(iter(after))
        line, here = [start], start
        while True:
            ends = after[here]
            following = ends.pop()
            if not ends:
                del after[here]
            if following == start:
                break
            line.append(following)
            here = following
        lines.append(line)
    longest = max(lines, key=_area, default=[])
    return [(y - 1, x - 1) for y, x in _bends(longest)]


def _area(line: list[Corner]) -> float:
    return abs(sum(y * nx - ny * x for (y, x), (ny, nx) in zip(line, line[1:] + line[:1], strict=True)))


def _bends(line: list[Corner]) -> list[Corner]:
    """Without the corners at which the line runs on straight."""
    found = []
    for before, here, following in zip(line[-1:] + line[:-1], line, line[1:] + line[:1], strict=True):
        if (here[0] - before[0], here[1] - before[1]) != (following[0] - here[0], following[1] - here[1]):
            found.append(here)
    return found
