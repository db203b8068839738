"""Steps, masks and stages as plain data for the page's forms, read from the definitions that check a recipe."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from tilepipe.masks.mask import Mask, all_masks
from tilepipe.recipe.describe import REQUIRED, UNSET, describe_stage, shown_value
from tilepipe.recipe.fields import Place
from tilepipe.recipe.model import Recipe, Step, takes_strength
from tilepipe.recipe.schema import first_paragraph, written_defaults
from tilepipe.stages.stage import all_stages

Form = dict[str, Any]


def steps_told(recipe: Recipe) -> list[Form]:
    """Every step with its values as a recipe spells them."""
    return [_step(step, recipe.masks) for step in recipe.steps]


def masks_told(recipe: Recipe) -> list[Form]:
    """The named masks: kind, values, and which steps use them."""
    return [
        {"name": name, "kind": mask.name, "resolved": mask.resolved(), "spelled": spelled(mask.resolved()),
         "source": mask.source, "used_by": [step.id for step in recipe.steps if step.where == mask]}
        for name, mask in recipe.masks.items()
    ]


def stages_told() -> list[Form]:
    """What can be added: every stage with a sentence and how it is spelled with its defaults."""
    return [
        {"name": name, "sentence": describe_stage(name).sentence, "needs": _needs(stage), "kind": stage.kind,
         "masked": takes_strength(stage)}
        for name, stage in all_stages().items()
    ]


def mask_kinds() -> list[Form]:
    """Every kind of mask with a sentence."""
    return [
        {"name": name, "sentence": first_paragraph(mask.__doc__ or ""), "source": mask.source}
        for name, mask in all_masks().items()
    ]


def _needs(stage: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in stage.model_fields.items() if field.is_required()]


def _step(step: Step, masks: Mapping[str, Mask]) -> Form:
    stage = type(step.stage)
    told: Form = {
        "id": step.id, "stage": step.name, "sentence": first_paragraph(stage.__doc__ or ""), "kind": stage.kind,
        "on": step.on, "active": step.is_active, "values": list(_values(step.stage, f"steps.{step.id}")),
        "strength": None, "where": None, "masked": takes_strength(stage),
    }
    if takes_strength(stage):
        told["strength"] = step.strength
        named = next((name for name, mask in masks.items() if mask == step.where), None)
        told["where"] = None if step.where is None else named or "in place"
    return told


def _values(model: BaseModel, address: str) -> Iterator[Form]:
    """Each parameter of a class; entries of lists with addresses of their own."""
    defaults, dumped = written_defaults(type(model)), model.model_dump(mode="json")
    for own, field in type(model).model_fields.items():
        place = Place.of_field(field)
        name = field.alias or own
        value, inside = getattr(model, own), place.inside(0)
        told: Form = {
            "name": name, "address": f"{address}.{name}", "sentence": field.description or "",
            "default": shown_value(defaults[own]) if own in defaults else REQUIRED, "value": shown_value(dumped[own]),
            "allowed": place.allowed(), **_kind(place),
        }
        if inside is not None and inside.model is not None:
            entries = [list(_values(entry, f"{address}.{name}[{index}]")) for index, entry in enumerate(value or ())]
            told |= {"kind": "list", "entries": entries, "json": dumped[own], "template": _template(inside.model)}
        elif isinstance(value, BaseModel):
            told |= {"kind": "group", "entries": [list(_values(value, f"{address}.{name}"))]}
        if told["value"] == UNSET:
            told["value"] = ""
        yield told


def _template(model: type[BaseModel]) -> dict[str, Any]:
    """An entry to begin with: each required field's first example."""
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    return {name: field.examples[0] for name, field in fields.items() if field.is_required() and field.examples}


def _kind(place: Place) -> Form:
    bounds = place.bounds
    low, high = bounds.get("ge", bounds.get("gt")), bounds.get("le", bounds.get("lt"))
    limits: Form = {"unit": place.unit, "low": low, "high": high, "choices": [str(choice) for choice in place.choices]}
    if place.annotation is bool:
        return {"kind": "switch", **limits}
    if place.choices and not place.unit and place.annotation not in (int, float) and not bounds:
        return {"kind": "choice", **limits}
    number = place.unit or place.annotation in (int, float) or bounds
    return {"kind": "number" if number else "text", "whole": place.annotation is int, **limits}


def spelled(value: Any) -> str:
    """A value as one line of YAML: JSON, but plain words and quantities without quotes where YAML reads them so."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {spelled(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(spelled, value)) + "]"
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z+-]?[A-Za-z0-9_.+-]*%?", value) and value.lower() not in (
        "", "null", "true", "false", "yes", "no", "on", "off"
    ) and not re.fullmatch(r"[+-]?[0-9.]*(e[+-]?[0-9]+)?", value):
        return value
    return json.dumps(value, ensure_ascii=False)
