"""Checks a mapping of nodes against a pydantic class and says what is wrong in the words and places of the recipe."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tilepipe.recipe.faults import FaultList, closest, did_you_mean, listed
from tilepipe.recipe.fields import Place, names_of, place_at
from tilepipe.recipe.node import Node, joined

Model = TypeVar("Model", bound=BaseModel)
_NEEDS = {
    "float_type": "needs a number", "int_type": "needs a whole number", "int_from_float": "needs a whole number",
    "bool_type": "needs `true` or `false`", "string_type": "needs text", "list_type": "needs a list",
    "tuple_type": "needs a list", "dict_type": "needs a mapping", "model_type": "needs a mapping",
    "model_attributes_type": "needs a mapping", "path_type": "needs a file name", "none_required": "has no place here",
}
_OUT_OF_RANGE = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")


def checked(
    model: type[Model], node: Node, address: str, faults: FaultList, *, owner: str = "", also: Iterable[str] = ()
) -> Model | None:
    """The mapping of `node` as an instance of `model`, or None when it has faults.

    Values are taken strictly: no text for numbers, no numbers for switches. `owner` is how faults name the class;
    `also` are keys that may stand in the same mapping although the class does not know them.
    """
    before = len(faults)
    values = {key: item.plain() for key, item in node.mapping.items()}
    try:
        found = model.model_validate_json(json.dumps(values), strict=True)
    except ValidationError as error:
        for place, details in _by_place(error.errors(include_url=False), node).items():
            _note(model, node, address, place, details, faults, owner, list(also))
        return None
    return found if len(faults) == before else None


def _by_place(errors: Iterable[ErrorDetails], node: Node) -> dict[tuple[str | int, ...], list[ErrorDetails]]:
    """Errors by the place in the recipe that they speak of; a choice of types gives one error per type."""
    places: dict[tuple[str | int, ...], list[ErrorDetails]] = {}
    for error in errors:
        path = error["loc"]
        known = path if error["type"] == "missing" else path[: len(_along(node, path))]
        places.setdefault(tuple(known), []).append(error)
    return places


def _along(node: Node, path: Sequence[str | int]) -> list[Node]:
    """The nodes under `node` along `path`, as far as they exist."""
    nodes: list[Node] = []
    for part in path:
        if isinstance(part, str) and part in node.mapping:
            node = node.mapping[part]
        elif isinstance(part, int) and part < len(node.items):
            node = node.items[part]
        else:
            break
        nodes.append(node)
    return nodes


def _note(
    model: type[BaseModel], node: Node, address: str, path: tuple[str | int, ...],
    errors: list[ErrorDetails], faults: FaultList, owner: str, also: list[str],
) -> None:
    target = ([node, *_along(node, path)])[-1]
    for part in path:
        address = joined(address, part)
    kind = errors[0]["type"]
    if kind == "extra_forbidden":
        above = place_at(model, path[:-1])
        options = [*names_of(above.model), *(also if len(path) == 1 else [])] if above and above.model else []
        what = f"is not a parameter of {owner}" if owner and len(path) == 1 else "is not known here"
        faults.at(
            target, address, what, found=str(path[-1]), allowed=listed(options) or "no parameters at all",
            next_step=did_you_mean(str(path[-1]), options), on_key=True,
        )
        return
    place = place_at(model, path) or Place(None)
    if kind == "missing":
        faults.at(target, address, "is missing", found="", allowed=place.allowed(), next_step="state it", on_key=True)
        return
    options = [str(choice) for choice in place.choices]
    hint = did_you_mean(target.shown(), options) if closest(target.shown(), options) else ""
    faults.at(target, address, _what(errors, place), allowed=place.allowed(), next_step=hint)


def _what(errors: list[ErrorDetails], place: Place) -> str:
    texts = dict.fromkeys(_one(error) for error in errors)
    if place.unit and any(error["type"] == "value_error" for error in errors):
        texts = dict.fromkeys(_one(error) for error in errors if error["type"] == "value_error")
    return " or ".join(texts)


def _one(error: Any) -> str:
    kind, context = error["type"], error.get("ctx", {})
    if kind in _NEEDS:
        return _NEEDS[kind]
    if kind in _OUT_OF_RANGE:
        return "is out of range"
    if kind in ("literal_error", "enum"):
        return "is not one of the choices"
    if kind in ("too_short", "too_long"):
        limit = f"at least {context['min_length']}" if kind == "too_short" else f"at most {context['max_length']}"
        return f"needs {limit} entries, not {context.get('actual_length')}"
    if kind in ("value_error", "assertion_error"):
        return str(context.get("error", error["msg"]))
    if kind == "missing":
        return "has too few entries"
    message = str(error["msg"])
    return message[:1].lower() + message[1:]
