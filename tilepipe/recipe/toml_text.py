"""Reads TOML into nodes with lines: the standard library reads the values, a scanner beside it finds their lines."""

from __future__ import annotations

import bisect
import math
import re
import tomllib
from typing import Any

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.node import Node, Source, joined

Path = tuple[str | int, ...]
_AT_LINE = re.compile(r"^(.*) \(at (?:line (\d+), column \d+|end of document)\)$", re.DOTALL)
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACES = re.compile(r"[ \t]*")
_KEY = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'|[A-Za-z0-9_-]+')
_TEXT = re.compile(r'"""(?:[^\\]|\\.)*?"""+|\'\'\'.*?\'\'\'+|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_BARE = re.compile(r"[^,\]}#\n]*")


def read_toml(text: str, source: Source, faults: FaultList) -> Node:
    """The text as nodes; what is wrong goes to `faults`, an unreadable text gives an empty mapping."""
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        match = _AT_LINE.match(str(error))
        what, line = (match[1], int(match[2] or text.count("\n") + 1)) if match else (str(error), 0)
        faults.add(source, line, "", f"is not readable as TOML: {what[:1].lower()}{what[1:]}")
        return Node({}, source)
    return _placed(values, (), "", _Scanner(text).lines(), Node(None, source, 1, 1), faults)


def _placed(value: Any, path: Path, address: str, lines: dict[Path, int], above: Node, faults: FaultList) -> Node:
    line = lines.get(path, above.line)
    node = Node(None, above.source, line, line)
    if isinstance(value, dict):
        node.value = {
            key: _placed(item, (*path, key), joined(address, key), lines, node, faults) for key, item in value.items()
        }
    elif isinstance(value, list):
        node.value = [
            _placed(item, (*path, index), joined(address, index), lines, node, faults)
            for index, item in enumerate(value)
        ]
    elif isinstance(value, float) and not math.isfinite(value):
        node.value = 0.0
        faults.at(node, address, "is not a finite number", found=str(value))
    elif isinstance(value, str | bool | int | float):
        node.value = value
    else:
        node.value = str(value)
        faults.at(node, address, "is a date or a time; a recipe has no use for one")
    return node


class _Scanner:
    """Walks a text that is known to be valid TOML and notes the line of every key and list entry."""

    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._breaks = [index for index, character in enumerate(self._text) if character == "\n"]
        self._at = 0
        self._lines: dict[Path, int] = {}
        self._tables: dict[Path, int] = {}

    def lines(self) -> dict[Path, int]:
        head: Path = ()
        before = -1
        while before < self._skip(_BLANK) < len(self._text):  # standing still would mean text beyond this scanner
            before = self._at
            if self._take("[["):
                head = self._table(self._key(), repeated=True)
                self._take("]]")
            elif self._take("["):
                head = self._table(self._key(), repeated=False)
                self._take("]")
            else:
                self._entry(head)
        return self._lines

    def _skip(self, pattern: re.Pattern[str]) -> int:
        match = pattern.match(self._text, self._at)
        self._at = match.end() if match else self._at
        return self._at

    def _take(self, token: str) -> bool:
        if not self._text.startswith(token, self._at):
            return False
        self._at += len(token)
        return True

    def _note(self, path: Path) -> None:
        self._lines.setdefault(path, bisect.bisect_left(self._breaks, self._at) + 1)

    def _key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(_SPACES)
            start = self._at
            parts.append(_unquoted(self._text[start : self._skip(_KEY)]))
            self._skip(_SPACES)
            if not self._take("."):
                return parts

    def _table(self, key: list[str], repeated: bool) -> Path:
        path: Path = ()
        for index, part in enumerate(key):
            path = (*path, part)
            if repeated and index == len(key) - 1:
                self._tables[path] = self._tables.get(path, -1) + 1
            self._note(path)
            if path in self._tables:
                path = (*path, self._tables[path])
                self._note(path)
        return path

    def _entry(self, head: Path) -> None:
        path = head
        for part in self._key():
            path = (*path, part)
            self._note(path)
        self._take("=")
        self._skip(_SPACES)
        self._value(path)

    def _value(self, path: Path) -> None:
        if self._take("["):
            index = 0
            while self._skip(_BLANK) < len(self._text) and not self._take("]"):
                self._note((*path, index))
                self._value((*path, index))
                self._skip(_BLANK)
                self._take(",")
                index += 1
        elif self._take("{"):
            while self._skip(_BLANK) < len(self._text) and not self._take("}"):
                self._entry(path)
                self._skip(_BLANK)
                self._take(",")
        else:
            self._skip(_TEXT)
            self._skip(_BARE)


def _unquoted(key: str) -> str:
    if key[:1] not in "\"'":
        return key
    return str(next(iter(tomllib.loads(f"{key} = 1"))))
