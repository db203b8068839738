"""The frozen description of one opened frame, and the contract by which its pixels are read."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from tilepipe.device.exact import Matrix
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
Kind = Literal["mosaic", "colour", "grey"]
Transfer = Literal["linear", "srgb", "gamma", "curve"]
Alpha = Literal["coverage", "ignore"]

CURVE_ENTRIES = 4096
_COVERAGE_FULL = {"uint8": 255.0, "uint16": 65535.0, "float32": 1.0}


@dataclass(frozen=True)
class Exposure:
    """How much light one frame took: shutter time in seconds, f-number, ISO speed, and what had to be assumed."""

    seconds: float
    f_number: float = 1.0
    iso: float = 100.0
    note: str = ""

    @classmethod
    def stated(cls, relative_light: float) -> Exposure:
        """An exposure that the recipe states as relative light, t·ISO/N², without its parts."""
        return cls(relative_light, 1.0, 1.0, "relative light stated by hand")

    @property
    def relative_light(self) -> float:
        """t·ISO/N², in seconds × ISO."""
        return self.seconds * self.iso / (self.f_number * self.f_number)


@dataclass(frozen=True)
class Encoding:
    """What code values mean: the curve to linear light and the colours of the primaries.

    `transfer` maps a code value, scaled to 0..1 (floats: as they are), to linear light: `linear`, `srgb`
    (IEC 61966-2-1), `gamma` (x^gamma) or `curve`: one table per channel (one for grey) of 4096 float64, entry i
    being the linear value at i/4095. `to_xyz_d50` is RGB → XYZ (ICC PCS, D50) row by row, None for camera and grey.
    """

    transfer: Transfer
    space: str
    source: str
    to_xyz_d50: Matrix | None = None
    gamma: float = 1.0
    curve: tuple[tuple[float, ...], ...] = field(default=(), repr=False)

    def facts(self) -> dict[str, Any]:
        """What of this steers the pixels, as plain JSON values; tables by their digest."""
        tables = b"".join(struct.pack(f"<{len(table)}d", *table) for table in self.curve)
        matrix = [list(row) for row in self.to_xyz_d50] if self.to_xyz_d50 else None
        digest = hashlib.blake2b(tables, digest_size=32).hexdigest() if tables else None
        return {"transfer": self.transfer, "gamma": self.gamma, "curve": digest, "to_xyz_d50": matrix}


@dataclass(frozen=True)
class CameraInfo:
    """What a raw file says of its sensor, for the upright picture.

    `black`: the pedestal in code values per position of the 2×2 mosaic, row by row (colour: per channel; grey: one).
    `white`: the code value at which the sensor clips. `cfa_pattern`: e.g. "RGGB", "" when not a mosaic.
    `colour_matrix`: XYZ → camera RGB. `as_shot_neutral`: the camera's multipliers for R, G, B with G = 1.
    """

    black: tuple[float, ...]
    white: int
    cfa_pattern: str
    colour_matrix: Matrix | None
    as_shot_neutral: tuple[float, float, float] | None
    make: str
    model: str
    decoder_version: str
    matrix_source: str = ""


@dataclass(frozen=True)
class FrameInfo:
    """Everything known of a frame before its pixels are used; `shape` is upright.

    `channels` counts colour only (mosaic and grey: 1); coverage, where `has_coverage`, comes after them, and
    `coverage_full` is its value where a pixel is wholly covered. `tiled`: any window costs little more than its own
    pixels; other frames are better brought into a store once, by `decode_all`. `thread_bytes`: the most that a reading
    thread keeps between two reads. `decode_bytes`: the most that `decode_all` holds at once. `timestamp`: the camera's
    clock.
    """

    path: str
    shape: Shape
    kind: Kind
    dtype: str
    channels: int
    has_coverage: bool
    encoding: Encoding
    exposure: Exposure | None
    orientation: int
    camera: CameraInfo | None
    tiled: bool
    timestamp: datetime | None
    bytes_on_disk: int
    facts_for_key: dict[str, Any] = field(hash=False)
    make: str = ""
    model: str = ""
    lens: str = ""
    coverage_full: float = 1.0
    thread_bytes: int = 0
    decode_bytes: int = 0
    notes: tuple[str, ...] = ()

    @property
    def planes(self) -> int:
        """Planes that `read` gives: the channels and, where there is one, the coverage."""
        return self.channels + self.has_coverage

    @property
    def pixel_bytes(self) -> int:
        return self.planes * np.dtype(self.dtype).itemsize


def coverage_full(dtype: str) -> float:
    """The value of a wholly covered pixel for code values of `dtype`."""
    return _COVERAGE_FULL[dtype]


class Frame(Protocol):
    """An opened frame: upright windows in, planar C-contiguous arrays `(planes, height, width)` out."""

    @property
    def info(self) -> FrameInfo: ...

    def read(self, window: Window) -> Array:
        """The raw code values of a window that lies inside the picture, in `info.dtype`."""
        ...

    def decode_all(self, write: Callable[[Window, Array], None], band_px: int | None = None) -> None:
        """Hands the whole picture to `write`, each pixel once, in bands that begin at multiples of `band_px`.

        Bands are rows of the stored picture: they lie across the upright one, or stand in it where it is turned.
        """
        ...

    def close(self) -> None: ...
