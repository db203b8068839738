"""Quantities are read with their units and refused without them."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from pydantic import TypeAdapter, ValidationError

from tilepipe.units import Degrees, Kelvin, Length, LengthField, Measured, Seconds, Stops, quantity

FIELDS = {"stops": Stops, "kelvin": Kelvin, "degrees": Degrees, "length": LengthField, "seconds": Seconds}
GOOD: list[tuple[str, Any, Any]] = [
    ("stops", "+0.4EV", 0.4), ("stops", " -3 EV ", -3.0), ("stops", ".5EV", 0.5), ("stops", "1e-1EV", 0.1),
    ("kelvin", "6400K", 6400.0), ("degrees", "-12deg", -12.0), ("degrees", "0.8°", 0.8),
    ("length", "70px", Length(70.0, "px")), ("length", "1.5%", Length(1.5, "%")), ("length", "0px", Length(0.0, "px")),
    ("seconds", "1/30", 1 / 30), ("seconds", "1/30s", 1 / 30), ("seconds", "2.5s", 2.5), ("seconds", 0.25, 0.25),
]
BAD: list[tuple[str, Any, str]] = [
    ("stops", 0.4, r"needs a unit: write it as `\+0.4EV`"), ("stops", "0.4", "needs a unit"),
    ("stops", True, "not a number with a unit"), ("stops", "0.4K", "does not fit the unit `K`"),
    ("stops", "1e999EV", "too large"), ("stops", "0.4ev", "does not fit the unit `ev`"),
    ("kelvin", "warm", "not a number with a unit: write it as `6400K`"), ("kelvin", None, "not a number with a unit"),
    ("length", "5", "write it as `70px` or `1.5%`"), ("length", "-5px", "below zero"), ("length", "5mm", "`mm`"),
    ("degrees", "2rad", "`rad`"), ("degrees", [1], "not a number with a unit"),
    ("seconds", "1/0", "is not a time"), ("seconds", "soon", "is not a time"), ("seconds", "1e400", "too large"),
]


@pytest.mark.parametrize(("field", "text", "value"), GOOD)
def test_read(field: str, text: Any, value: Any):
    assert TypeAdapter(FIELDS[field]).validate_python(text) == value
    assert TypeAdapter(FIELDS[field]).validate_json(json.dumps(text), strict=True) == value


@pytest.mark.parametrize(("field", "text", "message"), BAD)
def test_refused(field: str, text: Any, message: str):
    with pytest.raises(ValidationError, match=message):
        TypeAdapter(FIELDS[field]).validate_python(text)


@pytest.mark.parametrize(("field", "text", "value"), GOOD)
def test_written_values_read_back_and_fit_the_schema(field: str, text: Any, value: Any):
    adapter: TypeAdapter[Any] = TypeAdapter(FIELDS[field])
    written = adapter.dump_python(value, mode="json")
    assert adapter.validate_python(written) == value
    for spelling in (text, written):
        jsonschema.validate(spelling, adapter.json_schema())


BEYOND_A_PATTERN = {"1e999EV", "1e400", "1/0"}
BAD_BY_PATTERN = [(field, text) for field, text, _ in BAD if str(text) not in BEYOND_A_PATTERN]


@pytest.mark.parametrize(("field", "text"), BAD_BY_PATTERN)
def test_the_schema_refuses_what_reading_refuses(field: str, text: Any):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(text, TypeAdapter(FIELDS[field]).json_schema())


def test_measured_numbers_need_no_unit():
    assert TypeAdapter(Stops).validate_python(Measured(0.25)) == 0.25
    with pytest.raises(ValidationError, match="too large"):
        TypeAdapter(Stops).validate_python(Measured(float("inf")))


def test_lengths_in_pixels():
    assert Length(1.5, "%").pixels(4000) == 60.0
    assert Length(70.0, "px").pixels(4000) == 70.0


def test_quantity_gives_number_and_unit():
    assert quantity("3px", ("px", "%")) == (3.0, "px")
