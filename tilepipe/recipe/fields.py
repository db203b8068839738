"""What may stand in one place of a recipe: range, unit and choices, read from the fields of pydantic classes."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo

from tilepipe.recipe.faults import listed

_WORDS: dict[Any, str] = {bool: "true or false", int: "a whole number", float: "a number", str: "text"}
_ONE_UNIT = ("EV", "K", "deg", "s")


@dataclass(frozen=True)
class Place:
    """A place for a value: its type without `Annotated` and `None`, and what was annotated."""

    annotation: Any
    metadata: tuple[Any, ...] = ()
    optional: bool = False

    @classmethod
    def of_field(cls, field: FieldInfo) -> Place:
        return _unwrapped(field.annotation, tuple(field.metadata))

    @property
    def model(self) -> type[BaseModel] | None:
        """The class of the mapping that belongs here."""
        found = self.annotation
        return found if isinstance(found, type) and issubclass(found, BaseModel) else None

    @property
    def choices(self) -> tuple[Any, ...]:
        """The words that may stand here, alone or beside a quantity."""
        arms = get_args(self.annotation) if self._is_union else (self.annotation,)
        return tuple(choice for arm in arms if get_origin(arm) is Literal for choice in get_args(arm))

    @property
    def unit(self) -> str:
        """The unit a value is written with; empty for bare numbers and anything else."""
        return next((str(schema["unit"]) for schema in self._schemas if "unit" in schema), "")

    @property
    def bounds(self) -> dict[str, Any]:
        """The limits by their names `ge`, `gt`, `le`, `lt`, as far as there are any."""
        found: dict[str, Any] = {}
        for item in _flat(self.metadata):
            for name in ("ge", "gt", "le", "lt"):
                if (limit := getattr(item, name, None)) is not None:
                    found[name] = limit
        return found

    def inside(self, part: str | int) -> Place | None:
        """The place of an entry of this list or mapping; None where this is neither."""
        if isinstance(part, str) and self.model is not None:
            field = field_named(self.model, part)
            return Place.of_field(field) if field else None
        origin, arguments = get_origin(self.annotation), get_args(self.annotation)
        if isinstance(part, int) and origin is tuple and arguments:
            fixed = arguments[-1] is not Ellipsis
            return _unwrapped(arguments[min(part, len(arguments) - 1) if fixed else 0])
        if isinstance(part, int) and origin in (list, Sequence) and arguments:
            return _unwrapped(arguments[0])
        return _unwrapped(arguments[1]) if origin in (dict, Mapping) and isinstance(part, str) else None

    def allowed(self) -> str:
        """What may stand here, in a few words: `0 to 1`, `-10EV to 10EV`, `radiance`, `fusion`."""
        written = [schema["range"] for schema in self._schemas if "range" in schema]
        if written:
            return str(written[0])
        quantity = "" if self.choices and not self._is_union else self._quantity()
        return " or ".join(text for text in (quantity, listed(self.choices)) if text)

    def _quantity(self) -> str:
        if self.model is not None:
            return "a mapping of " + listed(names_of(self.model))
        unit = self.unit
        if text := _range(self.bounds, unit if unit in _ONE_UNIT else ""):
            return text
        if unit:
            return f"a number with the unit {unit}"
        return _WORDS.get(self.annotation, "a list" if self._is_list else "")

    @property
    def _schemas(self) -> list[dict[str, Any]]:
        return [item.json_schema for item in self.metadata if isinstance(item, WithJsonSchema) and item.json_schema]

    @property
    def _is_union(self) -> bool:
        return get_origin(self.annotation) in (Union, types.UnionType)

    @property
    def _is_list(self) -> bool:
        return get_origin(self.annotation) in (list, tuple, Sequence)


def field_named(model: type[BaseModel], name: str) -> FieldInfo | None:
    """A field by the name it has in a recipe (its alias, where it has one)."""
    for own, field in model.model_fields.items():
        if name in (own, field.alias):
            return field
    return None


def names_of(model: type[BaseModel]) -> list[str]:
    """The names of a class's fields as a recipe writes them."""
    return [field.alias or name for name, field in model.model_fields.items()]


def place_at(model: type[BaseModel], path: Sequence[str | int]) -> Place | None:
    """The place at the end of a path through a class; None where it leaves what is declared."""
    place: Place | None = Place(model)
    for part in path:
        place = place.inside(part) if place else None
    return place


def _unwrapped(annotation: Any, metadata: tuple[Any, ...] = ()) -> Place:
    optional = False
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            metadata = (*metadata, *more)
        elif get_origin(annotation) in (Union, types.UnionType):
            arms = [arm for arm in get_args(annotation) if arm is not type(None)]
            optional = optional or len(arms) < len(get_args(annotation))
            if len(arms) != 1:
                return Place(annotation, metadata, optional)
            annotation = arms[0]
        else:
            return Place(annotation, metadata, optional)


def _flat(metadata: Sequence[Any]) -> Iterator[Any]:
    for item in metadata:
        if isinstance(item, FieldInfo):
            yield from _flat(item.metadata)
        elif isinstance(item, annotated_types.GroupedMetadata):
            yield from _flat(list(item))
        else:
            yield item


def _range(bounds: Mapping[str, Any], unit: str) -> str:
    low = next((bounds[name] for name in ("ge", "gt") if name in bounds), None)
    high = next((bounds[name] for name in ("le", "lt") if name in bounds), None)
    over = "above " if "gt" in bounds else ""
    under = "below " if "lt" in bounds else ""
    if low is not None and high is not None:
        return f"{over}{low:g}{unit} to {under}{high:g}{unit}"
    if low is not None:
        return f"above {low:g}{unit}" if over else f"{low:g}{unit} or more"
    if high is not None:
        return f"below {high:g}{unit}" if under else f"{high:g}{unit} or less"
    return ""
