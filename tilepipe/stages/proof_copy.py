"""Reduced copies of frame tiles, for proofs: the mean light of boxes of pixels."""

from __future__ import annotations

from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window

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
