"""Straighten: turns the picture about its centre, and cuts or keeps the corners."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.stage import Kind, Stage
from tilepipe.stages.warp import Warp
from tilepipe.units import Degrees


def largest_inside(height: float, width: float, sine: float, cosine: float) -> tuple[float, float]:
    """(height, width) of the upright rectangle of largest area inside a `height`×`width` one turned by an angle.

    `sine`, `cosine`: of the angle's size, 0..90°. Either two corners of the upright rectangle touch the two long sides
    (wide pictures, large angles), or all four touch one side each; elementary geometry.
    """
    longer, shorter = max(height, width), min(height, width)
    if shorter <= 2.0 * sine * cosine * longer:
        half = 0.5 * shorter
        across, down = (half / sine, half / cosine) if width >= height else (half / cosine, half / sine)
        return down, across
    spread = cosine * cosine - sine * sine
    return (height * cosine - width * sine) / spread, (width * cosine - height * sine) / spread


class Straighten(Stage):
    """Turns the picture, for instance to bring a horizon level; what is cut away depends on `corners`."""

    name: ClassVar[str] = "straighten"
    kind: ClassVar[Kind] = "geometry"
    in_place: ClassVar[bool] = False
    version: ClassVar[int] = 2

    turn: Degrees = Field(0.0, ge=-45, le=45, description="How far to turn the picture clockwise (+) or back (−).")
    corners: Literal["cut", "keep"] = Field(
        "cut", description="`cut`: the largest upright rectangle inside the turned picture; `keep`: all of it, empty "
        "corners uncovered.",
    )

    def is_neutral(self) -> bool:
        return self.turn == 0.0

    def _turn(self) -> tuple[float, float]:
        radians = self.turn * math.pi / 180.0
        return exact.sin(radians), exact.cos(radians)

    def output_shape(self, shape: Shape) -> Shape:
        sine, cosine = self._turn()
        high, wide, size = shape.height - 1.0, shape.width - 1.0, abs(sine)  # between the outer pixels' centres
        if self.corners == "keep":
            grown = (high * cosine + wide * size, wide * cosine + high * size)
            return Shape(math.ceil(grown[0] - 1e-9) + 1, math.ceil(grown[1] - 1e-9) + 1)
        inside = largest_inside(high, wide, size, cosine)
        return Shape(math.floor(inside[0] + 1e-9) + 1, math.floor(inside[1] + 1e-9) + 1)

    def _matrix(self, shape: Shape) -> Matrix:
        """Output pixel → input pixel."""
        sine, cosine = self._turn()
        result = self.output_shape(shape)
        out_y, out_x = (result.height - 1) / 2.0, (result.width - 1) / 2.0
        in_y, in_x = (shape.height - 1) / 2.0, (shape.width - 1) / 2.0
        return (
            (cosine, sine, in_x - cosine * out_x - sine * out_y),
            (-sine, cosine, in_y + sine * out_x - cosine * out_y),
            (0.0, 0.0, 1.0),
        )

    def to_output(self, shape: Shape) -> Matrix:
        """Where pixels of the input, a picture of size `shape`, come to lie: (x, y, 1) → (x, y, 1) of the output."""
        return exact.matrix_inverse(self._matrix(shape))

    def warp(self, shape: Shape) -> Warp:
        return Warp.from_matrix(self._matrix(shape), self.output_shape(shape), shape)

    def output_planes(self, planes: tuple[str, ...], shape: Shape) -> tuple[str, ...]:
        """The planes of the result: kept corners add coverage."""
        return self.warp(shape).planes(planes)

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        return self.warp(shape).input_window(wanted)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        nodes = 8 * (wanted.height // 16 + 3) * (wanted.width // 16 + 3)
        return nodes + (4 * wanted.pixels if self.corners == "keep" else 0)  # the coverage that it may add

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        return self.warp(tile.picture).run(device, tile, wanted)
