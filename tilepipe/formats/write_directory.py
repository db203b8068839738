"""Directories of TIFF structures as bytes: tags in order, then the values that do not fit into their fields."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, LONG8 = 1, 2, 3, 4, 5, 7, 16
_CODES = {BYTE: "B", SHORT: "H", LONG: "I", LONG8: "Q"}


@dataclass(frozen=True, order=True)
class Entry:
    """One tag: its number, its type, how many values, and the values as little-endian bytes."""

    tag: int
    kind: int
    count: int
    content: bytes


def numbers(tag: int, kind: int, *values: int) -> Entry:
    """A tag of whole numbers (BYTE, SHORT, LONG, LONG8)."""
    return Entry(tag, kind, len(values), struct.pack(f"<{len(values)}{_CODES[kind]}", *values))


def text(tag: int, value: str) -> Entry:
    """A tag of text, closed by a zero byte; what is not ASCII is written as UTF-8, as readers expect today."""
    content = value.encode("utf-8") + b"\0"
    return Entry(tag, ASCII, len(content), content)


def rationals(tag: int, *values: tuple[int, int]) -> Entry:
    """A tag of fractions of whole numbers, each below 2^32."""
    parts = [part for value in values for part in value]
    return Entry(tag, RATIONAL, len(values), struct.pack(f"<{len(parts)}I", *parts))


def undefined(tag: int, content: bytes) -> Entry:
    """A tag of bytes whose meaning its own standard states."""
    return Entry(tag, UNDEFINED, len(content), content)


def directory_bytes(entries: Iterable[Entry], at: int, *, big: bool) -> bytes:
    """A directory that will stand at the even offset `at` of the file (TIFF 6.0, section 2; BigTIFF where `big`)."""
    ordered = sorted(entries)
    count_code, entry_code, field = ("<Q", "<HHQ", 8) if big else ("<H", "<HHI", 4)
    head = struct.calcsize(count_code) + len(ordered) * (struct.calcsize(entry_code) + field) + field
    rows, values = [struct.pack(count_code, len(ordered))], bytearray()
    for entry in ordered:
        rows.append(struct.pack(entry_code, entry.tag, entry.kind, entry.count))
        if len(entry.content) <= field:
            rows.append(entry.content.ljust(field, b"\0"))
        else:
            rows.append(struct.pack("<Q" if big else "<I", at + head + len(values)))
            values += entry.content + b"\0" * (len(entry.content) % 2)
    return b"".join(rows) + bytes(field) + bytes(values)


def tiff_block(first: Sequence[Entry], pointers: dict[int, Sequence[Entry]]) -> bytes:
    """A classic TIFF structure of one directory and those it points to by LONG tags, as Exif blocks are."""
    start = 8
    with_pointers = [*first, *(numbers(tag, LONG, 0) for tag in pointers)]
    at = start + _even(len(directory_bytes(with_pointers, start, big=False)))
    placed, bodies = list(first), b""
    for tag, entries in pointers.items():
        placed.append(numbers(tag, LONG, at + len(bodies)))
        body = directory_bytes(entries, at + len(bodies), big=False)
        bodies += body.ljust(_even(len(body)), b"\0")
    main = directory_bytes(placed, start, big=False)
    return struct.pack("<2sHI", b"II", 42, start) + main.ljust(at - start, b"\0") + bodies


def _even(size: int) -> int:
    return size + size % 2
