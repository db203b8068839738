"""A polygon drawn by hand, as an exact distance field of any number of corners."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
from pydantic import Field, field_validator

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.masks.mask import Lie, Mask
from tilepipe.masks.placed import Fraction, check_places
from tilepipe.masks.segments import LEAST_CELL_PX, Cells, cells_near, cells_nearest, inside
from tilepipe.units import Length, LengthField

POLYGON = Kernel(
    "mask_polygon", 0, 1, header="polygon.h",
    params="double m[9]; int samples; double corner[2]; double per_cell; int rows, cols; const int* starts; "
    "const int* lines; const int* states; const double* sides; const int* bends; int count; double slope, sure;",
)
LEAST_CORNERS, MOST_CORNERS = 3, 20_000
_CELLS_ACROSS = 256
Corners = npt.NDArray[np.float64]


def crossing(points: Sequence[Fraction]) -> tuple[int, int] | None:
    """Two sides of a closed line that touch or cross where they should not, by their numbers; None for a simple one."""
    corners = np.array(points, np.float64)
    after = np.roll(corners, -1, 0)
    count, found = len(corners), None
    for one, other in _neighbours(corners, after):
        ends = corners[one], after[one], corners[other], after[other]
        beside = (other - one == 1) | (other - one == count - 1)
        hit = _touch(*ends) & (~beside | _folded(*ends))
        if hit.any():
            pair = min(zip(one[hit].tolist(), other[hit].tolist(), strict=True))
            found = pair if found is None else min(found, pair)
    return found


def _neighbours(begins: Corners, ends: Corners) -> Iterator[tuple[Any, Any]]:
    """Pairs of lines that come into one cell of a grid, the smaller number first: all that can touch are among them."""
    extent = float((begins.max(0) - begins.min(0)).max())
    cells = cells_near(begins, ends, 0.0, max(extent / _CELLS_ACROSS, math.fsum(np.abs(ends - begins).ravel()) / begins.size))
    counts = np.diff(cells.starts)
    cell = np.repeat(np.arange(len(counts)), counts)
    for apart in range(1, int(counts.max())):
        same = cell[apart:] == cell[:-apart]
        yield cells.lines[:-apart][same].astype(np.int64), cells.lines[apart:][same].astype(np.int64)


def _turn(a: Corners, b: Corners, c: Corners) -> Any:
    """Twice the signed area of the triangle a, b, c."""
    return (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])


def _touch(a: Corners, b: Corners, c: Corners, d: Corners) -> Any:
    """Whether the line a → b shares a place with each of the lines c → d."""
    one, two, three, four = _turn(a, b, c), _turn(a, b, d), _turn(c, d, a), _turn(c, d, b)
    apart = (np.minimum(c, d) > np.maximum(a, b)).any(-1) | (np.maximum(c, d) < np.minimum(a, b)).any(-1)
    return ~apart & (np.sign(one) * np.sign(two) <= 0) & (np.sign(three) * np.sign(four) <= 0)


def _folded(a: Corners, b: Corners, c: Corners, d: Corners) -> Any:
    """Whether neighbouring lines run back over each other: parallel and against each other, not at a mere corner."""
    flat = (_turn(a, b, c) == 0) & (_turn(a, b, d) == 0)
    return flat & (((b - a) * (d - c)).sum(-1) < 0)


class Polygon(Mask):
    """Full inside a figure of straight sides, fading across its line."""

    name: ClassVar[str] = "polygon"

    points: tuple[Fraction, ...] = Field(
        description="Its corners [x, y] in order, in fractions of the base frame from the top left.",
        examples=[[[0.1, 0.2], [0.9, 0.3], [0.6, 0.8], [0.5, 0.4]]],
    )
    soft: LengthField = Field(Length(0.0, "px"), description="How wide its rim fades, half inside and half outside.")

    @field_validator("points")
    @classmethod
    def _is_simple(cls, points: tuple[Fraction, ...]) -> tuple[Fraction, ...]:
        check_places(points)
        kept = tuple(point for point, before in zip(points, (points[-1:] + points[:-1]), strict=True) if point != before)
        if not LEAST_CORNERS <= len(kept) <= MOST_CORNERS:
            raise ValueError(f"a polygon needs {LEAST_CORNERS} to {MOST_CORNERS} different corners, not {len(kept)}")
        if (sides := crossing(kept)) is not None:
            (x, y), (u, v) = kept[sides[0]], kept[sides[1]]
            raise ValueError(
                f"the polygon crosses itself: the side that begins at [{x:g}, {y:g}] meets the one at [{u:g}, {v:g}]"
            )
        return kept

    def _corners(self, lie: Lie) -> Corners:
        """The corners in pixels of the base frame, running so that the inside lies at positive turns."""
        placed = np.array([lie.placed(point) for point in self.points], np.float64)
        after = np.roll(placed, -1, 0)
        area = math.fsum(placed[:, 0] * after[:, 1] - after[:, 0] * placed[:, 1])  # exact: its sign says which side is in
        return placed if area > 0 else np.ascontiguousarray(placed[::-1])

    def _tables(self, lie: Lie) -> tuple[Cells, dict[str, Any]]:
        corners = self._corners(lie)
        ends = np.roll(corners, -1, 0)
        ramp = max(lie.pixels(self.soft), lie.edge_px)
        sure = 0.5 * ramp + lie.half_diagonal_px
        cells = cells_nearest(corners, ends, sure, max(LEAST_CELL_PX * max(lie.scale, 1.0), 0.25 * sure))
        states = inside(*cells.centres, corners, cells.cols).astype(np.int32)
        bends = np.sign(_turn(np.roll(corners, 1, 0), corners, ends)).astype(np.int32)
        sides = np.concatenate([corners, ends], 1)
        return cells, {
            "starts": cells.starts, "lines": cells.lines, "states": states, "sides": sides, "bends": bends,
            "numbers": {"count": len(corners), "slope": 1.0 / ramp, "sure": sure},
        }

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        lie = self.lie(tile.picture)
        cells, tables = self._at_hand(lie, self._tables)
        array, out = self._empty(device, tile, wanted)
        held = {name: device.upload(table.reshape(1, -1)) for name, table in tables.items() if name != "numbers"}
        device.launch(
            POLYGON, [], [out], **addresses(device, held), **tables["numbers"], **cells.parameters, **lie.parameters,
        )
        del held
        return array


def addresses(device: Any, held: Mapping[str, Any]) -> dict[str, int]:
    """Where tables of one row lie in the device's memory."""
    places = {}
    for name, table in held.items():
        shape = Shape(1, table.shape[1])
        places[name] = device.plane(table, shape.whole, shape).p
    return places
