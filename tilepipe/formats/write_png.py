"""Writes PNG files of any size in bands of rows that are packed apart and appended in order (PNG, third edition)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import numpy.typing as npt

from tilepipe.errors import StoreError
from tilepipe.formats.write_deflate import band_deflated, joined_adler
from tilepipe.geometry import Shape

Array = npt.NDArray[Any]
SIGNATURE = b"\x89PNG\r\n\x1a\n"
LARGEST_PX = (1 << 31) - 1  # PNG, third edition, 11.2.1
_ZLIB_HEADER = b"\x78\x01"
_SUB = 1  # the filter of every row: each byte less the one a pixel to its left (9.2)


@dataclass(frozen=True)
class PngForm:
    """Size, values per pixel (3, or 4 with coverage as alpha) and bits per value (8 or 16) of a PNG file."""

    shape: Shape
    samples: int
    bits: int

    @property
    def pixel_bytes(self) -> int:
        return self.samples * self.bits // 8

    def header(self) -> bytes:
        kind = 6 if self.samples == 4 else 2
        return struct.pack(">IIBBBBB", self.shape.width, self.shape.height, self.bits, kind, 0, 0, 0)


@dataclass(frozen=True)
class Band:
    """Rows ready to be appended: their part of the deflate stream, and what the stream's checksum needs."""

    packed: bytes
    adler: int
    raw_size: int


def packed_band(form: PngForm, codes: Array, *, last: bool) -> Band:
    """Packs rows of codes, planar `(samples, height, width)` of uint8 or uint16; `last` closes the stream."""
    height, width = codes.shape[1:]
    pixels = np.ascontiguousarray(codes.transpose(1, 2, 0), f">u{form.bits // 8}")
    rows = np.empty((height, 1 + width * form.pixel_bytes), np.uint8)
    rows[:, 0] = _SUB
    differences = imagecodecs.delta_encode(pixels.view(np.uint8).reshape(height, width, form.pixel_bytes), axis=-2)
    rows[:, 1:] = differences.reshape(height, -1)
    return Band(band_deflated(rows.tobytes(), last=last), zlib.adler32(rows.data), rows.nbytes)


class PngFile:
    """A PNG file being written from top to bottom."""

    def __init__(self, file: BinaryIO, form: PngForm, profile: bytes, exif: bytes) -> None:
        self._file, self._adler, self._started = file, 1, False
        file.write(SIGNATURE)
        self._chunk(b"IHDR", form.header())
        self._chunk(b"iCCP", b"ICC profile\0\0" + zlib.compress(profile))
        self._chunk(b"eXIf", exif)

    def put(self, band: Band, *, last: bool) -> None:
        """Appends the next rows; after the last the file is whole."""
        start = b"" if self._started else _ZLIB_HEADER
        self._started = True
        self._adler = joined_adler(self._adler, band.adler, band.raw_size)
        self._chunk(b"IDAT", start + band.packed + (struct.pack(">I", self._adler) if last else b""))
        if last:
            self._chunk(b"IEND", b"")
            self._file.flush()

    def _chunk(self, name: bytes, content: bytes) -> None:
        checksum = zlib.crc32(content, zlib.crc32(name))
        self._file.write(struct.pack(">I", len(content)) + name + content + struct.pack(">I", checksum))


def read_back(path: Path, form: PngForm) -> tuple[dict[bytes, bytes], Iterator[Array]]:
    """What stands before the pixels of a file written here, by chunk name, and its codes in bands from top to bottom.

    Every checksum of the file is compared. Raises StoreError where one differs or the file is cut short.
    """
    chunks = _chunks(path)
    before: dict[bytes, bytes] = {}
    for name, content in chunks:
        if name == b"IDAT":
            return before, _bands(path, form, content, chunks)
        before[name] = content
    raise _damaged(path, "no pixels")


def _chunks(path: Path) -> Iterator[tuple[bytes, bytes]]:
    with path.open("rb") as file:
        if file.read(8) != SIGNATURE:
            raise _damaged(path, "no PNG signature")
        while head := file.read(8):
            size, name = struct.unpack(">I4s", head)
            content, checksum = file.read(size), file.read(4)
            if checksum != struct.pack(">I", zlib.crc32(content, zlib.crc32(name))):
                raise _damaged(path, f"the checksum of a chunk {name.decode('latin-1')}")
            yield name, content


def _bands(path: Path, form: PngForm, first: bytes, chunks: Iterator[tuple[bytes, bytes]]) -> Iterator[Array]:
    unpacker, rows_left = zlib.decompressobj(), form.shape.height
    row_bytes = 1 + form.shape.width * form.pixel_bytes
    content, name = first, b"IDAT"
    while name == b"IDAT":
        rows = np.frombuffer(unpacker.decompress(content), np.uint8).reshape(-1, row_bytes)
        rows_left -= len(rows)
        if (rows[:, 0] != _SUB).any():
            raise _damaged(path, "an unknown filter")
        yield _codes(form, rows)
        name, content = next(chunks, (b"", b""))
    if name != b"IEND" or rows_left or not unpacker.eof:
        raise _damaged(path, f"its end; {rows_left} rows are missing")


def _codes(form: PngForm, rows: Array) -> Array:
    pixels = np.ascontiguousarray(rows[:, 1:]).reshape(len(rows), form.shape.width, form.pixel_bytes)
    whole = np.ascontiguousarray(imagecodecs.delta_decode(pixels, axis=-2))
    codes = whole.view(f">u{form.bits // 8}").astype(f"u{form.bits // 8}")
    return np.ascontiguousarray(codes.transpose(2, 0, 1))


def _damaged(path: Path, found: str) -> StoreError:
    return StoreError(
        "the file that was just written cannot be read back", str(path), found,
        next_step="the disk or its connection may be failing: check it, then run again",
    )


def profile_of(before: dict[bytes, bytes]) -> bytes:
    """The ICC profile among the chunks before the pixels."""
    return zlib.decompress(before[b"iCCP"].split(b"\0\0", 1)[1])
