"""Which frame gave how much of a merged pixel, how noisy that made it, and where no frame saw it unclipped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.spaces import luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.geometry import Window
from tilepipe.stages.radiance import RadianceMerge, cover_of, peaks_of

NOISE, CLIPPED = "noise", "clipped"
_PARAMS = "float per_light[16], ramp[16], peak_slope[16], light_slope[16], weight[16], growth[16], most, joint; int base;"
SHARES = {
    count: Kernel(f"radiance_shares_{count}", 4 * count + 3, count + 2, params=_PARAMS, header="shares.h")
    for count in (2, 4, 8, 16)
}
LIGHT_STOPS = Kernel("light_stops", 3, 1, params="float row[3];", header="shares.h")
HALF_LIGHTNESS = Kernel("half_lightness", 3, 1, params="float row[3];", header="shares.h")
CELL_SUMS = Kernel("cell_sums", 1, 0, form="tally", params="int cell, columns, y0, x0;", header="shares.h")
UNITS = 4096  # of a cell's sum, for each pixel's 1.0


def radiance_shares(
    merge: RadianceMerge, device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any]
) -> Tile:
    """Planes share_0 … (0..1, together 1), noise (stops beside the base frame's, − is calmer), clipped (1 where all are).

    `tiles`: frame tiles dark → bright that hold at least `wanted`. Shares are the mean of the three colours'.
    """
    frames = facts["frames"]
    tiles = [tile.cut(wanted) for tile in tiles]
    covers = [cover_of(device, tile) for tile in tiles]
    coverage = [device.planes(cover)[0] for cover in covers]
    merged: Tile = device.tile(wanted, tiles[0].picture, COLOUR)
    merge.merge(device, tiles, facts, coverage if any(tile.has_coverage for tile in tiles) else [], device.planes(merged))
    count = min(size for size in SHARES if size >= len(tiles))
    names = (*(f"share_{index}" for index in range(count)), NOISE, CLIPPED)
    out: Tile = device.tile(wanted, tiles[0].picture, names)
    padding = count - len(tiles)
    peaks = [peaks_of(device, tile) for tile in tiles]
    ins = [plane for planes in peaks + [peaks[0]] * padding for plane in planes]
    ins += coverage + [coverage[0]] * padding + device.planes(merged)
    device.launch(SHARES[count], ins, device.planes(out), **merge.weights(frames, count), base=facts["base"])
    kept = [*range(len(tiles)), count, count + 1]
    planes = tuple(names[index] for index in kept)
    array = out.array[: len(tiles) + 2] if not padding else device.empty((len(kept), wanted.height, wanted.width))
    if padding:
        for target, index in enumerate(kept):
            array[target] = out.array[index]
    return Tile(array, wanted, out.picture, planes)


def cell_sums(device: Any, tile: Tile, cell_px: int) -> npt.NDArray[np.int64]:
    """Exact sums in 1/4096 per cell of `cell_px`, int64 `(plane, row, column)`; cells count from the tile's corner."""
    rows, columns = -(-tile.window.height // cell_px), -(-tile.window.width // cell_px)
    found = [
        device.tally(
            CELL_SUMS, [plane], plane, rows * columns, cell=cell_px, columns=columns, y0=tile.window.y, x0=tile.window.x
        ).reshape(rows, columns)
        for plane in device.planes(tile)
    ]
    return np.stack(found)


def light_stops(device: Any, tile: Tile) -> Tile:
    """log2 of each pixel's luminance, one plane; working colours in."""
    return _one_plane(device, LIGHT_STOPS, tile, "stops")


def half_lightness(device: Any, tile: Tile) -> Tile:
    """L*/2 of each pixel's luminance, one plane; display light 0..1 in working primaries."""
    return _one_plane(device, HALF_LIGHTNESS, tile, "half_lightness")


def _one_plane(device: Any, kernel: Kernel, tile: Tile, name: str) -> Tile:
    out: Tile = device.tile(tile.window, tile.picture, (name,))
    device.launch(kernel, device.planes(tile, 3), device.planes(out), row=luminance_row())
    return out
