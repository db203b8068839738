"""Writes JPEG files: the picture coded by libjpeg, its profile and Exif block put before it (JFIF, ICC.1, Exif)."""

from __future__ import annotations

import struct
from typing import Any

import imagecodecs
import numpy.typing as npt

LARGEST_PX = 65535  # ITU-T T.81, B.2.2: sizes are 16-bit numbers
_FINE_QUALITY = 90  # chosen here: from here on colour keeps its full resolution
_START, _JFIF, _APP1, _APP2 = b"\xff\xd8", b"\xff\xe0", 0xE1, 0xE2
_PROFILE, _EXIF = b"ICC_PROFILE\0", b"Exif\0\0"
_PART_BYTES = 65519  # ICC.1:2022, annex B.4: what of a profile fits into one segment


def encoded(pixels: npt.NDArray[Any], quality: int, profile: bytes, exif: bytes) -> bytes:
    """A JPEG file of uint8 pixels `(height, width, 3)`; quality 1 to 100."""
    subsampling = "444" if quality >= _FINE_QUALITY else "420"
    body = bytes(imagecodecs.jpeg8_encode(pixels, level=quality, subsampling=subsampling, optimize=True))
    at = len(_START)
    if body[at : at + 2] == _JFIF:
        at += 2 + struct.unpack_from(">H", body, at + 2)[0]
    return body[:at] + _segment(_APP1, _EXIF + exif) + _profile_segments(profile) + body[at:]


def decoded(content: bytes) -> npt.NDArray[Any]:
    """The pixels of a JPEG file, uint8 `(height, width, 3)`."""
    pixels: npt.NDArray[Any] = imagecodecs.jpeg8_decode(content)
    return pixels


def _segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def _profile_segments(profile: bytes) -> bytes:
    parts = [profile[at : at + _PART_BYTES] for at in range(0, len(profile), _PART_BYTES)]
    return b"".join(
        _segment(_APP2, _PROFILE + bytes((number, len(parts))) + part) for number, part in enumerate(parts, 1)
    )
