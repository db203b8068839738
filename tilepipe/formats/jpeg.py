"""The segments of a JPEG (ITU-T T.81) that say what its pixels are and mean."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from tilepipe.errors import InputError
from tilepipe.formats.blocks import Blocks, damaged
from tilepipe.geometry import Shape

_FRAME_HEADERS = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})  # start-of-frame markers (T.81, table B.1)


def jpeg_blocks(path: str, content: bytes) -> Blocks:
    """Reads the segments of a JPEG (ITU-T T.81) up to its pixels, and sees that its end is there."""
    header, complete, tags = (0, 0, 0, 0), False, b""
    profile_parts: dict[int, bytes] = {}
    for marker, at, body in _segments(content):
        if marker == 0xE1 and body.startswith(b"Exif\0\0"):
            tags = tags or body[6:]
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            profile_parts[body[12]] = body[14:]
        elif marker in _FRAME_HEADERS and len(body) >= 6:
            header = struct.unpack_from(">BHHB", body)
        elif marker == 0xDA:
            complete = content.find(b"\xff\xd9", at) > 0
    bits, height, width, channels = header
    if not complete or not height or not width:
        raise damaged(path, "the file is cut short")
    _refuse_unusable(path, channels, bits)
    profile = b"".join(profile_parts[index] for index in sorted(profile_parts))
    return Blocks("jpeg", Shape(height, width), channels, bits, profile=profile, exif=tags)


def _segments(content: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Marker, position and content of each segment up to the first scan."""
    at = 2
    while at + 4 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        length = struct.unpack_from(">H", content, at + 2)[0]
        yield marker, at, content[at + 4 : at + 2 + length]
        if marker == 0xDA:
            return
        at += 2 + length


def _refuse_unusable(path: str, channels: int, bits: int) -> None:
    if channels not in (1, 3) or bits != 8:
        raise InputError(
            "this kind of JPEG cannot be a frame", path, allowed="RGB or grey, 8 bits",
            found="CMYK" if channels == 4 else f"{channels} channels of {bits} bits",
            next_step="convert it to RGB, 8 or 16 bits",
        )
