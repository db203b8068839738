"""Finds what to look at in a finished picture: pale or dark lines along strong edges, and the worst places of any map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.geometry import Shape

Map = npt.NDArray[np.float64]
# All chosen here, in cells: an edge is a change over four cells; light spreads over two beside it; a plateau keeps its
# light up to a reach. In stops: how strong an edge is, how flat a plateau.
ACROSS, BESIDE, REACHES = 2, 3, (8, 16, 32)
STRONG_STOPS, FLAT_STOPS = 3.0, 0.15
SMALLEST_CELL_PX, LARGEST_CELL_PX, MOST_CELLS = 8, 128, 2048  # a tile is made of whole cells; maps stay small
SIDES = ((0, 1), (0, -1), (1, 0), (-1, 0))
BAND = 128  # rows of cells looked at in one go: maps have up to four million cells, and a dozen of their size is too much


def cell_px(shape: Shape) -> int:
    """The cells' side: a power of two of 8 to 128 px, so that the longer side has at most 2048 of them."""
    side = SMALLEST_CELL_PX
    while side < LARGEST_CELL_PX and max(shape.height, shape.width) > side * MOST_CELLS:
        side *= 2
    return side


@dataclass(frozen=True)
class Place:
    """A cell and what was found there."""

    row: int
    column: int
    value: float


def worst(found: Map, count: int = 20, apart: int = 4) -> list[Place]:
    """The largest positive values of a map, no two within `apart` cells of each other; a NaN is no value."""
    left = np.where(np.isfinite(found), found, 0.0)
    places = []
    for _ in range(count):
        index = int(np.argmax(left))
        row, column = divmod(index, left.shape[1])
        value = float(left[row, column])
        if value <= 0.0:
            break
        places.append(Place(row, column, value))
        left[max(row - apart, 0) : row + apart + 1, max(column - apart, 0) : column + apart + 1] = 0.0
    return places


def halo(light: npt.NDArray[Any], lightness: npt.NDArray[Any]) -> Map:
    """How much lighter (bright side) or darker (dark side) the picture gets beside strong edges than its light explains, L*.

    `light`: log2 of the scene's light, `lightness`: the finished picture's L*, both means of cells `(row, column)`; a NaN
    is outside. Beside an edge of at least 3 stops, on a plateau of constant light, the lightness next to the edge is
    compared with that further away; what remains of a slope in the light is allowed for by the edge's own contrast. NaN
    where there is no such place; the largest of all sides and reaches.
    """
    b, f = np.asarray(light, np.float64), np.asarray(lightness, np.float64)
    found = np.full(b.shape, np.nan)
    for first in range(0, b.shape[0], BAND):
        low, last = max(first - max(REACHES), 0), min(first + BAND, b.shape[0])
        band = slice(low, last + max(REACHES))
        here = np.full(b[band].shape, -np.inf)
        for dy, dx in SIDES:
            for reach in REACHES:
                here = np.fmax(here, _beside(b[band], f[band], dy, dx, reach))
        found[first:last] = np.where(np.isinf(here), np.nan, here)[first - low : last - low]
    return found


def _beside(b: Map, f: Map, dy: int, dx: int, reach: int) -> Map:
    """The excess at edges whose plateau lies in the direction (dy, dx)."""
    def at(values: Map, distance: int) -> Map:
        return _moved(values, dy * distance, dx * distance)

    here, behind = at(b, ACROSS), at(b, -ACROSS)
    step = here - behind
    neighbours = [np.abs(at(b, ACROSS + k) - at(b, k - ACROSS)) for k in (-1, 1)]
    edge = (np.abs(step) >= STRONG_STOPS) & (np.abs(step) >= neighbours[0]) & (np.abs(step) >= neighbours[1])
    end, uneven = at(b, reach), np.zeros(b.shape)
    for distance in range(BESIDE, reach):
        np.maximum(uneven, np.abs(at(b, distance) - end), out=uneven)
    flat = uneven <= FLAT_STOPS
    near = (at(f, BESIDE) + at(f, BESIDE + 1)) / 2
    far = (at(f, reach - 1) + at(f, reach)) / 2
    near_light = (at(b, BESIDE) + at(b, BESIDE + 1)) / 2
    far_light = (at(b, reach - 1) + at(b, reach)) / 2
    contrast = np.clip((at(f, ACROSS) - at(f, -ACROSS)) / np.where(edge, step, 1.0), 0.0, 25.0)  # L* per stop
    excess = (near - far) - contrast * (near_light - far_light)
    signed = np.where(step > 0, excess, -excess)
    return np.where(edge & flat & np.isfinite(signed), signed, np.nan)


def _moved(values: Map, dy: int, dx: int) -> Map:
    """The value `dy`, `dx` cells away; NaN beyond the border."""
    out = np.full(values.shape, np.nan)
    height, width = values.shape
    rows, columns = slice(max(dy, 0), height + min(dy, 0)), slice(max(dx, 0), width + min(dx, 0))
    to_rows, to_columns = slice(max(-dy, 0), height + min(-dy, 0)), slice(max(-dx, 0), width + min(-dx, 0))
    if rows.stop > rows.start and columns.stop > columns.start:
        out[to_rows, to_columns] = values[rows, columns]
    return out
