"""Reduced copies of frame tiles, for proofs: the mean light of boxes of pixels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.stage import Kind, Stage
from tilepipe.stages.warp import Warp

MEAN = Kernel(
    "proof_mean", 0, 1, params="Plane source; Plane coverage; int covered; int factor;", header="proof_copy.h"
)
SHARE = Kernel("proof_share", 0, 1, params="Plane source; int factor;", header="proof_copy.h")


def reduced_shape(shape: Shape, factor: int) -> Shape:
    """The size of a picture reduced by a whole factor; boxes at the rim may be smaller."""
    return Shape(-(-shape.height // factor), -(-shape.width // factor))


def full_window(reduced: Window, factor: int, shape: Shape) -> Window:
    """The full-size pixels under a window of the reduced copy."""
    whole = Window(reduced.y * factor, reduced.x * factor, reduced.height * factor, reduced.width * factor)
    return whole.cut(shape)


def reduced_tile(device: Any, tile: Tile, wanted: Window, factor: int) -> Tile:
    """`wanted` of the copy reduced by `factor`: red, green, blue[, coverage], from a tile that holds its boxes."""
    names = ("red", "green", "blue", *((COVERAGE,) if tile.has_coverage else ()))
    out: Tile = device.tile(wanted, reduced_shape(tile.picture, factor), names)
    planes = dict(zip(tile.planes, device.planes(tile), strict=True))
    coverage = planes.get(COVERAGE, planes["red"])
    for name, target in zip(names, device.planes(out), strict=True):
        if name == COVERAGE:
            device.launch(SHARE, [], [target], source=coverage, factor=factor)
        else:
            device.launch(
                MEAN, [], [target], source=planes[name], coverage=coverage, covered=int(tile.has_coverage), factor=factor
            )
    return out


class ReducedGeometry(Stage):
    """A step that moves pixels, carried onto reduced copies: the map of the full size between centres of boxes.

    The step itself, run on a copy, would round to whole pixels of the copy. No step of a recipe; `matrix` takes (x, y, 1)
    of the copy's output to its input, `height` and `width` are the output's.
    """

    kind: ClassVar[Kind] = "geometry"
    in_place: ClassVar[bool] = False

    matrix: Matrix
    height: int
    width: int

    def output_shape(self, shape: Shape) -> Shape:
        return Shape(self.height, self.width)

    def to_output(self, shape: Shape) -> Matrix:
        """Where the input's pixels come to lie: (x, y, 1) → (x, y, 1) of the output."""
        return exact.matrix_inverse(self.matrix)

    def _warp(self, shape: Shape) -> Warp:
        return Warp.from_matrix(self.matrix, Shape(self.height, self.width), shape)

    def output_planes(self, planes: tuple[str, ...], shape: Shape) -> tuple[str, ...]:
        return self._warp(shape).planes(planes)

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        return self._warp(shape).input_window(wanted)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        return 8 * (wanted.height // 16 + 3) * (wanted.width // 16 + 3) + 4 * wanted.pixels

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        return self._warp(tile.picture).run(device, tile, wanted)
