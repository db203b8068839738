"""Which cells of a coarse map lie inside a polygon."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.geometry import Shape


def cells_inside(points: Sequence[tuple[float, float]], shape: Shape, cell_px: int) -> npt.NDArray[Any]:
    """Cells whose centre lies inside, bool `(row, column)`, by the even-odd rule; points are (x, y) fractions of `shape`.

    Every row of cells is cut with the polygon's sides in float64, by plain arithmetic.
    """
    rows, cols = -(-shape.height // cell_px), -(-shape.width // cell_px)
    inside = np.zeros((rows, cols), bool)
    corners = [(x * shape.width, y * shape.height) for x, y in points]
    for row in range(rows):
        y = (row + 0.5) * cell_px
        cuts = []
        for (x0, y0), (x1, y1) in zip(corners, [*corners[1:], corners[0]], strict=True):
            if (y0 <= y) != (y1 <= y):
                cuts.append(x0 + (y - y0) * (x1 - x0) / (y1 - y0))
        for left, right in zip(*[iter(sorted(cuts))] * 2, strict=True):
            first, last = (min(max(int(-(-(cut / cell_px - 0.5) // 1)), 0), cols) for cut in (left, right))
            inside[row, first:last] = True
    return inside
