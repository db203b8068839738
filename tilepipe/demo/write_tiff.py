"""Writes an invented frame of any size as a tiled BigTIFF of linear 16-bit colour, streamed tile by tile."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from tifffile import TiffWriter

from tilepipe.demo import camera
from tilepipe.demo.exif_block import MAKE, MODEL, append_exif, pointer_tag, shot_at
from tilepipe.demo.scene import FrameSetting
from tilepipe.demo.tiles import in_order
from tilepipe.device.exact import Matrix
from tilepipe.formats.primaries import PCS_WHITE, REC2020, to_xyz_d50
from tilepipe.geometry import Grid, Shape

TILE_PX = 512


def write_tiff(path: Path, shape: Shape, setting: FrameSetting, *, orientation: int = 1) -> Path:
    """Exposes the frame and writes it, uncompressed, with coverage as alpha where it is ragged; memory: a few tiles."""
    channels = 4 if setting.options.ragged else 3
    extras: dict[str, Any] = {"extrasamples": ["unassalpha"]} if channels == 4 else {}
    with TiffWriter(path, bigtiff=True, byteorder="<") as file:
        file.write(
            _tiles(shape, setting, channels), shape=(shape.height, shape.width, channels), dtype=np.uint16,
            tile=(TILE_PX, TILE_PX), photometric="rgb", planarconfig="contig", compression=None, metadata=None,
            iccprofile=linear_profile(), software="tilepipe", extratags=_tags(setting, orientation), **extras,
        )
    append_exif(path, setting)
    return path


def _tiles(shape: Shape, setting: FrameSetting, channels: int) -> Iterator[npt.NDArray[np.uint16]]:
    for window, pixels in in_order(Grid(shape, TILE_PX, TILE_PX), lambda one: camera.shoot_coded(one, shape, setting)):
        tile = np.zeros((TILE_PX, TILE_PX, channels), np.uint16)
        tile[: window.height, : window.width] = pixels
        yield tile


def _tags(setting: FrameSetting, orientation: int) -> list[tuple[int, Any, int, Any, bool]]:
    return [
        (271, "s", 0, MAKE, True), (272, "s", 0, MODEL, True), (274, "H", 1, orientation, True),
        (306, "s", 0, shot_at(setting), True), pointer_tag(big=True),
    ]


def linear_profile() -> bytes:
    """A version 4 ICC profile of linear light in the primaries of Rec.2020 (ICC.1:2022, 7.2 and 9.2)."""
    matrix = to_xyz_d50(REC2020)
    straight = b"para" + struct.pack(">IHHi", 0, 0, 0, 65536)
    tags = {
        b"desc": _text("Linear Rec.2020"), b"cprt": _text("No copyright"), b"wtpt": _xyz(PCS_WHITE),
        b"rXYZ": _column(matrix, 0), b"gXYZ": _column(matrix, 1), b"bXYZ": _column(matrix, 2),
        b"rTRC": straight, b"gTRC": straight, b"bTRC": straight,
    }
    at, table, body = 132 + 12 * len(tags), b"", b""
    for name, content in tags.items():
        table += struct.pack(">4sII", name, at + len(body), len(content))
        body += content + b"\0" * (-len(content) % 4)
    size = at + len(body)
    kinds, made = (b"\0\0\0\0", 0x04400000, b"mntr", b"RGB ", b"XYZ "), (2024, 9, 21, 0, 0, 0)
    header = struct.pack(">I4sI4s4s4s6H4s", size, *kinds, *made, b"acsp")
    header = header.ljust(68, b"\0") + struct.pack(">3i", *(round(value * 65536) for value in PCS_WHITE))
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def _text(text: str) -> bytes:
    encoded = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">IIIHHII", 0, 1, 12, 0x656E, 0x5553, len(encoded), 28) + encoded


def _column(matrix: Matrix, k: int) -> bytes:
    return _xyz((matrix[0][k], matrix[1][k], matrix[2][k]))


def _xyz(value: tuple[float, float, float]) -> bytes:
    return b"XYZ " + struct.pack(">I3i", 0, *(round(part * 65536) for part in value))
