"""Quantities of a recipe with their units: `+0.4EV`, `6400K`, `70px`, `1.5%`, `0.8deg`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

_WRITTEN = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z°%µ]*)\s*$")


def quantity(text: Any, units: tuple[str, ...]) -> tuple[float, str]:
    """A number and its unit; ValueError names the allowed units when one is missing or another one is written."""
    examples = " or ".join(f"`1{unit}`" for unit in units)
    if isinstance(text, bool) or not isinstance(text, str):
        raise ValueError(f"needs a unit: write it as {examples}")
    match = _WRITTEN.match(text)
    if match is None:
        raise ValueError(f"is not a number with a unit: write it as {examples}")
    unit = {"°": "deg"}.get(match[2], match[2])
    if unit not in units:
        found = f"the unit {unit!r} does not fit here" if unit else "needs a unit"
        raise ValueError(f"{found}: write it as {examples}")
    return float(match[1]), unit


def _number_of(unit: str) -> Any:
    def read(value: Any) -> float:
        if isinstance(value, Measured):
            return value.value
        return quantity(value, (unit,))[0]

    return read


@dataclass(frozen=True)
class Measured:
    """A number that is already in the unit of its field (from code, not from a recipe)."""

    value: float


def _written(unit: str) -> PlainSerializer:
    return PlainSerializer(lambda value: f"{value!r}{unit}", return_type=str)


def _schema(unit: str, example: str) -> WithJsonSchema:
    number = r"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*"
    return WithJsonSchema({"type": "string", "pattern": f"{number}{unit}\\s*$", "examples": [example], "unit": unit})


Stops = Annotated[float, BeforeValidator(_number_of("EV")), _written("EV"), _schema("EV", "+0.4EV")]
Kelvin = Annotated[float, BeforeValidator(_number_of("K")), _written("K"), _schema("K", "6400K")]
Degrees = Annotated[float, BeforeValidator(_number_of("deg")), _written("deg"), _schema("deg", "0.8deg")]


@dataclass(frozen=True)
class Length:
    """A length at full size in `px`, or in `%` of the picture's shorter side."""

    value: float
    unit: Literal["px", "%"]

    def pixels(self, shorter_side_px: int) -> float:
        return self.value if self.unit == "px" else self.value * shorter_side_px / 100.0

    def __str__(self) -> str:
        return f"{self.value!r}{self.unit}"


def _length(value: Any) -> Length:
    if isinstance(value, Length):
        return value
    number, unit = quantity(value, ("px", "%"))
    return Length(number, "px" if unit == "px" else "%")


LengthField = Annotated[
    Length, BeforeValidator(_length), PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": r"^\s*(\d+\.?\d*|\.\d+)\s*(px|%)\s*$", "examples": ["70px", "1.5%"]}),
]
