"""Tags of TIFF directories and Exif blocks, and what they say of a shot: exposure, clock, orientation, camera."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime, timedelta
from mmap import ACCESS_READ, mmap
from typing import Any

from tilepipe.formats.frame import Exposure

Tags = dict[int, Any]
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_CODES = {3: "H", 4: "I", 5: "I", 6: "b", 8: "h", 9: "i", 10: "i", 11: "f", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_LONGEST_VALUE = 1 << 20
_EXIF, _INTEROPERABILITY = 34665, 40965


@dataclass(frozen=True)
class Shot:
    """What a file's tags say of the moment it was taken; empty or None where they say nothing."""

    exposure: Exposure | None = None
    orientation: int = 1
    timestamp: datetime | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    colour_space: str = ""


def read_tags(data: bytes | mmap) -> Tags:
    """All tags of the first directory of a TIFF structure with those of its Exif and interoperability directories.

    Values are str, bytes, or tuples of numbers; a rational is a pair `(numerator, denominator)`. Damaged entries are
    left out; data that is no TIFF structure gives no tags.
    """
    order = {b"II": "<", b"MM": ">"}.get(bytes(data[:2]))
    if order is None or len(data) < 16:
        return {}
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    start = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    tags = _directory(data, start, order, big)
    for pointer in (_EXIF, _INTEROPERABILITY):
        at = tags.get(pointer)
        if isinstance(at, tuple) and at:
            tags = _directory(data, int(at[0]), order, big) | tags
    return tags


def read_file(path: str) -> Tags:
    """The tags of a file that is a TIFF structure from its first byte, as TIFF and most raw files are."""
    with open(path, "rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as content:
        return read_tags(content)


def shot_facts(tags: Tags) -> Shot:
    """What the tags say of the shot (Exif 2.32, CIPA DC-008)."""
    orientation = _number(tags, 274)
    return Shot(
        exposure=_exposure(tags),
        orientation=int(orientation) if orientation in range(1, 9) else 1,
        timestamp=_timestamp(tags),
        make=_text(tags, 271), model=_text(tags, 272), lens=_lens(tags),
        colour_space=_colour_space(tags),
    )


def as_float(value: Any) -> float:
    """A tag's number; a rational is divided, one over zero is 0."""
    if isinstance(value, tuple):
        return value[0] / value[1] if value[1] else 0.0
    return float(value)


def _exposure(tags: Tags) -> Exposure | None:
    seconds = _number(tags, 33434)
    if not seconds or seconds <= 0.0:
        return None
    f_number, iso = _number(tags, 33437), _iso(tags)
    missing = [text for value, text in ((f_number, "f-number (taken as 1)"), (iso, "ISO (taken as 100)")) if not value]
    note = f"the file states no {' and no '.join(missing)}" if missing else ""
    return Exposure(seconds, f_number or 1.0, iso or 100.0, note)


def _iso(tags: Tags) -> float | None:
    iso = _number(tags, 34855)
    # 65535 means "does not fit": the speed is then in one of the 32-bit tags (Exif 2.32, 4.6.5, PhotographicSensitivity).
    return (_number(tags, 34867) or _number(tags, 34866) or _number(tags, 34865)) if iso in (None, 0.0, 65535.0) else iso


def _timestamp(tags: Tags) -> datetime | None:
    for clock, fraction in ((36867, 37521), (36868, 37522), (306, 37520)):
        try:
            moment = datetime.strptime(_text(tags, clock)[:19], "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        digits = _text(tags, fraction).strip()
        return moment + timedelta(microseconds=int(digits[:6].ljust(6, "0"))) if digits.isdigit() else moment
    return None


def _lens(tags: Tags) -> str:
    focal = _number(tags, 37386)
    return " ".join(part for part in (_text(tags, 42036), f"{focal:g} mm" if focal else "") if part)


def _colour_space(tags: Tags) -> str:
    if _text(tags, 1) == "R03":
        return "R03"
    return "sRGB" if _number(tags, 40961) == 1.0 else ""


def _text(tags: Tags, code: int) -> str:
    value = tags.get(code)
    return value.strip() if isinstance(value, str) else ""


def _number(tags: Tags, code: int) -> float | None:
    value = tags.get(code)
    return as_float(value[0]) if isinstance(value, tuple) and value else None


def _directory(data: bytes | mmap, start: int, order: str, big: bool) -> Tags:
    count_code, entry_bytes, head = ("Q", 20, 8) if big else ("H", 12, 2)
    if not 0 < start <= len(data) - head:
        return {}
    count = struct.unpack_from(order + count_code, data, start)[0]
    tags: Tags = {}
    for at in range(start + head, start + head + min(count, 4096) * entry_bytes, entry_bytes):
        if at + entry_bytes > len(data):
            break
        code, kind = struct.unpack_from(order + "HH", data, at)
        value = _value(data, at + 4, kind, order, big)
        if value is not None:
            tags[code] = value
    return tags


def _value(data: bytes | mmap, at: int, kind: int, order: str, big: bool) -> Any:
    count = struct.unpack_from(order + ("Q" if big else "I"), data, at)[0]
    size, at, room = count * _SIZES.get(kind, 0), at + (8 if big else 4), 8 if big else 4
    if size > room:
        at = struct.unpack_from(order + ("Q" if big else "I"), data, at)[0]
    if not 0 < size <= _LONGEST_VALUE or at + size > len(data):
        return None
    content = bytes(data[at : at + size])
    if kind == 2:
        return content.split(b"\0")[0].decode("utf-8", "replace")
    if kind in (1, 7):
        return content if kind == 7 or count > 4 else tuple(content)
    numbers = struct.unpack(f"{order}{size // struct.calcsize(_CODES[kind])}{_CODES[kind]}", content)
    return tuple(zip(numbers[::2], numbers[1::2], strict=True)) if kind in (5, 10) else numbers
