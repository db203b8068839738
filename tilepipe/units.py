"""Quantities of a recipe with their units: `+0.4EV`, `6400K`, `70px`, `1.5%`, `0.8deg`, `1/30s`."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_WRITTEN = re.compile(rf"^\s*([+-]?{_NUMBER})\s*([A-Za-z°%µ]*)\s*$")
_SECONDS = re.compile(rf"^\s*({_NUMBER})(?:\s*/\s*({_NUMBER}))?\s*s?\s*$")
_SPELLINGS = {"°": "deg"}
_EXAMPLES = {"EV": "+0.4EV", "K": "6400K", "deg": "0.8deg", "px": "70px", "%": "1.5%"}


def quantity(text: Any, units: tuple[str, ...]) -> tuple[float, str]:
    """A finite number and its unit; ValueError names the allowed units when it is missing or another."""
    way = "write it as " + " or ".join(f"`{_EXAMPLES.get(unit, f'1{unit}')}`" for unit in units)
    if isinstance(text, int | float) and not isinstance(text, bool):
        raise ValueError(f"needs a unit: {way}")
    match = _WRITTEN.match(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f"is not a number with a unit: {way}")
    unit = _SPELLINGS.get(match[2], match[2])
    if unit not in units:
        raise ValueError(f"does not fit the unit `{unit}`: {way}" if unit else f"needs a unit: {way}")
    return _finite(float(match[1])), unit


@dataclass(frozen=True)
class Measured:
    """A number that is already in the unit of its field (from code, not from a recipe)."""

    value: float


@dataclass(frozen=True)
class Length:
    """A length at full size in `px`, or in `%` of the picture's shorter side."""

    value: float
    unit: Literal["px", "%"]

    def pixels(self, shorter_side_px: int) -> float:
        """The length in pixels of a picture at full size."""
        return self.value if self.unit == "px" else self.value * shorter_side_px / 100.0

    def __str__(self) -> str:
        return f"{self.value!r}{self.unit}"


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError("is too large a number")
    return number


def _number_of(unit: str) -> Any:
    def read(value: Any) -> float:
        if isinstance(value, Measured):
            return _finite(value.value)
        return quantity(value, (unit,))[0]

    return read


def _length(value: Any) -> Length:
    if isinstance(value, Length):
        return value
    number, unit = quantity(value, ("px", "%"))
    if number < 0:
        raise ValueError("is below zero; a length is not")
    return Length(number, "px" if unit == "px" else "%")


def _seconds(value: Any) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _finite(float(value))
    match = _SECONDS.match(value) if isinstance(value, str) else None
    if match is None or (match[2] and float(match[2]) == 0):
        raise ValueError("is not a time: write it as `1/30`, `1/30s` or `2.5s`")
    return _finite(float(match[1]) / float(match[2] or 1))


def _written(unit: str) -> PlainSerializer:
    return PlainSerializer(lambda value: f"{value!r}{unit}", return_type=str)


def _schema(pattern: str, units: str, *examples: str) -> WithJsonSchema:
    written = rf"^\s*{pattern}\s*$"
    return WithJsonSchema({"type": "string", "pattern": written, "examples": list(examples), "unit": units})


_SIGNED = rf"[+-]?{_NUMBER}\s*"
_TIME = rf"{_NUMBER}(\s*/\s*{_NUMBER})?\s*s?"

Stops = Annotated[float, BeforeValidator(_number_of("EV")), _written("EV"), _schema(_SIGNED + "EV", "EV", "+0.4EV")]
Kelvin = Annotated[float, BeforeValidator(_number_of("K")), _written("K"), _schema(_SIGNED + "K", "K", "6400K")]
Degrees = Annotated[
    float, BeforeValidator(_number_of("deg")), _written("deg"), _schema(_SIGNED + "(deg|°)", "deg", "0.8deg", "-12deg"),
]
LengthField = Annotated[
    Length, BeforeValidator(_length), PlainSerializer(str, return_type=str),
    _schema(rf"\+?{_NUMBER}\s*(px|%)", "px or %", "70px", "1.5%"),
]
Seconds = Annotated[
    float, BeforeValidator(_seconds), _written("s"),
    WithJsonSchema({
        "anyOf": [{"type": "number", "exclusiveMinimum": 0}, {"type": "string", "pattern": rf"^\s*{_TIME}\s*$"}],
        "examples": ["1/30", "2.5s"], "unit": "s",
    }),
]
