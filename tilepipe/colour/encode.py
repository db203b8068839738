"""Encoding for a file: the transfer curves of the target spaces, and linear working light → whole code values."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from tilepipe.colour.spaces import SRGB, WORKING, Space, between, flat, luminance_row
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window

_LIGHT = (
    "float m[9]; float weight[3]; float floor, knee; float limit, slope, less, series[8], powers[12]; float highest, noise;"
)
LIGHT = {
    16: Kernel("encode_16", 3, 3, params=_LIGHT, result="uint16", header="encode.h"),
    8: Kernel("encode_8", 3, 3, params=_LIGHT, result="uint8", header="encode.h"),
}
SHARE = {
    16: Kernel("encode_share_16", 1, 1, params="float highest;", result="uint16", header="encode.h"),
    8: Kernel("encode_share_8", 1, 1, params="float highest;", result="uint8", header="encode.h"),
}
Gamut = Literal["soft", "limit"]


def share_codes(device: Any, plane: PlaneArgument, codes: Any, picture: Shape, window: Window) -> None:
    """A plane of shares 0..1 → its code values, rounded: `codes` is a uint8 or uint16 array `(y, x)`, 1 = its highest."""
    bits = 8 * codes.dtype.itemsize
    device.launch(SHARE[bits], [plane], [device.plane(codes, window, picture)], highest=float((1 << bits) - 1))


@dataclass(frozen=True)
class Curve:
    """A transfer curve: slope·v below `limit`, scale·v^exponent − (scale − 1) from there on, v and result 0..1."""

    limit: float
    slope: float
    scale: float
    exponent: float

    def encoded(self, value: float) -> float:
        """Code value 0..1 of linear light, in float64."""
        value = min(max(value, 0.0), 1.0)
        if value < self.limit:
            return value * self.slope
        return self.scale * exact.pow(value, self.exponent) - (self.scale - 1.0)

    def decoded(self, code: float) -> float:
        """Linear light of a code value 0..1, in float64."""
        code = min(max(code, 0.0), 1.0)
        if code < self.slope * self.limit:
            return code / self.slope
        return exact.pow((code + (self.scale - 1.0)) / self.scale, 1.0 / self.exponent)


    @functools.cached_property
    def series(self) -> tuple[float, ...]:
        """scale·(1 + f)^exponent for √½ ≤ 1 + f < √2 by powers of f: through Chebyshev's points, off by 3e-8 at most."""
        low, high, count = exact.sqrt(0.5) - 1.0, exact.sqrt(2.0) - 1.0, 8
        angles = [math.pi * (2 * index + 1) / (2 * count) for index in range(count)]
        points = [0.5 * (low + high) + 0.5 * (high - low) * exact.cos(angle) for angle in angles]
        steps = [self.scale * exact.pow(1.0 + point, self.exponent) for point in points]
        for order in range(1, count):  # Newton's divided differences
            for index in reversed(range(order, count)):
                steps[index] = (steps[index] - steps[index - 1]) / (points[index] - points[index - order])
        found = [steps[-1]] + [0.0] * (count - 1)
        for index in reversed(range(count - 1)):  # · (f − point) + step
            found = [before - after * points[index] for before, after in zip([0.0, *found[:-1]], found, strict=True)]
            found[0] = found[0] + steps[index]
        return tuple(found)

    @functools.cached_property
    def powers(self) -> tuple[float, ...]:
        """2^(k·exponent) for k = −11 … 0."""
        return tuple(exact.exp2(k * self.exponent) for k in range(-11, 1))


CURVES: dict[str, Curve] = {
    "srgb": Curve(0.0031308, 12.92, 1.055, 1.0 / 2.4),  # IEC 61966-2-1:1999
    "rec2020": Curve(0.018, 4.5, 1.099, 0.45),  # ITU-R BT.2020-2, table 4, the values for 10 bits
    "romm": Curve(1.0 / 512.0, 16.0, 1.0, 1.0 / 1.8),  # ISO 22028-2:2013
}


@dataclass(frozen=True)
class Encoding:
    """How a picture becomes code values: target space, 8 or 16 bits, and what happens to colours beyond the gamut.

    `soft` draws what lies near and beyond the rim smoothly toward the grey of the same luminance; `limit` leaves all
    that is inside alone and draws the rest onto the rim. From the working space to itself it is always `limit`.
    `dither` adds noise of one step before rounding, the same for the three channels, by a hash of the pixel's place.
    """

    space: Space = SRGB
    bits: Literal[8, 16] = 16
    gamut: Gamut = "soft"
    dither: bool = False

    @property
    def curve(self) -> Curve:
        return CURVES[self.space.curve]

    @property
    def dtype(self) -> np.dtype[Any]:
        return np.dtype(np.uint8 if self.bits == 8 else np.uint16)

    @property
    def rim(self) -> tuple[float, float]:
        """Where the drawing begins: below this share of the luminance, above this share of the way to 1."""
        return (0.02, 0.9) if self.gamut == "soft" and self.space != WORKING else (0.0, 1.0)

    def run(self, device: Any, tile: Tile) -> Any:
        """Code values `(plane, y, x)` of a tile of linear working light 0..1: red, green, blue, any coverage."""
        height, width = tile.window.height, tile.window.width
        count = 3 + tile.has_coverage
        out = device.empty((count, height, width), self.dtype)
        planes = [device.plane(channel, tile.window, tile.picture) for channel in out]
        floor, knee = self.rim
        highest = float((1 << self.bits) - 1)
        device.launch(
            LIGHT[self.bits], device.planes(tile, 3), planes[:3], m=flat(between(WORKING, self.space)),
            weight=luminance_row(self.space), floor=floor, knee=knee, limit=self.curve.limit, slope=self.curve.slope,
            less=self.curve.scale - 1.0, series=self.curve.series, powers=self.curve.powers, highest=highest,
            noise=float(self.dither),
        )
        if tile.has_coverage:
            cover = device.plane(tile.plane(COVERAGE), tile.window, tile.picture)
            share_codes(device, cover, out[3], tile.picture, tile.window)
        return out
