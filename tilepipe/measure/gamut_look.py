"""Tells where a finished picture holds colours that sRGB or Display P3 cannot show as they are."""

from __future__ import annotations

from typing import Any

from tilepipe.colour.spaces import SPACES, WORKING, between, flat
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile

OUTSIDE = Kernel("gamut_outside", 3, 2, params="float narrow[9], wide[9], beyond;", header="gamut_look.h")
LOOKED_AT = ("srgb", "display-p3")
BEYOND = 0.002  # of display white; chosen here: half a step of 8 bits


def outside(device: Any, tile: Tile) -> Tile:
    """One plane for each space of `LOOKED_AT`: 1 where a channel lies below 0 or above 1 there; display light in."""
    out: Tile = device.tile(tile.window, tile.picture, LOOKED_AT)
    narrow, wide = (flat(between(WORKING, SPACES[name.replace("-", "_")])) for name in LOOKED_AT)
    device.launch(OUTSIDE, device.planes(tile, 3), device.planes(out), narrow=narrow, wide=wide, beyond=BEYOND)
    return out
