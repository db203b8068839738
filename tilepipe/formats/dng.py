"""What the tags of a DNG say of its colours (DNG 1.6, chapters 4 and 6), and whether a TIFF structure is a raw file."""

from __future__ import annotations

from dataclasses import dataclass
from mmap import ACCESS_READ, mmap

from tilepipe.device.exact import Matrix, Vector, matrix_multiply, matrix_vector
from tilepipe.formats import exif
from tilepipe.formats.exif import Tags, as_float
from tilepipe.formats.primaries import diagonal

_DNG_VERSION, _PHOTOMETRIC = 50706, 262
_RAW_PHOTOMETRICS = (32803, 34892)  # colour filter array, linear raw
_ANALOG_BALANCE, _NEUTRAL, _WHITE_XY = 50727, 50728, 50729
# Tags of the three calibrations: colour matrix, its illuminant, the unit's own calibration.
_CALIBRATIONS = ((50721, 50778, 50723), (50722, 50779, 50724), (52531, 52529, 52530))
_D65 = 21
# Kelvin of the light sources of Exif 2.32, 4.6.6 (LightSource); those with a range by its middle.
_KELVIN = {
    1: 5500, 2: 4200, 3: 2850, 4: 5500, 9: 5500, 10: 6500, 11: 7500, 12: 6400, 13: 5000, 14: 4200, 15: 3450,
    17: 2856, 18: 4874, 19: 6774, 20: 5503, 21: 6504, 22: 7504, 23: 5003, 24: 3200,
}


@dataclass(frozen=True)
class DngColour:
    """XYZ → camera RGB with its source, and the camera's multipliers (G = 1), each where the file states it."""

    matrix: Matrix | None
    source: str
    neutral: Vector | None


def looks_raw(path: str) -> bool:
    """True for a TIFF structure that holds sensor data."""
    with open(path, "rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as content:
        directories = exif.read_directories(content)
    kinds = {kind for tags in directories for kind in tags.get(_PHOTOMETRIC, ())}
    return any(_DNG_VERSION in tags for tags in directories) or not kinds.isdisjoint(_RAW_PHOTOMETRICS)


def dng_colour(tags: Tags) -> DngColour:
    """The calibration nearest D65: AnalogBalance · CameraCalibration · ColorMatrix (DNG 1.6, chapter 6)."""
    if _DNG_VERSION not in tags:
        return DngColour(None, "", None)
    matrix, source = _nearest_daylight(tags)
    return DngColour(matrix, source, _neutral(tags, matrix))


def _nearest_daylight(tags: Tags) -> tuple[Matrix | None, str]:
    stated = [(_illuminant(tags, light), matrix, own) for matrix, light, own in _CALIBRATIONS if _rows(tags, matrix)]
    if not stated:
        return None, ""
    light, matrix_tag, own_tag = min(stated, key=lambda one: abs(_KELVIN.get(one[0], 9999) - _KELVIN[_D65]))
    matrix = _rows(tags, matrix_tag)
    own, gains = _rows(tags, own_tag), _numbers(tags, _ANALOG_BALANCE)
    if matrix and own:
        matrix = matrix_multiply(own, matrix)
    if matrix and len(gains) == 3:
        matrix = matrix_multiply(diagonal((gains[0], gains[1], gains[2])), matrix)
    kelvin = f"{_KELVIN[light]} K" if light in _KELVIN else "an unstated light"
    return matrix, f"DNG colour matrix for {kelvin}"


def _neutral(tags: Tags, matrix: Matrix | None) -> Vector | None:
    levels = _numbers(tags, _NEUTRAL)
    white = _numbers(tags, _WHITE_XY)
    if len(levels) != 3 and len(white) == 2 and matrix and white[1] > 0.0:
        levels = matrix_vector(matrix, (white[0] / white[1], 1.0, (1.0 - white[0] - white[1]) / white[1]))
    if len(levels) != 3 or min(levels) <= 0.0:
        return None
    return (levels[1] / levels[0], 1.0, levels[1] / levels[2])


def _illuminant(tags: Tags, code: int) -> int:
    value = tags.get(code, (0,))
    return int(value[0]) if isinstance(value, tuple) else 0


def _numbers(tags: Tags, code: int) -> tuple[float, ...]:
    value = tags.get(code)
    return tuple(as_float(one) for one in value) if isinstance(value, tuple) else ()


def _rows(tags: Tags, code: int) -> Matrix | None:
    values = _numbers(tags, code)
    if len(values) != 9 or not any(values):
        return None
    return (values[0], values[1], values[2]), (values[3], values[4], values[5]), (values[6], values[7], values[8])
