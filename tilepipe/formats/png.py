"""The chunks of a PNG (ISO/IEC 15948, third edition) that say what its pixels are and mean."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

from tilepipe.errors import InputError
from tilepipe.formats import meaning
from tilepipe.formats.blocks import Blocks, damaged
from tilepipe.formats.frame import Encoding
from tilepipe.formats.primaries import REC709, to_xyz_d50
from tilepipe.geometry import Shape

PNG_START = b"\x89PNG\r\n\x1a\n"
_CHANNELS = {0: (1, False), 2: (3, False), 4: (1, True), 6: (3, True)}  # colour type: channels, alpha


def png_blocks(path: str, content: bytes) -> Blocks:
    """Reads the chunks, sees that the end is there, and refuses palettes and transparency by a single colour."""
    chunks: dict[bytes, bytes] = {}
    for name, body in _chunks(content):
        chunks.setdefault(name, body)
    if len(chunks.get(b"IHDR", b"")) != 13 or b"IDAT" not in chunks or b"IEND" not in chunks:
        raise damaged(path, "the file is cut short")
    width, height, bits, colour = struct.unpack_from(">IIBB", chunks[b"IHDR"])
    if not width or not height:
        raise damaged(path, f"{width}×{height} px")
    if colour not in _CHANNELS or bits not in (8, 16):
        raise InputError(
            "this kind of PNG cannot be a frame", path, found="palette" if colour == 3 else f"{bits} bits",
            allowed="RGB or grey, 8 or 16 bits", next_step="convert it to RGB, 8 or 16 bits",
        )
    if b"tRNS" in chunks:
        raise InputError(
            "one colour of this PNG is meant to be transparent", path, found="a tRNS chunk", allowed="an alpha channel",
            next_step="save it with an alpha channel or without transparency",
        )
    channels, has_alpha = _CHANNELS[colour]
    return Blocks(
        "png", Shape(height, width), channels, bits, has_alpha, _profile(path, chunks.get(b"iCCP", b"")),
        chunks.get(b"eXIf", b""), _encoding(path, chunks),
    )


def _chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(PNG_START)
    while at + 12 <= len(content):
        length, name = struct.unpack_from(">I4s", content, at)
        if at + 12 + length > len(content):
            return
        yield name, content[at + 8 : at + 8 + length]
        at += 12 + length


def _profile(path: str, chunk: bytes) -> bytes:
    if not chunk:
        return b""
    try:
        return zlib.decompress(chunk.split(b"\0", 1)[1][1:])
    except (zlib.error, IndexError) as error:
        raise damaged(path, "the embedded profile cannot be unpacked") from error


def _encoding(path: str, chunks: dict[bytes, bytes]) -> Encoding | None:
    """The meaning by the PNG's own chunks, in their order of precedence: cICP, (iCCP,) sRGB, gAMA with cHRM."""
    if b"cICP" in chunks:
        primaries, transfer = chunks[b"cICP"][:2]
        return meaning.code_points(primaries, transfer, path)
    if b"sRGB" in chunks:
        return meaning.srgb("PNG chunk sRGB")
    if len(chunks.get(b"gAMA", b"")) != 4:
        return None
    stored = struct.unpack(">I", chunks[b"gAMA"])[0]
    if stored in (0, 45455):  # 1/2.2: by convention the stand-in for the sRGB curve
        return meaning.srgb("PNG chunk gAMA 1/2.2, taken as sRGB")
    gamma = 100000 / stored
    matrix = to_xyz_d50(REC709)
    if len(chunks.get(b"cHRM", b"")) == 32:
        white, red, green, blue = struct.iter_unpack(">II", chunks[b"cHRM"])
        red, green, blue, white = ((x / 100000, y / 100000) for x, y in (red, green, blue, white))
        matrix = to_xyz_d50((red, green, blue), white)
    return Encoding("linear" if gamma == 1.0 else "gamma", "PNG", f"PNG chunk gAMA {gamma:g}", matrix, gamma)
