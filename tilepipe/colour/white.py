"""Whites: chromatic adaptation, the daylight locus, and kelvin with Duv ↔ chromaticity by Robertson's isotherms."""

from __future__ import annotations

import functools
from typing import Literal

from tilepipe.device.exact import Matrix, Vector, matrix_inverse, matrix_multiply, matrix_vector, sqrt

Xy = tuple[float, float]
Method = Literal["bradford", "cat16"]

D65: Xy = (0.3127, 0.3290)  # ITU-R BT.709-6, table 1
D50: Xy = (0.3457, 0.3585)  # ISO 22028-2:2013
PCS: Vector = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 7.2.16

# Bradford: ICC.1:2022, annex E. CAT16: Li et al. 2017, "Comprehensive color solutions: CAM16, CAT16, and CAM16-UCS".
CONES: dict[str, Matrix] = {
    "bradford": ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296)),
    "cat16": ((0.401288, 0.650173, -0.051461), (-0.250268, 1.204414, 0.045854), (-0.002079, 0.048952, 0.953127)),
}

# Mired, u, v (CIE 1960) and slope of the isotherm: Robertson 1968, JOSA 58(11), as printed in Wyszecki & Stiles 2000,
# table 1(3.11), with the corrected value at 325 mired; checked against colour-science 0.4.7.
_ISOTHERMS: tuple[tuple[float, float, float, float], ...] = (
    (0.0, 0.18006, 0.26352, -0.24341), (10.0, 0.18066, 0.26589, -0.25479), (20.0, 0.18133, 0.26846, -0.26876),
    (30.0, 0.18208, 0.27119, -0.28539), (40.0, 0.18293, 0.27407, -0.30470), (50.0, 0.18388, 0.27709, -0.32675),
    (60.0, 0.18494, 0.28021, -0.35156), (70.0, 0.18611, 0.28342, -0.37915), (80.0, 0.18740, 0.28668, -0.40955),
    (90.0, 0.18880, 0.28997, -0.44278), (100.0, 0.19032, 0.29326, -0.47888), (125.0, 0.19462, 0.30141, -0.58204),
    (150.0, 0.19962, 0.30921, -0.70471), (175.0, 0.20525, 0.31647, -0.84901), (200.0, 0.21142, 0.32312, -1.0182),
    (225.0, 0.21807, 0.32909, -1.2168), (250.0, 0.22511, 0.33439, -1.4512), (275.0, 0.23247, 0.33904, -1.7298),
    (300.0, 0.24010, 0.34308, -2.0637), (325.0, 0.24792, 0.34655, -2.4681), (350.0, 0.25591, 0.34951, -2.9641),
    (375.0, 0.26400, 0.35200, -3.5814), (400.0, 0.27218, 0.35407, -4.3633), (425.0, 0.28039, 0.35577, -5.3762),
    (450.0, 0.28863, 0.35714, -6.7262), (475.0, 0.29685, 0.35823, -8.5955), (500.0, 0.30505, 0.35907, -11.324),
    (525.0, 0.31320, 0.35968, -15.628), (550.0, 0.32129, 0.36011, -23.325), (575.0, 0.32931, 0.36038, -40.770),
    (600.0, 0.33724, 0.36051, -116.45),
)


def xyz_of(xy: Xy) -> Vector:
    """XYZ of a chromaticity at Y = 1."""
    x, y = xy
    return x / y, 1.0, (1.0 - x - y) / y


def xy_of(xyz: Vector) -> Xy:
    """The chromaticity of an XYZ."""
    total = xyz[0] + xyz[1] + xyz[2]
    return xyz[0] / total, xyz[1] / total


@functools.cache
def adaptation(from_white: Vector, to_white: Vector, method: Method = "bradford") -> Matrix:
    """XYZ → XYZ so that `from_white` becomes `to_white` (both XYZ, Y = 1): von Kries scaling of cone signals.

    `bradford`: as ICC profiles ask (ICC.1:2022, annex E). `cat16`: Li et al. 2017, full adaptation.
    Equal whites give the identity exactly.
    """
    if from_white == to_white:
        return ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    cones = CONES[method]
    source, target = matrix_vector(cones, from_white), matrix_vector(cones, to_white)
    gains: Matrix = (
        (target[0] / source[0], 0.0, 0.0), (0.0, target[1] / source[1], 0.0), (0.0, 0.0, target[2] / source[2]),
    )
    return matrix_multiply(matrix_inverse(cones), matrix_multiply(gains, cones))


def daylight_xy(kelvin: float) -> Xy:
    """Chromaticity of CIE daylight, 4000–25000 K (CIE 15:2018, 4.1.2); raises ValueError outside."""
    if not 4000.0 <= kelvin <= 25000.0:
        raise ValueError(f"daylight is defined from 4000 K to 25000 K, not at {kelvin} K")
    t = 1000.0 / kelvin
    low, high = (0.244063, 0.09911, 2.9678, -4.6070), (0.237040, 0.24748, 1.9018, -2.0064)
    a, b, c, d = low if kelvin <= 7000.0 else high
    x = a + t * (b + t * (c + t * d))
    return x, -3.0 * x * x + 2.870 * x - 0.275


def uv_of(xy: Xy) -> Xy:
    """CIE 1960 u, v of a chromaticity."""
    x, y = xy
    scale = -2.0 * x + 12.0 * y + 3.0
    return 4.0 * x / scale, 6.0 * y / scale


def xy_of_uv(uv: Xy) -> Xy:
    """Chromaticity of CIE 1960 u, v."""
    u, v = uv
    scale = 2.0 * u - 8.0 * v + 4.0
    return 3.0 * u / scale, 2.0 * v / scale


def _direction(slope: float) -> Xy:
    """Unit vector along an isotherm, toward negative Duv (magenta)."""
    length = sqrt(1.0 + slope * slope)
    return 1.0 / length, slope / length


def _towards(first: Xy, second: Xy, share: float) -> Xy:
    """The unit vector between two unit vectors, `share` of the way to the second."""
    u = first[0] + (second[0] - first[0]) * share
    v = first[1] + (second[1] - first[1]) * share
    length = sqrt(u * u + v * v)
    return u / length, v / length


def white_uv(kelvin: float, duv: float) -> Xy:
    """CIE 1960 u, v of a correlated colour temperature, `duv` off the Planckian locus (positive is greenish)."""
    mired = 1e6 / kelvin
    if not 0.0 < mired <= _ISOTHERMS[-1][0]:
        raise ValueError(f"a colour temperature lies above 1667 K, not at {kelvin} K")
    after = next(index for index, row in enumerate(_ISOTHERMS) if index and mired <= row[0])
    first, second = _ISOTHERMS[after - 1], _ISOTHERMS[after]
    share = (mired - first[0]) / (second[0] - first[0])
    along = _towards(_direction(first[3]), _direction(second[3]), share)
    u = first[1] + (second[1] - first[1]) * share
    v = first[2] + (second[2] - first[2]) * share
    return u - along[0] * duv, v - along[1] * duv


def white_xy(kelvin: float, duv: float = 0.0) -> Xy:
    """Chromaticity of a white stated as kelvin (from 1667 K) and Duv; linear in mired between Robertson's isotherms."""
    xy = xy_of_uv(white_uv(kelvin, duv))
    if not _is_light(xy):
        raise ValueError(f"no light has {kelvin} K and Duv {duv}")
    return xy


def _is_light(xy: Xy) -> bool:
    return xy[0] > 0.0 and xy[1] > 0.0 and xy[0] + xy[1] < 1.0


def kelvin_duv(xy: Xy) -> tuple[float, float]:
    """Correlated colour temperature in kelvin and Duv of a chromaticity (Robertson 1968), the inverse of `white_xy`.

    Beyond the last isotherms (1667 K; 100000 K) the result stays on them. Raises ValueError for no chromaticity.
    """
    if not _is_light(xy):
        raise ValueError(f"({xy[0]}, {xy[1]}) is not the chromaticity of a light")
    u, v = uv_of(xy)
    before, direction_before = 0.0, (0.0, 0.0)
    for index, (_, row_u, row_v, slope) in enumerate(_ISOTHERMS):
        direction = _direction(slope)
        beside = (v - row_v) * direction[0] - (u - row_u) * direction[1]  # > 0: on its warm side
        last = index == len(_ISOTHERMS) - 1
        if index and (beside <= 0.0 or last):
            share = min(max(before / (before - beside), 0.0), 1.0) if before != beside else 1.0
            share = 1.0 if last and beside > 0.0 else share
            return _between_rows(index, share, (u, v), direction_before, direction)
        before, direction_before = max(beside, 0.0) if index == 0 else beside, direction
    raise AssertionError("the last isotherm always ends the search")


def _between_rows(index: int, share: float, uv: Xy, first: Xy, second: Xy) -> tuple[float, float]:
    low, high = _ISOTHERMS[index - 1], _ISOTHERMS[index]
    mired = low[0] + (high[0] - low[0]) * share
    along = _towards(first, second, share)
    u = low[1] + (high[1] - low[1]) * share
    v = low[2] + (high[2] - low[2]) * share
    duv = -((uv[0] - u) * along[0] + (uv[1] - v) * along[1])
    return 1e6 / max(mired, 10.0), duv
