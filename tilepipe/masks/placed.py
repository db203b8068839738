"""Masks placed by hand that are simple figures: a gradient and an ellipse, in the base frame's coordinates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, ClassVar, Self

from pydantic import Field, model_validator

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.masks.mask import Mask
from tilepipe.units import Degrees, Length, LengthField

_PLACES = "double m[9]; int samples; "
GRADIENT = Kernel("mask_gradient", 0, 1, params=_PLACES + "double across[3];", header="placed.h")
ELLIPSE = Kernel(
    "mask_ellipse", 0, 1, header="placed.h",
    params=_PLACES + "double centre[2]; double turn[2]; double half[2]; double slope;",
)
Fraction = tuple[float, float]
FURTHEST = 10.0  # places may lie outside the base frame, but not absurdly far


def check_places(places: Any) -> None:
    """Raises ValueError for a place far outside the base frame."""
    for index, place in enumerate(places):
        if not all(-FURTHEST <= value <= FURTHEST for value in place[:2]):
            raise ValueError(f"point {index} lies far outside the frame: places are fractions of the base frame, 0 to 1")


class Gradient(Mask):
    """Full on one side, fading across the picture to nothing on the other."""

    name: ClassVar[str] = "gradient"

    full: Fraction = Field(
        description="A place [x, y] from which on the mask is full, in fractions of the base frame.",
        examples=[[0.5, 0.1]],
    )
    nothing: Fraction = Field(
        description="A place [x, y] from which on there is nothing; the fade runs straight from one to the other.",
        examples=[[0.45, 0.6]],
    )

    @model_validator(mode="after")
    def _has_a_way(self) -> Self:
        check_places((self.full, self.nothing))
        if self.full == self.nothing:
            raise ValueError("`full` and `nothing` are the same place: a gradient needs a way between them")
        return self

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        lie = self.lie(tile.picture)
        array, out = self._empty(device, tile, wanted)
        device.launch(GRADIENT, [], [out], across=self._across(tile), **lie.parameters)
        return array

    def _across(self, tile: Tile) -> list[float]:
        lie = self.lie(tile.picture)
        (x1, y1), (x0, y0) = lie.placed(self.full), lie.placed(self.nothing)
        dx, dy = x1 - x0, y1 - y0
        length = exact.sqrt(dx * dx + dy * dy)
        wide = max(length, lie.edge_px)  # the narrowest ramp stays around the middle
        across, down = dx / length / wide, dy / length / wide
        middle_x, middle_y = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
        return [across, down, 0.5 - (middle_x * across + middle_y * down)]


class Ellipse(Mask):
    """Full inside an ellipse, fading across its line."""

    name: ClassVar[str] = "ellipse"

    centre: Fraction = Field(
        description="Its middle [x, y], in fractions of the base frame from the top left.", examples=[[0.4, 0.55]],
    )
    width: LengthField = Field(description="Its extent along its first axis, at full size.")
    height: LengthField = Field(description="Its extent along its second axis, at full size.")
    turn: Degrees = Field(0.0, ge=-180, le=180, description="How far it is turned clockwise.")
    soft: LengthField = Field(Length(0.0, "px"), description="How wide its rim fades, half inside and half outside.")

    @model_validator(mode="after")
    def _has_an_extent(self) -> Self:
        check_places((self.centre,))
        if self.width.value <= 0.0 or self.height.value <= 0.0:
            raise ValueError("an ellipse needs a `width` and a `height` above 0")
        return self

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        lie = self.lie(tile.picture)
        radians = self.turn * math.pi / 180.0
        array, out = self._empty(device, tile, wanted)
        device.launch(
            ELLIPSE, [], [out], centre=list(lie.placed(self.centre)), turn=[exact.cos(radians), exact.sin(radians)],
            half=[0.5 * lie.pixels(self.width), 0.5 * lie.pixels(self.height)],
            slope=1.0 / max(lie.pixels(self.soft), lie.edge_px), **lie.parameters,
        )
        return array
