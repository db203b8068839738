"""Orientation 1–8 (TIFF 6.0, tag 274; Exif 2.32) as an index mapping, so that windows stay windows."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]

# orientation: (swap axes, stored rows run backwards, stored columns run backwards)
_TURNS = {
    1: (False, False, False), 2: (False, False, True), 3: (False, True, True), 4: (False, True, False),
    5: (True, False, False), 6: (True, True, False), 7: (True, True, True), 8: (True, False, True),
}


def upright_shape(stored: Shape, orientation: int) -> Shape:
    """The size of the upright picture of one stored with `orientation`."""
    return Shape(stored.width, stored.height) if _TURNS[orientation][0] else stored


def stored_window(window: Window, stored: Shape, orientation: int) -> Window:
    """Where the pixels of an upright window lie in the stored picture."""
    swapped, rows_back, cols_back = _TURNS[orientation]
    y, x, height, width = window.y, window.x, window.height, window.width
    if swapped:
        y, x, height, width = x, y, width, height
    return Window(
        stored.height - y - height if rows_back else y, stored.width - x - width if cols_back else x, height, width
    )


def turn_upright(pixels: Array, orientation: int) -> Array:
    """A stored window `(planes, height, width)` as it stands upright, C-contiguous."""
    swapped, rows_back, cols_back = _TURNS[orientation]
    view = pixels[:, :: -1 if rows_back else 1, :: -1 if cols_back else 1]
    return np.ascontiguousarray(view.swapaxes(1, 2) if swapped else view)


def upright_cell(cell: tuple[Any, ...], stored: Shape, orientation: int) -> tuple[Any, ...]:
    """The 2×2 mosaic cell (row by row) that the upright picture starts with, from the stored picture's."""
    positions = [stored_window(Window(y, x, 1, 1), stored, orientation) for y in range(2) for x in range(2)]
    return tuple(cell[(at.y % 2) * 2 + at.x % 2] for at in positions)
