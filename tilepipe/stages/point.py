"""How stages that change colour planes treat the planes that a picture carries along."""

from __future__ import annotations

from typing import Any

from tilepipe.device.kernel import PlaneArgument
from tilepipe.device.tile import Tile


def colour_of(device: Any, tile: Tile) -> list[PlaneArgument]:
    """The red, green and blue planes as kernel arguments."""
    planes: list[PlaneArgument] = device.planes(tile, 3)
    return planes


def like(device: Any, tile: Tile) -> Tile:
    """A new tile of the same window: colour planes uninitialised, carried planes (coverage, …) copied."""
    out: Tile = device.tile(tile.window, tile.picture, tile.planes)
    if len(tile.planes) > 3:
        out.array[3:] = tile.array[3:]
    return out
