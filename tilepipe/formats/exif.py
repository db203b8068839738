"""Tags of TIFF directories and Exif blocks, and what they say of a shot: exposure, clock, orientation, camera."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime, timedelta
from mmap import ACCESS_READ, mmap
from typing import Any

from tilepipe.device import exact
from tilepipe.formats.frame import Exposure

Tags = dict[int, Any]
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_CODES = {3: "H", 4: "I", 5: "I", 6: "b", 8: "h", 9: "i", 10: "i", 11: "f", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_LONGEST_VALUE = 1 << 20
_EXIF, _INTEROPERABILITY, _SUB_DIRECTORIES = 34665, 40965, 330


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
    order, big, start = _header(data)
    tags = _directory(data, start, order, big)
    for pointer in (_EXIF, _INTEROPERABILITY):
        at = tags.get(pointer)
        if isinstance(at, tuple) and at:
            tags = _directory(data, int(at[0]), order, big) | tags
    return tags


def read_directories(data: bytes | mmap) -> list[Tags]:
    """The tags of the first directory of a TIFF structure and of each of its sub-directories."""
    order, big, start = _header(data)
    first = _directory(data, start, order, big)
    inner = first.get(_SUB_DIRECTORIES, ())
    return [first, *(_directory(data, int(at), order, big) for at in inner if isinstance(at, int))]


def read_file(path: str) -> Tags:
    """The tags of a file that is a TIFF structure from its first byte, as TIFF and most raw files are."""
    with open(path, "rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as content:
        return read_tags(content)


def shot_facts(tags: Tags) -> Shot:
    """What the tags say of the shot (Exif 2.32, CIPA DC-008)."""
    orientation = int(_number(tags, 274) or 1)
    return Shot(
        exposure=_exposure(tags),
        orientation=orientation if 1 <= orientation <= 8 else 1,
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
    seconds = _positive(tags, 33434) or _from_apex(tags, 37377, -1.0)
    if seconds is None:
        return None
    f_number, iso = _positive(tags, 33437) or _from_apex(tags, 37378, 0.5), _iso(tags)
    missing = [text for value, text in ((f_number, "f-number (taken as 1)"), (iso, "ISO (taken as 100)")) if not value]
    note = f"the file states no {' and no '.join(missing)}" if missing else ""
    return Exposure(seconds, f_number or 1.0, iso or 100.0, note)


def _positive(tags: Tags, code: int) -> float | None:
    value = _number(tags, code)
    return value if value and value > 0.0 else None


def _from_apex(tags: Tags, code: int, factor: float) -> float | None:
    """2^(factor · value) for the APEX tags: shutter time 2^−Tv, f-number 2^(Av/2) (Exif 2.32, annex C).

    Zero is left out: it is what files hold that do not know.
    """
    value = _number(tags, code)
    return exact.exp2(factor * value) if value and abs(value) < 32.0 else None


def _iso(tags: Tags) -> float | None:
    iso = _number(tags, 34855)
    if iso not in (None, 0.0, 65535.0):
        return iso
    # 65535 means "does not fit": the speed is then in a 32-bit tag (Exif 2.32, PhotographicSensitivity).
    return _number(tags, 34867) or _number(tags, 34866) or _number(tags, 34865)


def _timestamp(tags: Tags) -> datetime | None:
    for clock, fraction in ((36867, 37521), (36868, 37522)):
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


def _header(data: bytes | mmap) -> tuple[str, bool, int]:
    """Byte order, whether it is a BigTIFF, and where the first directory starts (0: no TIFF structure)."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(data[:2]))
    if order is None or len(data) < 16:
        return "<", False, 0
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    return order, big, struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]


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
