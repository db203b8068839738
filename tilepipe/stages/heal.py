"""Heal: takes spots and small things out of the picture, fine detail from a donor, coarse light from around."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, model_validator

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.crop import BaseFrame
from tilepipe.stages.heal_patch import Patch, Spot
from tilepipe.stages.heal_veil import lift_into
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Length, LengthField

Fraction = tuple[float, float]
SMALLEST_PX = 0.75
MOST_PLACES = 4096


class HealPlace(BaseModel):
    """A disc around `at`, or a `polygon`, and where its detail may come from."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Fraction | None = Field(
        None, description="Its middle [x, y], in fractions of the base frame from the top left.", examples=[[0.4, 0.2]],
    )
    radius: LengthField | None = Field(None, description="Its radius at full size, up to 400px or 10%.")
    polygon: tuple[Fraction, ...] | None = Field(
        None, min_length=3, max_length=256, examples=[[[0.1, 0.1], [0.2, 0.15], [0.12, 0.3]]],
        description="Instead of a disc: corners [x, y] in order, in fractions of the base frame.",
    )
    donor: Fraction | None = Field(
        None, examples=[[0.5, 0.22]],
        description="The middle [x, y] of what its detail is taken from; a disc finds one by itself.",
    )
    width: LengthField | None = Field(
        None, description="Detail finer than this is the donor's, coarser light is filled in from around; the radius "
        "where it is not stated.",
    )

    see_through: bool = Field(
        False, description="The spot is dirt that only weakens the light behind it: it is lifted by as much, and its own "
        "detail stays.",
    )

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.polygon is None) == (self.at is None):
            raise ValueError("state either `at` and `radius`, or a `polygon`")
        if (self.at is None) != (self.radius is None):
            raise ValueError("a disc needs both `at` and `radius`")
        if self.polygon is not None and self.donor is None:
            raise ValueError("a polygon needs a `donor`: the middle of the part that its detail is taken from")
        if self.see_through and (self.polygon is not None or self.donor is not None or self.width is not None):
            raise ValueError("`see_through` keeps the spot's own detail: it needs `at` and `radius` alone")
        if self.radius is not None and not 0.0 < self.radius.value <= (400.0 if self.radius.unit == "px" else 10.0):
            raise ValueError("the radius must lie above 0 and up to 400px or 10%; for larger things draw a `polygon`")
        places = (*(self.polygon or ()), *(place for place in (self.at, self.donor) if place is not None))
        if not all(-0.1 <= value <= 1.1 for place in places for value in place):
            raise ValueError("a place lies outside the frame: places are fractions of the base frame, 0 to 1")
        return self


class Heal(Stage):
    """Takes spots and small things out of the picture without leaving a patch.

    A spot that is dirt on glass is `see_through`: its depth is measured at its rim, and the light behind it raised by that.
    Any other place is split by a Gaussian of half its `width`: what is coarser is filled in smoothly from the ring around,
    what is finer comes from a donor close by. The donor is on the same surface as the ring (never across an edge), is no other
    place of this step, and is the one whose level and texture continue the ring best; all of that is measured in whole
    numbers. The rim is blended. Beyond it no bit changes.
    """

    name: ClassVar[str] = "heal"
    kind: ClassVar[Kind] = "window"
    version: ClassVar[int] = 2

    places: tuple[HealPlace, ...] = Field(
        (), max_length=MOST_PLACES, description="What is healed.",
        examples=[
            [{"at": [0.4, 0.2], "radius": "12px"}],
            [{"polygon": [[0.3, 0.5], [0.42, 0.52], [0.36, 0.6]], "donor": [0.6, 0.55]},
             {"at": [0.7, 0.75], "radius": "3px", "width": "5px"}, {"at": [0.1, 0.3], "radius": "5%", "donor": [0.3, 0.3]},
             {"at": [0.8, 0.3], "radius": "8px", "see_through": True}],
        ],
    )

    _base: BaseFrame | None = PrivateAttr(default=None)

    def is_neutral(self) -> bool:
        return not self.places

    def located(self, base: Shape, to_here: Matrix) -> Heal:
        """The same places, knowing how the base frame (its full size) lies in the step's input."""
        known = self.model_copy()
        known._base = BaseFrame(base, to_here)
        return known

    def spots(self, shape: Shape) -> tuple[Spot, ...]:
        """The places in pixels of a picture of size `shape`; those wholly outside are left out."""
        same: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        frame = self._base or BaseFrame(shape, same)
        found = (_spot(place, frame) for place in self.places)
        return tuple(spot for spot in found if spot.touched(shape).pixels)

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        for spot in self.spots(shape):
            if spot.touched(shape).intersection(wanted).pixels:
                wanted = wanted.union(spot.needed(shape))
        return wanted

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """Of the largest place; and for a tile whose own window has none, what its neighbour needs beside it."""
        if self._base is None:
            return 0
        shape = Shape(1 << 30, 1 << 30)
        largest = max((spot.needed(shape).height for spot in self.spots(shape)), default=0)
        own = max((spot.scratch_bytes(shape) for spot in self.spots(shape)), default=0)
        around = (wanted.height + largest) * (wanted.width + largest) - wanted.pixels
        return own + 2 * around * planes * 4

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out: Tile = device.tile(wanted, tile.picture, tile.planes)
        out.array[:] = given.array
        spots = self.spots(tile.picture)
        for index, spot in enumerate(spots):
            part = spot.touched(tile.picture).intersection(wanted)
            if part.pixels:
                others = spots[:index] + spots[index + 1 :]
                patch = Patch(device, tile, spot, others)
                if spot.see_through:
                    lift_into(patch, out, part)
                else:
                    patch.heal_into(out, part)
        return out


def _spot(place: HealPlace, frame: BaseFrame) -> Spot:
    shorter, scale = min(frame.shape.height, frame.shape.width), frame.scale
    corners = None
    if place.polygon is not None:
        here = [frame.placed(*corner) for corner in place.polygon]
        corners = np.array([(x, y) for y, x in here], np.float64)
        (low_x, low_y), (high_x, high_y) = corners.min(0).tolist(), corners.max(0).tolist()
        y, x = 0.5 * (low_y + high_y), 0.5 * (low_x + high_x)
        radius = max(exact.sqrt(0.25 * (high_x - low_x) * (high_y - low_y)), SMALLEST_PX)
    else:
        assert place.at is not None
        assert place.radius is not None
        y, x = frame.placed(*place.at)
        radius = max(place.radius.pixels(shorter) * scale, SMALLEST_PX)
    width: Length | None = place.width
    width_px = radius if width is None else max(width.pixels(shorter) * scale, 1.0)
    donor = None
    if place.donor is not None:
        there = frame.placed(*place.donor)
        donor = (round(there[0] - y), round(there[1] - x))
    return Spot(y, x, radius, width_px, corners, donor, place.see_through)
