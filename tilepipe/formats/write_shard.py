"""Writes one shard of a zarr v3 array band by band, so that a large shard never is in memory as a whole."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
ZSTD_LEVEL = 1  # noise hardly packs: measured, level 3 gives the same size more slowly
_POLYNOMIAL = 0x82F63B78  # CRC-32C, reflected (RFC 3720, appendix B.4)
_EMPTY = (1 << 64) - 1  # the index's word for an inner chunk that is not there


@dataclass(frozen=True)
class ShardForm:
    """Inner chunks of one plane, `rows` × `cols`; `across` of them in a row, `down` in a column, of each of `planes`."""

    planes: int
    down: int
    across: int
    rows: int
    cols: int
    dtype: str


def write_shard(path: Path, form: ShardForm, bands: Iterable[Array]) -> None:
    """Writes a shard (zarr v3, sharding codec 1.0, index at the end) from bands `(planes, rows, cols)`, top to bottom.

    Every band but the last is as high as a whole number of inner chunks; what is missing to the right and below is
    filled with zeros, and inner chunks that lie wholly beyond the picture are left out.
    """
    index = np.full((form.planes, form.down, form.across, 2), _EMPTY, "<u8")
    path.parent.mkdir(parents=True, exist_ok=True)
    at = 0
    with path.open("wb") as file:
        row = 0
        for band in bands:
            for plane, down, across, chunk in _chunks(form, band):
                packed = imagecodecs.zstd_encode(chunk.tobytes(), level=ZSTD_LEVEL)
                index[plane, row + down, across] = at, len(packed)
                at += file.write(packed)
            row += -(-band.shape[1] // form.rows)
        table = index.tobytes()
        file.write(table + struct.pack("<I", crc32c(table)))


def _chunks(form: ShardForm, band: Array) -> Iterator[tuple[int, int, int, Array]]:
    """Plane, row, column and whole pixels of each inner chunk of a band."""
    whole = np.zeros((form.rows, form.cols), np.dtype(form.dtype).newbyteorder("<"))
    for plane, pixels in enumerate(band):
        for y in range(0, pixels.shape[0], form.rows):
            for x in range(0, pixels.shape[1], form.cols):
                part = pixels[y : y + form.rows, x : x + form.cols]
                if part.shape != whole.shape:
                    whole.fill(0)
                whole[: part.shape[0], : part.shape[1]] = part
                yield plane, y // form.rows, x // form.cols, whole


def _table() -> tuple[int, ...]:
    values = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (_POLYNOMIAL if value & 1 else 0)
        values.append(value)
    return tuple(values)


_CRC_TABLE = _table()


def crc32c(content: bytes) -> int:
    """CRC-32C (RFC 3720), byte by byte: a shard's index is a few kilobytes."""
    value = 0xFFFFFFFF
    for byte in content:
        value = value >> 8 ^ _CRC_TABLE[(value ^ byte) & 0xFF]
    return value ^ 0xFFFFFFFF
