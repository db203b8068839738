"""Figures of what is seen: the colour under the pointer, histogram and waveform of a part, where a step changed most."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.review.sight import Codes

BINS, COLUMNS, ROWS = 128, 200, 100  # of the histogram and the waveform
CROP_PX, BLOCK_PX = (72, 108), 36  # a step's crop (y, x), and the blocks compared


def part_of(codes: Codes, box: tuple[float, float, float, float]) -> Codes:
    """The part (left, top, right, bottom, each 0..1 of the picture) of codes; at least one pixel."""
    height, width = codes.shape[1:]
    left, right = sorted((min(max(box[0], 0.0), 1.0), min(max(box[2], 0.0), 1.0)))
    top, bottom = sorted((min(max(box[1], 0.0), 1.0), min(max(box[3], 0.0), 1.0)))
    x, y = min(int(left * width), width - 1), min(int(top * height), height - 1)
    return codes[:, y : max(int(bottom * height), y + 1), x : max(int(right * width), x + 1)]


def histogram(codes: Codes) -> dict[str, list[int]]:
    """Pixels per bin of code values, for red, green and blue."""
    found = {}
    for name, plane in zip(("red", "green", "blue"), codes, strict=True):
        found[name] = np.bincount((plane >> 1).ravel(), minlength=BINS).tolist()
    return found


def waveform(codes: Codes) -> npt.NDArray[np.uint8]:
    """How often each code value of green (row, bright above) stands in each column of the part: 0..255, `(ROWS, COLUMNS)`."""
    plane = codes[1][:: max(codes.shape[1] // 400, 1)]
    height, width = plane.shape
    columns = (np.arange(width) * COLUMNS // width)[None, :].repeat(height, 0)
    rows = ROWS - 1 - (plane.astype(np.int32) * (ROWS - 1) + 127) // 255
    counts = np.bincount((rows * COLUMNS + columns).ravel(), minlength=ROWS * COLUMNS).reshape(ROWS, COLUMNS)
    most = max(int(np.percentile(counts[counts > 0], 98)) if counts.any() else 1, 1)
    return np.minimum(counts * 255 // most, 255).astype(np.uint8)


def point(tile: Tile, joined: Tile | None, codes: Codes, x: int, y: int) -> dict[str, Any]:
    """One pixel of the reduced pictures: code values, light in stops above diffuse white, and the scene's light."""
    told: dict[str, Any] = {"codes": [int(value) for value in codes[:, y, x]], "stops": _stops(tile, x, y)}
    if joined is not None and 0 <= y < joined.window.height and 0 <= x < joined.window.width:
        told["scene"] = _stops(joined, x, y)
    return told


def _stops(tile: Tile, x: int, y: int) -> float | None:
    row = luminance_row()
    light = sum(weight * float(value) for weight, value in zip(row, tile.array[:3, y, x], strict=True))
    return round(exact.log2(light), 2) if light > 0 else None


def changed_most(before: Codes, after: Codes) -> Window:
    """The crop in which two pictures of one size differ most, by the mean of blocks."""
    height, width = before.shape[1:]
    differing = np.abs(before.astype(np.int16) - after).sum(0)
    rows, columns = height // BLOCK_PX, width // BLOCK_PX
    if rows < 1 or columns < 1:
        return Window(0, 0, min(CROP_PX[0], height), min(CROP_PX[1], width))
    blocks = differing[: rows * BLOCK_PX, : columns * BLOCK_PX].reshape(rows, BLOCK_PX, columns, BLOCK_PX).sum((1, 3))
    row, column = np.unravel_index(int(np.argmax(blocks)), blocks.shape)
    y = min(max(int(row) * BLOCK_PX + BLOCK_PX // 2 - CROP_PX[0] // 2, 0), max(height - CROP_PX[0], 0))
    x = min(max(int(column) * BLOCK_PX + BLOCK_PX // 2 - CROP_PX[1] // 2, 0), max(width - CROP_PX[1], 0))
    return Window(y, x, min(CROP_PX[0], height), min(CROP_PX[1], width))


def side_by_side(before: Codes, after: Codes) -> Codes:
    """The crop where a step changed most, before and after, grey between; of pictures of differing sizes the middles."""
    if before.shape == after.shape:
        window = changed_most(before, after)
        pair = [codes[:, window.rows, window.cols] for codes in (before, after)]
    else:
        pair = [_middle(codes) for codes in (before, after)]
        height, width = (min(codes.shape[axis] for codes in pair) for axis in (1, 2))
        pair = [codes[:, :height, :width] for codes in pair]
    gap = np.full((3, pair[0].shape[1], 2), 128, np.uint8)
    return np.concatenate([pair[0], gap, pair[1]], axis=2)


def _middle(codes: Codes) -> Codes:
    y, x = (max((size - crop) // 2, 0) for size, crop in zip(codes.shape[1:], CROP_PX, strict=True))
    return codes[:, y : y + CROP_PX[0], x : x + CROP_PX[1]]
