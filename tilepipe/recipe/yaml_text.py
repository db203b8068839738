"""Reads YAML into nodes with lines: data only, no tags, bounded size, depth and repetition."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import AliasEvent, MappingStartEvent, NodeEvent, ScalarEvent, SequenceStartEvent

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.node import Node, Source, joined

MAX_DEPTH = 24  # chosen here: a recipe needs about 8
MAX_NODES = 200_000  # chosen here: a long hand-drawn stroke has some ten thousand numbers
_WHOLE = re.compile(r"[-+]?[0-9]+")
_DECIMAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_WORDS = {"": None, "~": None, "null": None, "true": True, "false": False}


class _Refused(Exception):
    """The text cannot be read further; the fault is noted."""


def read_yaml(text: str, source: Source, faults: FaultList) -> Node:
    """The text as nodes; what is wrong goes to `faults`, an unreadable text gives an empty mapping."""
    try:
        return _Reader(text, source, faults).read()
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = ": ".join(part for part in (error.context, error.problem) if part)
        line = text.splitlines()[mark.line] if mark and mark.line < len(text.splitlines()) else ""
        tab = "\t" in line[: len(line) - len(line.lstrip())]
        faults.add(
            source, mark.line + 1 if mark else 0, "", f"is not readable as YAML: {what}",
            next_step="indent this line with spaces: YAML allows no tabs there" if tab else
            "check the indentation, the colons and the quotes on this line and the one before",
        )
    except YAMLError as error:
        faults.add(source, 0, "", "is not readable as YAML: " + str(error).strip().split("\n")[0])
    except _Refused:
        pass
    return Node({}, source)


class _Reader:
    def __init__(self, text: str, source: Source, faults: FaultList) -> None:
        self._events: Iterator[Any] = iter(YAML(typ="safe", pure=True).parse(text))
        self._source, self._faults = source, faults
        self._anchors: dict[str, tuple[Node, int]] = {}
        self._nodes = 0

    def read(self) -> Node:
        first = self._next_of_node()
        if first is None:
            return Node({}, self._source)
        node = self._node(first, "", 0)
        if (second := self._next_of_node()) is not None:
            self._fault(second, "", "a second document begins here", "keep one recipe in one file")
        return node

    def _next_of_node(self) -> Any:
        """The next event that begins a node; None at the end of the text."""
        return next((event for event in self._events if isinstance(event, NodeEvent)), None)

    def _node(self, event: Any, address: str, depth: int) -> Node:
        if isinstance(event, AliasEvent):
            return self._alias(event, address)
        before = self._nodes
        self._count(event, 1)
        if depth > MAX_DEPTH:
            self._stop(event, f"is nested more than {MAX_DEPTH} deep")
        if event.tag is not None:
            self._fault(event, address, "carries a tag; a recipe is plain data", "leave the tag out", event.tag)
        node = Node(None, self._source, event.start_mark.line + 1)
        end = event
        if isinstance(event, ScalarEvent):
            node.value = self._scalar(event, address)
        elif isinstance(event, SequenceStartEvent):
            node.value, end = self._list(address, depth)
        elif isinstance(event, MappingStartEvent):
            node.value, end = self._mapping(address, depth)
        if isinstance(event, ScalarEvent) or event.flow_style:
            node.span = event.start_mark.index, end.end_mark.index
        if event.anchor is not None:
            self._anchors[event.anchor] = node, self._nodes - before
        return node

    def _alias(self, event: Any, address: str) -> Node:
        if event.anchor not in self._anchors:
            self._fault(event, address, f"refers to `*{event.anchor}`, which is not defined before this place")
            return Node(None, self._source, event.start_mark.line + 1)
        node, size = self._anchors[event.anchor]
        self._count(event, size)
        return node.copied()

    def _list(self, address: str, depth: int) -> tuple[list[Node], Any]:
        items: list[Node] = []
        while isinstance(event := next(self._events), NodeEvent):
            items.append(self._node(event, joined(address, len(items)), depth + 1))
        return items, event

    def _mapping(self, address: str, depth: int) -> tuple[dict[str, Node], Any]:
        entries: dict[str, Node] = {}
        while isinstance(event := next(self._events), NodeEvent):
            key, line = self._key(event, address, depth), event.start_mark.line + 1
            node = self._node(next(self._events), joined(address, key), depth + 1)
            if key in entries:
                self._fault(event, joined(address, key), f"is written twice, first on line {entries[key].key_line}")
            elif key:
                key_span = event.start_mark.index, event.end_mark.index
                entries[key] = Node(node.value, node.source, node.line, line, node.span, key_span)
        return entries, event

    def _key(self, event: Any, address: str, depth: int) -> str:
        if isinstance(event, ScalarEvent) and event.value:
            return str(event.value)
        self._fault(event, address, "has a key that is not a word")
        self._node(event, address, depth + 1)
        return ""

    def _scalar(self, event: Any, address: str) -> Any:
        text = str(event.value)
        if event.style is not None:
            return text
        if text.lower() in _WORDS:
            return _WORDS[text.lower()]
        if _WHOLE.fullmatch(text) and len(text) < 20:
            return int(text)
        if _NOT_FINITE.fullmatch(text) or (_DECIMAL.fullmatch(text) and not math.isfinite(float(text))):
            self._fault(event, address, "is not a finite number", found=text)
            return 0.0
        return float(text) if _DECIMAL.fullmatch(text) else text

    def _count(self, event: Any, nodes: int) -> None:
        self._nodes += nodes
        if self._nodes > MAX_NODES:
            self._stop(event, f"holds more than {MAX_NODES:,} values (repeated ones counted each time)")

    def _fault(self, event: Any, address: str, what: str, next_step: str = "", found: str = "") -> None:
        line = event.start_mark.line + 1
        self._faults.add(self._source, line, address, what, found=str(found), next_step=next_step)

    def _stop(self, event: Any, what: str) -> None:
        self._fault(event, "", what)
        raise _Refused
