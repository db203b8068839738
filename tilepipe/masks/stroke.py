"""A stroke of a brush: points with pressure and width, as a distance field with an index over its lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, field_validator, model_validator

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.masks.mask import Lie, Mask
from tilepipe.masks.placed import check_places
from tilepipe.masks.polygon import addresses
from tilepipe.masks.segments import LEAST_CELL_PX, Cells, cells_near
from tilepipe.units import Length, LengthField

_TABLES = (
    "double m[9]; int samples; double corner[2]; double per_cell; int rows, cols; const int* starts; const int* lines; "
    "const double* table;"
)
STROKE = Kernel("mask_stroke", 0, 1, header="stroke.h", params=_TABLES)
BLOCKS = Kernel(
    "mask_stroke_blocks", form="driver", header="stroke.h",
    params="Plane result; " + _TABLES + " double reach; int count; int* marks; int* found; float* near;",
)
_NEAR = 12  # float32 per line that the blocks keep: a bound, and the line as the block sees it
LEAST_NUMBERS, MOST_NUMBERS = 2, 4
MOST_POINTS = 200_000
MOST_WIDTH = 10.0


class Stroke(Mask):
    """What a brush painted: a line through points, as strong as the pressure at each, fading toward its rim."""

    name: ClassVar[str] = "stroke"
    version: ClassVar[int] = 2

    points: tuple[tuple[float, ...], ...] = Field(
        description="Its points in order: [x, y], [x, y, pressure] or [x, y, pressure, width]. Places are fractions of the "
        "base frame; pressure 0 to 1 is how strongly it paints, width a factor on the radius; both are 1 where left out.",
        examples=[[[0.2, 0.2], [0.5, 0.35, 0.8], [0.6, 0.7, 1.0, 1.6]]],
    )
    radius: LengthField = Field(Length(2.0, "%"), description="The brush's radius, at full size.")
    hardness: float = Field(
        0.5, ge=0, le=1, description="The share of the radius that paints fully; from there on it fades to the rim.",
    )

    @field_validator("points")
    @classmethod
    def _are_points(cls, points: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        for index, point in enumerate(points):
            if not LEAST_NUMBERS <= len(point) <= MOST_NUMBERS:
                raise ValueError(f"point {index} needs 2 to 4 numbers: [x, y], then pressure and width if wanted")
            if len(point) > 2 and not 0.0 <= point[2] <= 1.0:
                raise ValueError(f"the pressure of point {index} must lie within 0 and 1")
            if len(point) > 3 and not 0.0 < point[3] <= MOST_WIDTH:
                raise ValueError(f"the width of point {index} must lie above 0 and up to {MOST_WIDTH:g}")
        check_places(points)
        if len(points) > MOST_POINTS:
            raise ValueError(f"a stroke has at most {MOST_POINTS} points, not {len(points)}")
        if len({point[:2] for point in points}) < 2:
            raise ValueError("the stroke has no length: it needs two different points (an `ellipse` makes a single spot)")
        return points

    @model_validator(mode="after")
    def _has_a_radius(self) -> Stroke:
        if self.radius.value <= 0.0:
            raise ValueError("a stroke needs a `radius` above 0")
        return self

    def _tables(self, lie: Lie) -> tuple[Cells, dict[str, Any]]:
        radius = lie.pixels(self.radius)
        full = [(*point, *(1.0, 1.0)[len(point) - 2 :]) for point in self.points]
        placed = np.array([lie.placed(point) for point in full], np.float64)
        widths = np.array([point[3] * radius for point in full], np.float64)
        pressures = np.array([point[2] for point in full], np.float64)
        fades = (1.0 - self.hardness) * widths
        both = [placed[:, 0], placed[:, 1], widths - 0.5 * fades, 1.0 / np.maximum(fades, lie.edge_px), pressures]
        x, y, *others = ((values[:-1], values[1:]) for values in both)
        table = np.stack([x[0], y[0], x[1], y[1], *(end for ends in others for end in ends)], 1)
        reach = float(widths.max()) + 0.5 * lie.edge_px + 0.01
        cells = cells_near(placed[:-1], placed[1:], reach, max(LEAST_CELL_PX * max(lie.scale, 1.0), 0.25 * reach))
        return cells, {"table": np.ascontiguousarray(table), "reach": reach}

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        lie = self.lie(tile.picture)
        cells, tables = self._at_hand(lie, self._tables)
        array, out = self._empty(device, tile, wanted)
        given = {"starts": cells.starts, "lines": cells.lines, "table": tables["table"]}
        held = {name: device.upload(table.reshape(1, -1)) for name, table in given.items()}
        line = {
            **addresses(device, held), **cells.parameters, **lie.parameters,
        }
        if hasattr(device, "drive"):
            count = len(tables["table"])
            scratch = {name: device.empty((1, count), np.int32) for name in ("marks", "found")}
            scratch["near"] = device.empty((1, _NEAR * count))
            device.drive(BLOCKS, result=out, reach=tables["reach"], count=count, **addresses(device, scratch), **line)
            del scratch
        else:
            device.launch(STROKE, [], [out], **line)
        del held
        return array
