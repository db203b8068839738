"""A grid of cells over the base frame that knows which lines lie near each: few lines to look at for a pixel.

Everything here is plain float64 arithmetic on a generous bound: what a list holds too much changes no value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
LEAST_CELL_PX = 32.0
MOST_CELLS = 1 << 18
_PIECE_CELLS = 3.0  # longer lines are looked at in pieces of so many cells
_SLACK = 1.0 + 1e-9  # more than all rounding


@dataclass(frozen=True)
class Cells:
    """Cells of `cell` px from (`x0`, `y0`) on; the lines of cell i are `lines[starts[i] : starts[i + 1]]`."""

    x0: float
    y0: float
    cell: float
    rows: int
    cols: int
    starts: Whole
    lines: Whole

    @property
    def parameters(self) -> dict[str, Any]:
        return {"corner": [self.x0, self.y0], "per_cell": 1.0 / self.cell, "rows": self.rows, "cols": self.cols}

    @property
    def centres(self) -> tuple[Numbers, Numbers]:
        """(x, y) of the cells' centres, each `(rows · cols,)`."""
        rows, cols = np.divmod(np.arange(self.rows * self.cols), self.cols)
        return self.x0 + (cols + 0.5) * self.cell, self.y0 + (rows + 0.5) * self.cell


def cells_near(begins: Numbers, ends: Numbers, reach: float, cell: float) -> Cells:
    """The lines `(n, 2)` begin → end that come within `reach` px of each cell."""
    grid, line, index, _ = _pairs(begins, ends, reach, cell)
    return _collected(grid, line, index)


def cells_nearest(begins: Numbers, ends: Numbers, reach: float, cell: float) -> Cells:
    """For each cell that a line comes within `reach` px of: every line that is the nearest of any place in it."""
    half = 0.70711 * cell * _SLACK
    grid, line, index, apart = _pairs(begins, ends, reach + 2.0 * half, cell)
    nearest = np.full(grid.rows * grid.cols, np.inf)
    np.minimum.at(nearest, index, apart)
    kept = (nearest[index] <= (reach + half) * _SLACK) & (apart <= (nearest[index] + 2.0 * half) * _SLACK)
    return _collected(grid, line[kept], index[kept])


def _grid(begins: Numbers, ends: Numbers, reach: float, cell: float) -> Cells:
    low = np.minimum(begins.min(0), ends.min(0)) - reach - cell
    high = np.maximum(begins.max(0), ends.max(0)) + reach + cell
    while ((high - low) / cell + 1.0).prod() > MOST_CELLS:
        cell *= 2.0
    cols, rows = (int(count) + 1 for count in (high - low) / cell)
    empty = np.zeros(0, np.int32)
    return Cells(float(low[0]), float(low[1]), cell, rows, cols, empty, empty)


def _pairs(
    begins: Numbers, ends: Numbers, reach: float, cell: float
) -> tuple[Cells, npt.NDArray[np.int64], npt.NDArray[np.int64], Numbers]:
    """Grid; line, cell index and distance from the cell's centre of all pairs that come within `reach` of each other."""
    grid = _grid(begins, ends, reach, cell)
    cell = grid.cell
    far = (reach + 0.70711 * cell) * _SLACK
    line, first, last = _pieces(begins, ends, _PIECE_CELLS * cell)
    low = np.floor((np.minimum(first, last) - far - (grid.x0, grid.y0)) / cell).astype(np.int64)
    high = np.floor((np.maximum(first, last) + far - (grid.x0, grid.y0)) / cell).astype(np.int64)
    low, high = np.maximum(low, 0), np.minimum(high, (grid.cols - 1, grid.rows - 1))
    wide = high - low + 1
    piece = np.repeat(np.arange(len(line)), wide.prod(1))
    number = np.arange(len(piece)) - np.repeat(np.cumsum(wide.prod(1)) - wide.prod(1), wide.prod(1))
    down, across = np.divmod(number, wide[piece, 0])
    col, row = low[piece, 0] + across, low[piece, 1] + down
    centre = np.stack([grid.x0 + (col + 0.5) * cell, grid.y0 + (row + 0.5) * cell], 1)
    apart = distance(centre, first[piece], last[piece])
    near = apart <= far
    return grid, line[piece][near], (row * grid.cols + col)[near], apart[near]


def _pieces(begins: Numbers, ends: Numbers, longest: float) -> tuple[npt.NDArray[np.int64], Numbers, Numbers]:
    """Lines cut into pieces of at most `longest`: the line's number, the piece's begin and end."""
    along = ends - begins
    counts = np.maximum(np.ceil(np.sqrt((along * along).sum(1)) / longest).astype(np.int64), 1)
    line = np.repeat(np.arange(len(begins)), counts)
    part = np.arange(len(line)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = counts[line][:, None]
    first = begins[line] + along[line] * (part[:, None] / share)
    return line, first, begins[line] + along[line] * ((part[:, None] + 1) / share)


def distance(place: Numbers, first: Numbers, last: Numbers) -> Numbers:
    """Of places from lines, `(n,)`."""
    along, away = last - first, place - first
    length = (along * along).sum(1)
    share = np.clip((away * along).sum(1) / np.where(length > 0.0, length, 1.0), 0.0, 1.0)
    rest = away - along * share[:, None]
    return np.sqrt((rest * rest).sum(1))  # type: ignore[no-any-return]


def _collected(grid: Cells, line: npt.NDArray[np.int64], index: npt.NDArray[np.int64]) -> Cells:
    """The grid with its lists: by cell, lines in rising order, each once."""
    many = int(line.max()) + 1 if len(line) else 1
    both = np.unique(index * many + line)
    cell, line = np.divmod(both, many)
    starts = np.searchsorted(cell, np.arange(grid.rows * grid.cols + 1)).astype(np.int32)
    return Cells(grid.x0, grid.y0, grid.cell, grid.rows, grid.cols, starts, line.astype(np.int32))


def inside(place_x: Numbers, place_y: Numbers, corners: Numbers, row_length: int) -> npt.NDArray[np.bool_]:
    """Whether places lie inside a polygon, by the number of its sides to their left; rows of `row_length` share their y."""
    found = np.zeros(len(place_x), bool)
    after = np.roll(corners, -1, 0)
    for start in range(0, len(place_x), row_length):
        y = place_y[start]
        crosses = (corners[:, 1] <= y) != (after[:, 1] <= y)
        a, b = corners[crosses], after[crosses]
        at = np.sort(a[:, 0] + (y - a[:, 1]) * ((b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])))
        found[start : start + row_length] = np.searchsorted(at, place_x[start : start + row_length]) % 2 == 1
    return found
