"""Describes stages and their parameters in plain data, read from the stages themselves."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from tilepipe.errors import RecipeError
from tilepipe.recipe.faults import did_you_mean, listed
from tilepipe.recipe.fields import Place
from tilepipe.recipe.model import takes_strength
from tilepipe.recipe.schema import first_paragraph, written_defaults
from tilepipe.stages.stage import Kind, Stage, all_stages

REQUIRED, UNSET = "required", "unset"
_WHOLE = re.compile(r"^([+-]?\d+)\.0(?=[^\d.]|$)")


@dataclass(frozen=True)
class ParameterRow:
    """One parameter: its name (`points[].at` inside a list), unit, what is allowed, default as written, a sentence."""

    name: str
    unit: str
    allowed: str
    default: str
    sentence: str


@dataclass(frozen=True)
class StageDescription:
    """One stage: what it does, what sort it is, and its parameters."""

    name: str
    sentence: str
    kind: Kind
    version: int
    takes_strength: bool
    rows: tuple[ParameterRow, ...]
    example: str


def describe_stage(name: str) -> StageDescription:
    """The description of a stage; RecipeError with the names there are for one that is not known."""
    stages = all_stages()
    if name not in stages:
        raise RecipeError(
            "is not a stage", name, allowed=listed(stages), next_step=did_you_mean(name, stages) or "name one of these"
        )
    return _described(stages[name])


def describe_all() -> tuple[StageDescription, ...]:
    """All stages, in the order in which they are defined."""
    return tuple(_described(stage) for stage in all_stages().values())


def _described(stage: type[Stage]) -> StageDescription:
    rows = tuple(_rows(stage, ""))
    sentence = first_paragraph(stage.__doc__ or "")
    return StageDescription(
        stage.name, sentence, stage.kind, stage.version, takes_strength(stage), rows, _example(stage, rows)
    )


def _rows(model: type[BaseModel], prefix: str) -> Iterator[ParameterRow]:
    defaults = written_defaults(model)
    for own, field in model.model_fields.items():
        place = Place.of_field(field)
        name = prefix + (field.alias or own)
        default = shown_value(defaults[own]) if own in defaults else REQUIRED
        yield ParameterRow(name, place.unit, place.allowed(), default, field.description or "")
        inside = place.inside(0)
        if inner := place.model or (inside.model if inside else None):
            yield from _rows(inner, f"{name}[]." if inside and not place.model else f"{name}.")


def shown_value(value: Any) -> str:
    """A value as a person would write it in a recipe."""
    if value is None:
        return UNSET
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return _WHOLE.sub(r"\1", text)


def _example(stage: type[Stage], rows: tuple[ParameterRow, ...]) -> str:
    """The stage as a step with its default values; `…` where a value must be stated."""
    own = [row for row in rows if "." not in row.name and row.default != UNSET]
    values = ", ".join(f"{row.name}: {'…' if row.default == REQUIRED else row.default}" for row in own)
    return f"- {stage.name}: {{{values}}}" if values else f"- {stage.name}"
