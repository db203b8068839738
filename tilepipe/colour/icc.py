"""Writes ICC profiles (version 4, matrix and parametric curves) for the spaces of deliverables."""

from __future__ import annotations

import functools
import math
import struct

from tilepipe.colour.encode import CURVES, Curve
from tilepipe.colour.spaces import Space, rgb_to_pcs
from tilepipe.colour.white import PCS, adaptation, xyz_of

_LICENCE = "No copyright, use freely"
_DATE = (2024, 1, 1, 0, 0, 0)  # fixed, so that a profile's bytes never change
_LINEAR = Curve(0.0, 1.0, 1.0, 1.0)


@functools.cache
def profile(space: Space, linear: bool = False) -> bytes:
    """A display profile as in ICC.1:2022 (4.4), byte for byte the same every time; `linear`: for light not encoded.

    Colorants adapted to the D50 of the connection space by Bradford (`chad`), curves as parametric function 3 or 0.
    """
    title = f"{space.title}, linear" if linear else space.title
    colorants = rgb_to_pcs(space)
    curve = _curve(_LINEAR if linear else CURVES[space.curve])
    chad = adaptation(xyz_of(space.white), PCS, "bradford")
    content = [
        (b"desc", _text(title)), (b"cprt", _text(_LICENCE)), (b"wtpt", _xyz(PCS)),
        (b"chad", b"sf32\0\0\0\0" + b"".join(_fixed(value) for row in chad for value in row)),
        *((name, _xyz((colorants[0][k], colorants[1][k], colorants[2][k])))
          for k, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))),
        (b"rTRC", curve), (b"gTRC", curve), (b"bTRC", curve),
    ]
    return _assembled(content)


def _assembled(content: list[tuple[bytes, bytes]]) -> bytes:
    """Header, tag table and elements; equal elements are stored once (ICC.1:2022, 7.3)."""
    at: dict[bytes, int] = {}
    start = 128 + 4 + 12 * len(content)
    body = b""
    for _, element in content:
        if element not in at:
            at[element] = start + len(body)
            body += element + b"\0" * (-len(element) % 4)
    table = struct.pack(">I", len(content))
    table += b"".join(struct.pack(">4sII", name, at[element], len(element)) for name, element in content)
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sI4sI8sI12s4s", start + len(body), b"\0" * 4, 0x04400000, b"mntr", b"RGB ", b"XYZ ", *_DATE,
        b"acsp", b"\0" * 4, 0, b"\0" * 4, 0, b"\0" * 8, 0, b"".join(_fixed(value) for value in PCS), b"\0" * 4,
    )
    return header + b"\0" * (128 - len(header)) + table + body


def _fixed(value: float) -> bytes:
    """s15Fixed16: whole 1/65536, the nearest."""
    return struct.pack(">i", math.floor(value * 65536.0 + 0.5))


def _xyz(value: tuple[float, float, float]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_fixed(one) for one in value)


def _text(text: str) -> bytes:
    written = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(written), 28) + written


def _curve(curve: Curve) -> bytes:
    """Code → light as parametric function type 3: (a·x + b)^g from d on, c·x below (ICC.1:2022, 10.18)."""
    if curve.exponent == 1.0:
        return b"para\0\0\0\0" + struct.pack(">HH", 0, 0) + _fixed(1.0)
    numbers = (
        1.0 / curve.exponent, 1.0 / curve.scale, (curve.scale - 1.0) / curve.scale, 1.0 / curve.slope,
        curve.slope * curve.limit,
    )
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + b"".join(_fixed(number) for number in numbers)
