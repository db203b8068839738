"""RGB spaces as exact derived matrices: primaries and white in, float64 out, the same bits on every machine."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Literal

from tilepipe.colour.white import D50, D65, PCS, Method, Xy, adaptation, xyz_of
from tilepipe.device.exact import Matrix, Vector, matrix_inverse, matrix_multiply, matrix_vector

Curve = Literal["srgb", "rec2020", "romm"]


@dataclass(frozen=True)
class Space:
    """An RGB space: chromaticities of red, green, blue and white (CIE 1931 x, y) and its transfer curve."""

    name: str
    title: str
    red: Xy
    green: Xy
    blue: Xy
    white: Xy
    curve: Curve


# IEC 61966-2-1:1999, the primaries of ITU-R BT.709.
SRGB = Space("srgb", "sRGB", (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), D65, "srgb")
# SMPTE EG 432-1:2010 primaries, D65 white, sRGB curve.
DISPLAY_P3 = Space("display_p3", "Display P3", (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), D65, "srgb")
# ITU-R BT.2020-2 (2015), table 3; the working space of this package.
REC2020 = Space("rec2020", "Rec.2020", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), D65, "rec2020")
# ISO 22028-2:2013 (ROMM RGB).
ROMM = Space("romm", "ROMM RGB", (0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), D50, "romm")
SPACES: dict[str, Space] = {space.name: space for space in (SRGB, DISPLAY_P3, REC2020, ROMM)}
WORKING = REC2020


@functools.cache
def rgb_to_xyz(space: Space) -> Matrix:
    """Linear RGB → XYZ relative to the space's own white (Y = 1): the primaries scaled so that (1, 1, 1) is that white.

    Source: SMPTE RP 177-1993, "Derivation of Basic Television Color Equations".
    """
    red, green, blue = xyz_of(space.red), xyz_of(space.green), xyz_of(space.blue)
    plain: Matrix = ((red[0], green[0], blue[0]), (red[1], green[1], blue[1]), (red[2], green[2], blue[2]))
    scale = matrix_vector(matrix_inverse(plain), xyz_of(space.white))
    return matrix_multiply(plain, ((scale[0], 0.0, 0.0), (0.0, scale[1], 0.0), (0.0, 0.0, scale[2])))


@functools.cache
def xyz_to_rgb(space: Space) -> Matrix:
    """XYZ relative to the space's white → linear RGB: the inverse of `rgb_to_xyz`."""
    return matrix_inverse(rgb_to_xyz(space))


@functools.cache
def between(source: Space, target: Space, method: Method = "bradford") -> Matrix:
    """Linear RGB of one space → linear RGB of another; whites that differ are adapted by `method`."""
    if source == target:
        return ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    xyz = rgb_to_xyz(source)
    if source.white != target.white:
        xyz = matrix_multiply(adaptation(xyz_of(source.white), xyz_of(target.white), method), xyz)
    return matrix_multiply(xyz_to_rgb(target), xyz)


@functools.cache
def rgb_to_pcs(space: Space) -> Matrix:
    """Linear RGB → XYZ of the ICC profile connection space (.9642, 1, .8249), adapted by Bradford (ICC.1:2022)."""
    return matrix_multiply(adaptation(xyz_of(space.white), PCS, "bradford"), rgb_to_xyz(space))


def luminance_row(space: Space = WORKING) -> Vector:
    """What each linear channel gives to luminance Y."""
    return rgb_to_xyz(space)[1]


def flat(matrix: Matrix) -> tuple[float, ...]:
    """Row by row, as kernels take a matrix."""
    return matrix[0] + matrix[1] + matrix[2]
