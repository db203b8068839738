"""Collects everything that is wrong with a recipe, each fault with its address, file and line."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from tilepipe.errors import Fault, RecipeError
from tilepipe.recipe.node import Node, Source


@dataclass(frozen=True)
class RecipeFault(Fault):
    """A fault of a recipe; `address` is where in its tree, `source` and `line` where in the writing."""

    address: str = ""
    source: str = ""
    line: int = 0


class FaultList:
    """All faults found so far; nothing is raised before everything was looked at."""

    def __init__(self) -> None:
        self._faults: list[RecipeFault] = []

    def __len__(self) -> int:
        return len(self._faults)

    def speaks_of(self, part: str) -> bool:
        """True if something is wrong inside this part of the recipe."""
        return any(fault.address.startswith(part) for fault in self._faults)

    def at(
        self, node: Node, address: str, what: str,
        *, found: str | None = None, allowed: str = "", next_step: str = "", on_key: bool = False,
    ) -> None:
        """Notes a fault of `node`; `found` is the node's own value unless given."""
        line = (node.key_line or node.line) if on_key or node.value is None else (node.line or node.key_line)
        shown = node.shown() if found is None else found
        self.add(node.source, line, address, what, found=shown, allowed=allowed, next_step=next_step)

    def add(
        self, source: Source, line: int, address: str, what: str,
        *, found: str = "", allowed: str = "", next_step: str = "",
    ) -> None:
        """Notes a fault at a line of a source (0: no line)."""
        where = _where(source, line, address)
        fault = RecipeFault(what, where, found, allowed, next_step, address=address, source=source.label, line=line)
        if fault not in self._faults:
            self._faults.append(fault)

    def raise_any(self) -> None:
        """Raises RecipeError with every fault, in the order of their lines, if there is one."""
        if self._faults:
            sources = list(dict.fromkeys(fault.source for fault in self._faults))
            ordered = sorted(self._faults, key=_order(sources))
            raise RecipeError(faults=ordered)


def _order(sources: list[str]) -> Callable[[RecipeFault], tuple[int, int]]:
    return lambda fault: (sources.index(fault.source), fault.line)


def _where(source: Source, line: int, address: str) -> str:
    if source.kind == "set":
        return source.label
    parts = [source.label if source.kind in ("file", "text") else "", f"line {line}" if line else "", address]
    return ", ".join(part for part in parts if part)


def closest(word: str, options: Iterable[str]) -> str:
    """The option most like `word`, or nothing when none is like it."""
    by_lower = {option.lower(): option for option in options}
    like = word.lower().replace("-", "_").replace(" ", "_")
    matches = difflib.get_close_matches(like, by_lower, 1, 0.6) or difflib.get_close_matches(
        word.lower(), by_lower, 1, 0.6
    )
    return by_lower[matches[0]] if matches else ""


def did_you_mean(word: str, options: Iterable[str]) -> str:
    """`did you mean …?`, or nothing."""
    option = closest(word, options)
    return f"did you mean `{option}`?" if option else ""


def listed(options: Iterable[object]) -> str:
    """Allowed values in one line."""
    return ", ".join(f"`{option}`" for option in options)
