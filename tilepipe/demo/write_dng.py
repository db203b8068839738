"""Writes an invented frame as a raw DNG file: a Bayer mosaic with levels, colour matrix, neutral and Exif."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from tifffile import TiffWriter

from tilepipe.demo import camera
from tilepipe.demo.exif_block import MAKE, MODEL, append_exif, pointer_tag, shot_at
from tilepipe.demo.scene import FrameSetting
from tilepipe.demo.tiles import in_order
from tilepipe.geometry import Grid, Shape

_TILE_PX = 512
_CFA = 32803
_D65 = 21  # Exif LightSource


def write_dng(path: Path, shape: Shape, setting: FrameSetting, *, orientation: int = 1) -> Path:
    """Exposes the frame and writes it; `shape` is the sensor's. Needs 2 bytes of memory a pixel."""
    mosaic = np.empty((shape.height, shape.width), np.uint16)
    grid = Grid(shape, _TILE_PX, _TILE_PX)
    for window, pixels in in_order(grid, lambda window: camera.shoot_mosaic(window, shape, setting)):
        mosaic[window.rows, window.cols] = pixels
    return write_mosaic(path, mosaic, setting, orientation=orientation)


def write_mosaic(path: Path, mosaic: npt.NDArray[np.uint16], setting: FrameSetting, *, orientation: int = 1) -> Path:
    """Writes code values (h, w) uint16 as DNG 1.4 (Adobe, DNG Specification 1.4.0.0, chapter 4), uncompressed."""
    with TiffWriter(path, byteorder="<") as file:
        file.write(
            mosaic, photometric=_CFA, compression=None, rowsperstrip=64, metadata=None, software="tilepipe",
            subfiletype=0, extratags=_tags(setting, orientation),
        )
    append_exif(path, setting)
    return path


def _tags(setting: FrameSetting, orientation: int) -> list[tuple[int, Any, int, Any, bool]]:
    matrix = [part for row in camera.XYZ_TO_CAMERA for value in row for part in (round(value * 10000), 10000)]
    neutral = [part for value in camera.neutral() for part in (round(value * 1000000), 1000000)]
    return [
        (271, "s", 0, MAKE, True),
        (272, "s", 0, MODEL, True),
        (274, "H", 1, orientation, True),
        (306, "s", 0, shot_at(setting), True),
        (33421, "H", 2, (2, 2), True),  # the colour filters repeat every 2×2 pixels …
        (33422, "B", 4, bytes("RGB".index(letter) for letter in camera.PATTERN), True),
        pointer_tag(),
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),
        (50707, "B", 4, bytes((1, 1, 0, 0)), True),
        (50708, "s", 0, f"{MAKE} {MODEL}", True),
        (50710, "B", 3, bytes((0, 1, 2)), True),  # … red, green, blue
        (50711, "H", 1, 1, True),
        (50713, "H", 2, (1, 1), True),
        (50714, "H", 1, camera.BLACK_LEVEL, True),
        (50717, "H", 1, camera.WHITE_LEVEL, True),
        (50721, "2i", 9, matrix, True),
        (50728, "2I", 3, neutral, True),
        (50778, "H", 1, _D65, True),
    ]
