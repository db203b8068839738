"""A deliverable's colours by the name its recipe gives them: code values, linear light, the profile to embed."""

from __future__ import annotations

from typing import Any

from tilepipe.colour.encode import Encoding
from tilepipe.colour.icc import profile
from tilepipe.colour.spaces import SPACES, WORKING, Space, between, flat
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile

MATRIX = Kernel("linear_matrix", 3, 3, params="float m[9];", header="deliverable.h")


def space_of(name: str) -> Space:
    """`srgb`, `display-p3`, `rec2020` or `romm`."""
    return SPACES[name.replace("-", "_")]


def encode_tile(device: Any, tile: Tile, name: str, bits: int) -> Any:
    """Code values `(plane, y, x)`, uint16 or uint8, of linear Rec.2020 light 0..1; 8-bit values are dithered."""
    return Encoding(space_of(name), 8 if bits == 8 else 16, dither=bits == 8).run(device, tile)


def linear_tile(device: Any, tile: Tile, name: str) -> Tile:
    """Scene-linear light in the primaries of a space; coverage and what else is carried stays."""
    space = space_of(name)
    if space == WORKING:
        return tile
    out: Tile = device.tile(tile.window, tile.picture, tile.planes)
    device.launch(MATRIX, device.planes(tile, 3), device.planes(out, 3), m=flat(between(WORKING, space)))
    out.array[3:] = tile.array[3:]
    return out


def icc_profile(name: str, linear: bool = False) -> bytes:
    """The ICC profile of a space, encoded or linear."""
    return profile(space_of(name), linear)
