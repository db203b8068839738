"""The Exif directory of an invented frame: built as bytes, hung onto a TIFF file that tifffile has written."""

from __future__ import annotations

import os
import struct
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

from tifffile import TiffFile

from tilepipe.demo.scene import FrameSetting

MAKE, MODEL, LENS = "tilepipe", "invented camera", "invented lens"
EXIF_POINTER = 34665
_STAND_IN = 34666  # tifffile keeps the pointer's own number for itself; this one sorts to the same place
# An evening chosen here; frames follow one another by two seconds.
_FIRST_SHOT = datetime(2024, 9, 21, 18, 52, 10)
_ASCII, _SHORT, _RATIONAL, _UNDEFINED = 2, 3, 5, 7


def shot_at(setting: FrameSetting) -> str:
    """When the frame was taken, as Exif writes it."""
    return (_FIRST_SHOT + timedelta(seconds=2 * setting.number)).strftime("%Y:%m:%d %H:%M:%S")


def pointer_tag(big: bool = False) -> tuple[int, str, int, int, bool]:
    """The place-holder to give to tifffile's `extratags`; `append_exif` fills it in. `big` for BigTIFF."""
    return (_STAND_IN, "Q" if big else "I", 1, 0, True)


def append_exif(path: Path, setting: FrameSetting) -> None:
    """Appends the Exif directory (Exif 2.32) to a little-endian TIFF or BigTIFF and points its tag 34665 there."""
    with TiffFile(path) as file:
        big = file.is_bigtiff
        pointer = file.pages[0].aspage().tags[_STAND_IN]
    at = os.path.getsize(path)
    at += at % 2  # directories begin at even places
    with open(path, "r+b") as out:
        out.seek(at)
        out.write(_directory(_entries(setting), at, big))
        out.seek(pointer.offset)
        out.write(struct.pack("<H", EXIF_POINTER))
        out.seek(pointer.valueoffset)
        out.write(struct.pack("<Q" if big else "<I", at))


def _entries(setting: FrameSetting) -> list[tuple[int, int, int, bytes]]:
    clock = shot_at(setting)
    return [
        (33434, _RATIONAL, 1, _ratio(setting.seconds)),
        (33437, _RATIONAL, 1, _ratio(Fraction(setting.f_number))),
        (34855, _SHORT, 1, struct.pack("<H", setting.iso)),
        (36864, _UNDEFINED, 4, b"0232"),
        (36867, _ASCII, len(clock) + 1, clock.encode() + b"\0"),
        (36868, _ASCII, len(clock) + 1, clock.encode() + b"\0"),
        (37386, _RATIONAL, 1, _ratio(Fraction(35))),
        (42036, _ASCII, len(LENS) + 1, LENS.encode() + b"\0"),
    ]


def _ratio(value: Fraction) -> bytes:
    return struct.pack("<II", value.numerator, value.denominator)


def _directory(entries: list[tuple[int, int, int, bytes]], at: int, big: bool) -> bytes:
    """One TIFF directory followed by the values that do not fit into it (TIFF 6.0, section 2; BigTIFF)."""
    count, entry, field = ("<Q", "<HHQ", 8) if big else ("<H", "<HHI", 4)
    room = at + struct.calcsize(count) + len(entries) * (struct.calcsize(entry) + field) + field
    rows, values = b"", b""
    for tag, kind, number, content in entries:
        rows += struct.pack(entry, tag, kind, number)
        if len(content) <= field:
            rows += content.ljust(field, b"\0")
        else:
            rows += struct.pack("<Q" if big else "<I", room + len(values))
            values += content + b"\0" * (len(content) % 2)
    return struct.pack(count, len(entries)) + rows + b"\0" * field + values
