"""Values of a recipe with the place where each was written: file and line, `--set` text, or code."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

SHOWN_CHARACTERS = 80


@dataclass(frozen=True)
class Source:
    """What values were read from; `folder` is what relative file names in it are relative to."""

    label: str
    folder: Path
    kind: Literal["file", "text", "set", "code", "default"] = "text"


@dataclass
class Node:
    """A scalar, a list of nodes or a mapping of nodes, with its line (1 = first, 0 = none) and its key's line.

    `span` is where its text begins and ends in the source, for scalars and for lists and mappings in brackets;
    `key_span` is where its key does.
    """

    value: Any
    source: Source = field(repr=False)
    line: int = 0
    key_line: int = 0
    span: tuple[int, int] | None = None
    key_span: tuple[int, int] | None = None

    @property
    def is_mapping(self) -> bool:
        return isinstance(self.value, dict)

    @property
    def is_list(self) -> bool:
        return isinstance(self.value, list)

    @property
    def mapping(self) -> dict[str, Node]:
        """The entries of a mapping; none of anything else."""
        return self.value if isinstance(self.value, dict) else {}

    @property
    def items(self) -> list[Node]:
        """The entries of a list; none of anything else."""
        return self.value if isinstance(self.value, list) else []

    def copied(self) -> Node:
        """The same values and lines in nodes of their own, without spans."""
        value = self.value
        if isinstance(value, dict):
            value = {key: node.copied() for key, node in value.items()}
        elif isinstance(value, list):
            value = [node.copied() for node in value]
        return Node(value, self.source, self.line, self.key_line)

    def plain(self) -> Any:
        """The value without its places."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        return [node.plain() for node in self.value] if isinstance(self.value, list) else self.value

    def origin(self) -> str:
        """Where the value came from, in one short text for receipts."""
        line = self.key_line or self.line
        return f"{self.source.label}:{line}" if line and self.source.kind in ("file", "text") else self.source.label

    def shown(self) -> str:
        """The value as a person would write it, cut to a line."""
        value = self.plain()
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        text = text.replace("\n", " ")
        return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


def node_of(value: Any, source: Source) -> Node:
    """Plain Python values (mappings, sequences, scalars) as nodes; TypeError for anything else."""
    if isinstance(value, Mapping):
        return Node({str(key): node_of(item, source) for key, item in value.items()}, source)
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return Node([node_of(item, source) for item in value], source)
    if value is None or isinstance(value, str | bool | int | float):
        return Node(value, source)
    raise TypeError(f"a recipe has no place for a {type(value).__name__}")


def joined(address: str, part: str | int) -> str:
    """The address of an entry: `steps[3]`, `steps[3].local_contrast`."""
    if isinstance(part, int):
        return f"{address}[{part}]"
    return f"{address}.{part}" if address else part
