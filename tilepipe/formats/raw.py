"""Opens camera raw files: LibRaw unpacks them, nothing is scaled, and what they say of themselves is checked."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import rawpy

from tilepipe.device import exact
from tilepipe.device.exact import Matrix, Vector
from tilepipe.errors import InputError
from tilepipe.formats import exif, meaning
from tilepipe.formats.dng import DngColour, dng_colour
from tilepipe.formats.frame import CameraInfo, Encoding, Exposure, FrameInfo, Kind
from tilepipe.formats.rawlevels import refuse_wrong_levels, refuse_wrong_pixels
from tilepipe.formats.source import UprightFrame, decode_bytes, whole_frame
from tilepipe.formats.upright import upright_cell, upright_shape
from tilepipe.geometry import Shape

Array = npt.NDArray[Any]
_ORIENTATIONS = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}  # LibRaw's flip → Exif orientation
_DECODER = "LibRaw " + ".".join(str(part) for part in rawpy.libraw_version)
# LibRaw's own way for sensors that are no 2×2 mosaic: raw numbers, pedestal kept (user_black), nothing scaled or cut.
_UNSCALED: dict[str, Any] = {
    "no_auto_scale": True, "no_auto_bright": True, "gamma": (1, 1), "output_bps": 16, "user_flip": 0,
    "user_wb": [1.0, 1.0, 1.0, 1.0], "user_black": 0, "user_cblack": [0, 0, 0, 0], "adjust_maximum_thr": 0.0,
    "output_color": rawpy.ColorSpace.raw,
}


@dataclass(frozen=True)
class _Sensor:
    """What LibRaw says of the stored picture: its cell of colour letters and of black levels, row by row."""

    stored: Shape
    orientation: int
    kind: Kind
    cell: str
    black: tuple[float, ...]
    white: int
    matrix: Matrix | None
    neutral: Vector | None
    shot: exif.Shot

    @property
    def demosaiced(self) -> bool:
        return self.kind == "colour" and len(self.cell) > 3


def open_raw(
    path: str, *, encoding: Encoding | str | None = None, exposure: Exposure | None = None,
    colour_matrix: Matrix | None = None, check: bool = True,
) -> UprightFrame:
    """Opens a raw file; `check` unpacks it once and refuses what is wrong although it opens."""
    if encoding is not None:
        raise InputError(
            "the encoding of a raw file cannot be stated", path, found=str(encoding), allowed="no `encoding`",
            next_step="leave `encoding` out for this frame: sensor values are linear",
        )
    with _unpacking(path) as raw:
        pixels = _stored_pixels(path, raw) if check else None
        sensor = _sensor(path, raw)
    tags = exif.read_file(path)
    refuse_wrong_levels(path, sensor.black, sensor.white)
    if pixels is not None:
        refuse_wrong_pixels(path, pixels, sensor.black, sensor.white)
    info = _info(path, sensor, tags, exposure, colour_matrix)
    return whole_frame(info, lambda: _decode(path, sensor))


def _info(
    path: str, sensor: _Sensor, tags: exif.Tags, exposure: Exposure | None, colour_matrix: Matrix | None
) -> FrameInfo:
    shot = exif.shot_facts(tags) if tags else sensor.shot
    camera = _camera(path, sensor, shot, dng_colour(tags), colour_matrix)
    facts: dict[str, Any] = {"format": "raw", "kind": sensor.kind}
    if sensor.demosaiced:
        facts |= {"decoder": _DECODER, "demosaic": "LibRaw's own for this sensor, unscaled"}
    return FrameInfo(
        path=path, shape=upright_shape(sensor.stored, sensor.orientation), kind=sensor.kind, dtype="uint16",
        channels=3 if sensor.kind == "colour" else 1, has_coverage=False, coverage_full=65535.0,
        encoding=meaning.camera_linear("linear sensor values with their pedestal"),
        exposure=exposure or shot.exposure, orientation=sensor.orientation, camera=camera, tiled=False,
        timestamp=shot.timestamp, bytes_on_disk=os.path.getsize(path), facts_for_key=facts,
        make=shot.make, model=shot.model, lens=shot.lens, decode_bytes=decode_bytes(_peak_bytes(sensor)),
        notes=("not a 2×2 mosaic: demosaiced by LibRaw",) if sensor.demosaiced else (),
    )


def _peak_bytes(sensor: _Sensor) -> int:
    """LibRaw's own picture beside our copy: 2 + 2 bytes a pixel, 8 + 6 for colour; 20 measured where it demosaics."""
    per_pixel = 20 if sensor.demosaiced else 14 if sensor.kind == "colour" else 4
    return per_pixel * sensor.stored.pixels


def _camera(
    path: str, sensor: _Sensor, shot: exif.Shot, dng: DngColour, stated_matrix: Matrix | None
) -> CameraInfo:
    sources = ((stated_matrix, "stated"), (dng.matrix, dng.source), (sensor.matrix, "LibRaw's table of cameras"))
    matrix, source = next(((found, text) for found, text in sources if found), (None, ""))
    if matrix is None and sensor.kind != "grey":
        raise InputError(
            "this raw file has no colour matrix", path, found=f"{shot.make} {shot.model}".strip() or "unknown camera",
            allowed="a DNG with ColorMatrix tags, or a camera that LibRaw knows",
            next_step="state `colour_matrix` for this frame: three rows of three numbers, CIE XYZ to camera RGB",
        )
    _refuse_singular(path, matrix)
    mosaic, placed = sensor.kind == "mosaic", (sensor.stored, sensor.orientation)
    return CameraInfo(
        black=upright_cell(sensor.black, *placed) if mosaic else sensor.black, white=sensor.white,
        cfa_pattern="".join(upright_cell(tuple(sensor.cell), *placed)) if mosaic else "",
        colour_matrix=matrix, as_shot_neutral=dng.neutral or sensor.neutral, make=shot.make, model=shot.model,
        decoder_version=_DECODER, matrix_source=source,
    )


def _refuse_singular(path: str, matrix: Matrix | None) -> None:
    try:
        exact.matrix_inverse(matrix or ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))
    except ValueError as error:
        raise InputError(
            "the colour matrix is not invertible", path, found=str(matrix), allowed="three independent rows",
            next_step="state `colour_matrix` for this frame: three rows of three numbers, CIE XYZ to camera RGB",
        ) from error


@contextmanager
def _unpacking(path: str) -> Iterator[Any]:
    """LibRaw on one file; its errors become ours."""
    try:
        with rawpy.imread(path) as raw:
            yield raw
    except (rawpy.LibRawError, rawpy.NotSupportedError) as error:
        reason = error.args[0] if error.args else type(error).__name__
        raise InputError(
            "this raw file cannot be read", path, found=reason.decode() if isinstance(reason, bytes) else str(reason),
            allowed=f"raw files that {_DECODER} unpacks", next_step="copy it from the card again, or convert it to DNG",
        ) from error


def _sensor(path: str, raw: Any) -> _Sensor:
    sizes, letters = raw.sizes, raw.color_desc.decode("ascii", "replace")
    if letters[: raw.num_colors] not in ("RGB", "RGBG", "G", "GGGG"[: raw.num_colors]):
        raise InputError("this sensor's colours cannot be used", path, found=letters, allowed="red, green and blue")
    if sizes.pixel_aspect != 1.0:
        raise InputError("pixels that are not square", path, found=f"{sizes.pixel_aspect:g}", allowed="1")
    kind, cell, black = _layout(raw, letters)
    return _Sensor(
        Shape(sizes.height, sizes.width), _ORIENTATIONS[sizes.flip & 7], kind, cell, black, int(raw.white_level),
        _known_matrix(raw), _neutral(raw), _shot(raw),
    )


def _layout(raw: Any, letters: str) -> tuple[Kind, str, tuple[float, ...]]:
    """Kind of the stored picture, the letters of its repeating cell, black levels per cell position or channel."""
    levels = tuple(float(level) for level in raw.black_level_per_channel)
    if raw.raw_type == rawpy.RawType.Stack:
        return "colour", "RGB", levels[:3]
    pattern = raw.raw_pattern
    if pattern is None or raw.num_colors == 1:
        return "grey", "G", levels[:1]
    cell = "".join(letters[index] for index in pattern.ravel())
    if pattern.shape != (2, 2):
        return "colour", cell, levels[:3]
    return "mosaic", cell, tuple(levels[index] for index in pattern.ravel())


def _known_matrix(raw: Any) -> Matrix | None:
    rows = [tuple(float(value) for value in row) for row in raw.rgb_xyz_matrix[:3]]
    known = all(any(value != 0.0 for value in row) for row in rows)
    return (rows[0], rows[1], rows[2]) if known else None  # type: ignore[return-value]


def _neutral(raw: Any) -> Vector | None:
    red, green, blue = (float(value) for value in raw.camera_whitebalance[:3])
    return (red / green, 1.0, blue / green) if min(red, green, blue) > 0.0 else None


def _shot(raw: Any) -> exif.Shot:
    """LibRaw's account of the shot, for files whose tags are not in a TIFF structure."""
    other = raw.other
    moment = other.timestamp if isinstance(other.timestamp, datetime) and other.timestamp.year > 1970 else None
    stated = other.shutter_speed > 0.0 and (other.iso_speed > 0.0 or moment is not None)
    exposure = Exposure(other.shutter_speed, other.aperture or 1.0, other.iso_speed or 100.0) if stated else None
    return exif.Shot(exposure, 1, moment, lens=f"{other.focal_length:g} mm" if other.focal_length else "")




def _decode(path: str, sensor: _Sensor) -> Array:
    """`(channels, height, width)` uint16 in stored orientation."""
    with _unpacking(path) as raw:
        if sensor.demosaiced:
            return np.moveaxis(raw.postprocess(rawpy.Params(**_UNSCALED)), -1, 0)
        return _stored_pixels(path, raw)


def _stored_pixels(path: str, raw: Any) -> Array:
    visible = raw.raw_image_visible
    if visible.dtype != np.uint16:
        raise InputError("this raw file holds unusual numbers", path, found=visible.dtype.name, allowed="uint16")
    return np.array(visible[None] if visible.ndim == 2 else np.moveaxis(visible[..., :3], -1, 0))
