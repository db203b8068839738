"""Compares a recipe as it is now with the resolved values that a receipt keeps of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from tilepipe.errors import Fault, RecipeError
from tilepipe.recipe.model import Recipe

_UNCHANGED_BY = ("file",)  # of a frame: its name; what it holds is compared by the digests of its pixels
_DEFAULT = "default"


def refuse_changed(told: Mapping[str, Any], recipe: Recipe) -> None:
    """Raises RecipeError with every value on which pixels depend that is not the receipt's (`Recipe.resolved()`).

    A value that the receipt does not know counts only if the recipe states it: later versions have more of them.
    """
    faults = list(_differences(told, recipe))
    if faults:
        raise RecipeError(faults=faults)


def _differences(told: Mapping[str, Any], recipe: Recipe) -> Iterator[Fault]:
    now = recipe.resolved()
    yield from _between("base", told["base"], now["base"])
    if len(told["frames"]) == len(now["frames"]):
        for index, (then, frame) in enumerate(zip(told["frames"], now["frames"], strict=True)):
            yield from _between(f"frames[{index}]", _without_names(then), _without_names(frame))
    else:
        yield _fault("frames", f"{len(told['frames'])} frames", f"{len(now['frames'])} frames")
    order_then, order = ([step["id"] for step in steps] for steps in (told["steps"], now["steps"]))
    if order_then != order:
        yield _fault("steps", ", ".join(order_then), ", ".join(order))
        return
    for then, step in zip(told["steps"], now["steps"], strict=True):
        yield from _step(f"steps.{step['id']}", then, step, recipe.provenance)


def _step(address: str, then: Mapping[str, Any], now: Mapping[str, Any], origins: Mapping[str, str]) -> Iterator[Fault]:
    flat_then, flat = ({**step, **step["parameters"], "parameters": None} for step in (then, now))
    for name, value in flat.items():
        own = f"{address}.{name}"
        if name in flat_then or origins.get(own, _DEFAULT) != _DEFAULT:
            yield from _between(own, flat_then.get(name), value)
    for name in flat_then.keys() - flat.keys():
        yield _fault(f"{address}.{name}", str(flat_then[name]), "not there")


def _without_names(frame: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in frame.items() if key not in _UNCHANGED_BY}


def _between(address: str, then: Any, now: Any) -> Iterator[Fault]:
    """Every value that differs, as deep inside as it can be named."""
    if isinstance(then, Mapping) and isinstance(now, Mapping):
        for key in {**then, **now}:
            yield from _between(f"{address}.{key}", then.get(key), now.get(key))
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for index, (one, other) in enumerate(zip(then, now, strict=True)):
            yield from _between(f"{address}[{index}]", one, other)
    elif then != now:
        yield _fault(address, "not stated" if then is None else str(then), "not stated" if now is None else str(now))


def _fault(address: str, then: str, now: str) -> Fault:
    return Fault(
        "is not as it was when the receipt was written", address, now, f"{then}, as the receipt says",
        "put it back, or run the recipe again: the receipt vouches for the pixels of its own values only",
    )
