"""Crop: a part of the picture, placed in fractions of the base frame."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, field_validator, model_validator

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.stage import Kind, Stage

_SHAPE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*$")


class Place(BaseModel):
    """A place in the base frame, in fractions from its top left."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    left: float = Field(0.5, ge=0, le=1, description="Fraction of the base frame's width, from the left.")
    top: float = Field(0.5, ge=0, le=1, description="Fraction of the base frame's height, from the top.")


@dataclass(frozen=True)
class BaseFrame:
    """How the base frame lies in a later picture: its size, and its pixels' (x, y, 1) → (x, y, 1) there."""

    shape: Shape
    to_here: Matrix

    def placed(self, left: float, top: float) -> tuple[float, float]:
        """(y, x) here of a place given in fractions of the base frame; pixel centres are whole numbers."""
        x, y = left * self.shape.width - 0.5, top * self.shape.height - 0.5
        across, down, w = exact.matrix_vector(self.to_here, (x, y, 1.0))
        return down / w, across / w

    @property
    def scale(self) -> float:
        """Pixels here per pixel of the base frame, at its centre."""
        y, x = self.placed(0.5, 0.5)
        step_x, step_y = 1.0 / self.shape.width, 1.0 / self.shape.height
        (down_y, down_x), (across_y, across_x) = self.placed(0.5, 0.5 + step_y), self.placed(0.5 + step_x, 0.5)
        area = (across_x - x) * (down_y - y) - (across_y - y) * (down_x - x)
        return exact.sqrt(abs(area))


class Crop(Stage):
    """Keeps a part of the picture: either `left`, `top`, `width`, `height`, or a `shape` such as 16:9 around `centre`.

    Everything is stated in fractions of the base frame, whatever was turned or resized before: the middle of the part
    is carried through, its size keeps its measure on the base frame, its sides stay upright. What would lie outside the
    picture is moved inside, and cut where it is larger than the picture.
    """

    name: ClassVar[str] = "crop"
    kind: ClassVar[Kind] = "geometry"
    in_place: ClassVar[bool] = False

    left: float | None = Field(None, ge=0, lt=1, description="Left side, as a fraction of the base frame's width.")
    top: float | None = Field(None, ge=0, lt=1, description="Upper side, as a fraction of the base frame's height.")
    width: float | None = Field(None, gt=0, le=1, description="Width, as a fraction of the base frame's width.")
    height: float | None = Field(None, gt=0, le=1, description="Height, as a fraction of the base frame's height.")
    shape: str | None = Field(None, description="The largest part of this shape, width to height, such as 16:9.")
    centre: Place | None = Field(None, description="Middle of the part that `shape` asks for; the frame's by default.")

    _base: BaseFrame | None = PrivateAttr(default=None)

    @field_validator("shape")
    @classmethod
    def _is_a_shape(cls, value: str | None) -> str | None:
        match = _SHAPE.match(value) if value is not None else None
        if value is not None and (match is None or not 0.05 <= _ratio(match) <= 20.0):
            raise ValueError("a shape is written width:height, such as 16:9, within 1:20 and 20:1")
        return value

    @model_validator(mode="after")
    def _one_way_only(self) -> Self:
        sides = (self.left, self.top, self.width, self.height)
        if self.shape is not None and any(side is not None for side in sides):
            raise ValueError("state either left, top, width, height or a shape, not both")
        if self.centre is not None and self.shape is None:
            raise ValueError("centre belongs to a shape")
        ends = ((self.left or 0.0) + (self.width or 0.0), (self.top or 0.0) + (self.height or 0.0))
        if max(ends) > 1.0 + 1e-9:
            raise ValueError("the part reaches beyond the base frame: left + width and top + height must not exceed 1")
        return self

    def is_neutral(self) -> bool:
        whole = not self.left and not self.top and self.width in (None, 1.0) and self.height in (None, 1.0)
        return self.shape is None and whole

    def located(self, base: Shape, to_here: Matrix) -> Crop:
        """The same crop, knowing how the base frame lies in its input (by default they are the same picture)."""
        known = self.model_copy()
        known._base = BaseFrame(base, to_here)
        return known

    def _frame(self, shape: Shape) -> BaseFrame:
        same: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        return self._base or BaseFrame(shape, same)

    def window(self, shape: Shape) -> Window:
        """The part that is kept of an input of size `shape`."""
        frame = self._frame(shape)
        if self.shape is not None:
            match = _SHAPE.match(self.shape)
            assert match is not None
            ratio = _ratio(match)
            width = min(shape.width, max(math.floor(shape.height * ratio + 0.5), 1))
            height = min(shape.height, max(math.floor(width / ratio + 0.5), 1))
            place = self.centre or Place()
            return _around(frame.placed(place.left, place.top), height, width, shape)
        left, top = self.left or 0.0, self.top or 0.0
        wide = self.width if self.width is not None else 1.0 - left
        high = self.height if self.height is not None else 1.0 - top
        scale = frame.scale
        width = max(math.floor(wide * frame.shape.width * scale + 0.5), 1)
        height = max(math.floor(high * frame.shape.height * scale + 0.5), 1)
        return _around(frame.placed(left + wide / 2.0, top + high / 2.0), height, width, shape)

    def output_shape(self, shape: Shape) -> Shape:
        return self.window(shape).shape

    def to_output(self, shape: Shape) -> Matrix:
        """Where pixels of the input, a picture of size `shape`, come to lie: (x, y, 1) → (x, y, 1) of the output."""
        kept = self.window(shape)
        return ((1.0, 0.0, -float(kept.x)), (0.0, 1.0, -float(kept.y)), (0.0, 0.0, 1.0))

    def output_planes(self, planes: tuple[str, ...], shape: Shape) -> tuple[str, ...]:
        return planes

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        kept = self.window(shape)
        return Window(wanted.y + kept.y, wanted.x + kept.x, wanted.height, wanted.width).cut(shape)

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        """A view of the input: no pixel changes."""
        needed = self.input_window(wanted, tile.picture, facts)
        return Tile(tile.cut(needed).array, wanted, self.output_shape(tile.picture), tile.planes)


def _ratio(match: re.Match[str]) -> float:
    return float(match[1]) / float(match[2]) if float(match[2]) else 0.0


def _around(centre: tuple[float, float], height: int, width: int, shape: Shape) -> Window:
    """A window of this size around (y, x), moved into the picture and cut to it."""
    height, width = min(height, shape.height), min(width, shape.width)
    y = math.floor(centre[0] - (height - 1) / 2.0 + 0.5)
    x = math.floor(centre[1] - (width - 1) / 2.0 + 0.5)
    return Window(min(max(y, 0), shape.height - height), min(max(x, 0), shape.width - width), height, width)
