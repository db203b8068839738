"""How different two colours look: CIE Lab and CIEDE2000, for reports; no pixel is made of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tilepipe.colour.spaces import WORKING, rgb_to_xyz
from tilepipe.colour.white import xyz_of
from tilepipe.device.exact import Vector, matrix_vector

_EPSILON, _KAPPA = 216 / 24389, 24389 / 27  # CIE 15:2018, section 8.2.1


def lab_of(rgb: Sequence[float]) -> Vector:
    """Linear working RGB, 1.0 = diffuse white → CIE Lab relative to that white; any light, negatives continued."""
    xyz = matrix_vector(rgb_to_xyz(WORKING), (rgb[0], rgb[1], rgb[2]))
    fx, fy, fz = (_root(value / full) for value, full in zip(xyz, xyz_of(WORKING.white), strict=True))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def _root(t: float) -> float:
    return math.cbrt(t) if t > _EPSILON else (_KAPPA * t + 16) / 116


def delta_e_2000(first: Sequence[float], second: Sequence[float]) -> float:
    """CIEDE2000 of two Lab colours, weights 1.

    Source: Sharma, Wu, Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes, Supplementary Test Data, and
    Mathematical Observations", Color Research and Application 30(1), 2005, equations 2 to 22.
    """
    (l1, a1, b1), (l2, a2, b2) = first, second
    mean = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean**7 / (mean**7 + 25**7)))
    c1, h1 = _polar((1 + g) * a1, b1)
    c2, h2 = _polar((1 + g) * a2, b2)
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    if abs(h2 - h1) == 180:
        turn = h2 - h1  # the formula's own case, where both ways round are equally long
    d_l, d_c, d_h = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    light, chroma, hue = (l1 + l2) / 2, (c1 + c2) / 2, _mean_hue(c1, h1, c2, h2)
    t = (
        1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)
    )
    s_l = 1 + 0.015 * (light - 50) ** 2 / math.sqrt(20 + (light - 50) ** 2)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    rotation = math.sin(math.radians(60 * math.exp(-(((hue - 275) / 25) ** 2))))
    r_t = -rotation * 2 * math.sqrt(chroma**7 / (chroma**7 + 25**7))
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return math.sqrt(x * x + y * y + z * z + r_t * y * z)


def _polar(a: float, b: float) -> tuple[float, float]:
    return math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360


def _mean_hue(c1: float, h1: float, c2: float, h2: float) -> float:
    if c1 * c2 == 0:
        return h1 + h2
    if abs(h1 - h2) <= 180:
        return (h1 + h2) / 2
    return (h1 + h2 + 360) / 2 if h1 + h2 < 360 else (h1 + h2 - 360) / 2


def _cos(degrees: float) -> float:
    return math.cos(math.radians(degrees))
