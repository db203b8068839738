"""The JSON Schema of a whole recipe, made from the same classes that check it: for editors and forms."""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel

from tilepipe.masks.mask import Mask, all_masks
from tilepipe.recipe.deliver import KINDS
from tilepipe.recipe.fields import Place, names_of
from tilepipe.recipe.masks import short_field
from tilepipe.recipe.model import ID_PATTERN, FrameEntry, takes_strength
from tilepipe.stages.stage import Stage, all_stages

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_OWN_LIMITS = ("ge", "gt", "le", "lt", "title")  # what pydantic leaves behind that no JSON Schema reader knows
_FILE = {"type": "string", "minLength": 1}
_WHERE = {"$ref": "#/$defs/mask"}


def recipe_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of a recipe; parameters carry `unit`, `range`, `default` and `description`."""
    definitions: dict[str, Any] = {"step": _step_schema(), "frame": _class_schema(FrameEntry)}
    definitions["mask"] = _mask_choice()
    definitions |= {f"mask.{name}": _mask_schema(mask) for name, mask in all_masks().items()}
    definitions |= {f"stage.{name}": _stage_schema(stage) for name, stage in all_stages().items()}
    definitions |= {f"deliver.{name}": _class_schema(model) | {"required": ["kind"]} for name, model in KINDS.items()}
    for owner in [name for name in definitions if name not in ("step", "mask")]:
        for name, inner in definitions[owner].pop("$defs", {}).items():
            definitions[f"{owner}.{name}"] = _renamed(inner, owner)
        definitions[owner] = _renamed(definitions[owner], owner)
    return {
        "$schema": DIALECT,
        "title": "tilepipe recipe",
        "description": "Frames of one bracket, the steps that make the finished picture of them, and what to deliver.",
        "type": "object",
        "additionalProperties": False,
        "properties": _parts(),
        "anyOf": [{"required": ["frames"]}, {"required": ["based_on"]}],
        "$defs": definitions,
    }


def schema_text() -> str:
    """The schema as text, the same for the same stages."""
    return json.dumps(recipe_schema(), indent=2, ensure_ascii=False) + "\n"


def _parts() -> dict[str, Any]:
    frame = {"anyOf": [_FILE, {"$ref": "#/$defs/frame"}]}
    deliver = {"anyOf": [{"enum": list(KINDS)}, *({"$ref": f"#/$defs/deliver.{name}"} for name in KINDS)]}
    return {
        "based_on": _FILE | {"description": "Another recipe, whose values this one overrides step by step."},
        "frames": {
            "description": "The bracket's pictures, relative to the recipe: names, patterns like `*.dng`, or mappings.",
            "anyOf": [_FILE, {"type": "array", "minItems": 1, "items": frame}],
        },
        "base": {
            "description": "The frame that carries the scene: its name, its index counted from 0, or `auto`.",
            "anyOf": [_FILE, {"type": "integer", "minimum": 0}], "default": "auto",
        },
        "steps": {
            "description": "What is done, in order.", "type": ["array", "null"], "items": {"$ref": "#/$defs/step"},
        },
        "masks": {
            "description": "Masks by their names, for the steps' `where` and for each other.",
            "type": ["object", "null"], "additionalProperties": {"$ref": "#/$defs/mask"},
            "propertyNames": {"pattern": f"^{ID_PATTERN}$"},
        },
        "deliver": {
            "description": "The files to write.", "anyOf": [{"enum": list(KINDS)}, {"type": "array", "items": deliver}],
        },
    }


def _step_schema() -> dict[str, Any]:
    names = list(all_stages())
    values = {name: {"$ref": f"#/$defs/stage.{name}"} for name in names}
    return {
        "description": "One stage: its name alone, or its name with its values.",
        "anyOf": [
            {"enum": names},
            {
                "type": "object", "properties": values, "additionalProperties": False,
                "minProperties": 1, "maxProperties": 1,
            },
        ],
    }


def _stage_schema(stage: type[Stage]) -> dict[str, Any]:
    schema = _class_schema(stage)
    own = schema.setdefault("properties", {})
    names = list(own)
    bare = [own[names[0]]] if len(names) == 1 else []
    own |= {
        "id": {"description": "The step's own name, for `--set`.", "type": "string", "pattern": f"^{ID_PATTERN}$"},
        "on": {"description": "Switches the step off.", "type": "boolean", "default": True},
    }
    if takes_strength(stage):
        own["strength"] = {
            "description": "How strongly the step applies: 0 not at all, 1 fully.", "type": "number",
            "minimum": 0, "maximum": 1, "default": 1, "range": "0 to 1",
        }
        own["where"] = {"description": "Where the step applies: a mask, or the name of one.", "anyOf": [_WHERE]}
    definitions = schema.pop("$defs", {})
    described = {key: schema.pop(key) for key in ("description",) if key in schema}
    return {**described, "anyOf": [schema, {"type": "null"}, *bare], **({"$defs": definitions} if definitions else {})}


def _mask_choice() -> dict[str, Any]:
    values = {name: {"$ref": f"#/$defs/mask.{name}"} for name in all_masks()}
    return {
        "description": "A mask: the name of one, or a kind with its values.",
        "anyOf": [_FILE, {
            "type": "object", "properties": values, "additionalProperties": False, "minProperties": 1,
            "maxProperties": 1,
        }],
    }


def _mask_schema(mask: type[Mask]) -> dict[str, Any]:
    schema = _class_schema(mask)
    described = {key: schema.pop(key) for key in ("description",) if key in schema}
    if mask.inner == "many":
        return {**described, "type": "array", "minItems": 1, "items": _WHERE}
    if mask.inner == "one":
        schema["properties"] = {"mask": _WHERE, **schema.get("properties", {})}
        schema["required"] = ["mask", *schema.get("required", [])]
    definitions = schema.pop("$defs", {})
    properties = schema.get("properties", {})
    short = [properties[name] for name in (short_field(mask),) if name in properties]
    bare = [] if schema.get("required") else [{"type": "null"}]
    return {**described, "anyOf": [schema, *short, *bare], **({"$defs": definitions} if definitions else {})}


def _class_schema(model: type[BaseModel]) -> dict[str, Any]:
    """A class's own schema, with defaults as a recipe writes them and ranges in words."""
    schema: dict[str, Any] = _cleaned(model.model_json_schema())
    if model.__doc__ and "description" in schema:
        schema["description"] = first_paragraph(model.__doc__)
    defaults = written_defaults(model)
    properties = schema.get("properties", {})
    for (own, field), name in zip(model.model_fields.items(), names_of(model), strict=True):
        if properties.get(name, {}).get("type") == "null":
            del properties[name]
            continue
        place = Place.of_field(field)
        entry = properties.get(name, {})
        entry.pop("default", None)
        if own in defaults and defaults[own] is not None:
            entry["default"] = defaults[own]
        if place.bounds and "range" not in entry:
            entry["range"] = place.allowed()
        if place.unit:
            entry["unit"] = place.unit
    return schema


def written_defaults(model: type[BaseModel]) -> dict[str, Any]:
    """Every default of a class as a recipe writes it; required fields are not in it."""
    required = [name for name, field in model.model_fields.items() if field.is_required()]
    constructed = model.model_construct()
    return constructed.model_dump(mode="json", exclude=set(required))


def first_paragraph(text: str) -> str:
    """The first paragraph of a docstring in one line."""
    return " ".join(text.strip().split("\n\n")[0].split())


def _cleaned(schema: Any, *, names: bool = False) -> Any:
    """Without pydantic's titles and leftovers; under `properties` and `$defs` keys are names and stay."""
    if isinstance(schema, list):
        return [_cleaned(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    kept = {key: value for key, value in schema.items() if names or key not in _OWN_LIMITS}
    return {
        key: value if key in ("default", "examples", "enum", "const") and not names
        else _cleaned(value, names=key in ("properties", "$defs") and not names)
        for key, value in kept.items()
    }


def _renamed(schema: Any, owner: str) -> Any:
    """References to a class's own definitions, now under the owner's name."""
    if isinstance(schema, list):
        return [_renamed(item, owner) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _renamed(value, owner) for key, value in schema.items()}
    if isinstance(reference := found.get("$ref"), str) and reference != _WHERE["$ref"]:
        found["$ref"] = f"#/$defs/{owner}.{reference.removeprefix('#/$defs/')}"
    return found
