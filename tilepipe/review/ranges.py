"""A measured mask from an example: the range of brightness, hue or chroma in a frame dragged over the picture."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.tile import Tile
from tilepipe.errors import RecipeError
from tilepipe.masks.measured import oklab_matrices
from tilepipe.review.develop import JOINED
from tilepipe.review.review import Review

LOW, HIGH = 3.0, 97.0  # per cent of the example's pixels that lie below the range's ends; chosen here


def picked(review: Review, kind: str, box: tuple[float, ...], step_id: str) -> dict[str, Any]:
    """A mask of this kind as a recipe writes it. `box`: two corners x, y, x, y in fractions of the base frame.

    It is measured in what the step is given, or in the joined frames where none is named.
    """
    ground = review.development.ground
    if ground is None or len(box) != 4:
        raise RecipeError("there is no picture yet to pick from", "masks")
    recipe = review.desk.recipe
    names = [name for name, _ in review.development.keys(recipe)]
    at = max(names.index(step_id) - 1, 0) if step_id in names else names.index(JOINED)
    tile, place = review.development.tile(recipe, at), review.development.places(recipe)[at]
    pixels = _inside(tile, box, (ground.full.width, ground.full.height), exact.matrix_inverse(place), ground.factor)
    if kind == "luminance":
        return {"luminance": _between(np.log2(np.maximum(np.asarray(luminance_row()) @ pixels, 2.0**-24)), "EV", 0.5)}
    if kind not in ("hue", "chroma"):
        raise RecipeError("is not picked from the picture", kind, allowed="`luminance`, `hue`, `chroma`")
    table = oklab_matrices()
    roots = np.cbrt(np.reshape(table["m"], (3, 3)) @ pixels)
    light, a, b = np.reshape(table["n"], (3, 3)) @ roots
    if kind == "chroma":
        return {"chroma": _between(np.hypot(a, b) / np.maximum(light, 1e-6), "", 0.02)}
    centre = math.atan2(float(np.median(b)), float(np.median(a)))
    apart = np.abs(np.angle(np.exp(1j * (np.arctan2(b, a) - centre))))
    reach = min(max(math.degrees(float(np.percentile(apart, HIGH))) * 1.2, 8.0), 170.0)
    return {"hue": {"at": f"{math.degrees(centre) % 360.0:.1f}deg", "reach": f"{reach:.1f}deg"}}


def _between(values: Any, unit: str, margin: float) -> dict[str, Any]:
    low, high = (float(value) for value in np.percentile(values, (LOW, HIGH)))
    low, high = (round(low - margin, 3), round(high + margin, 3))
    return {"from": f"{low:+g}{unit}", "to": f"{high:+g}{unit}"} if unit else {"from": max(low, 0.0), "to": high}


def _inside(tile: Tile, box: tuple[float, ...], base: tuple[int, int], from_base: Any, factor: int) -> Any:
    """The pixels `(3, n)` of the tile under a frame given in fractions of the base frame."""
    corners = []
    for x, y in ((box[0], box[1]), (box[2], box[3])):
        px, py, pw = exact.matrix_vector(from_base, (x * base[0] - 0.5, y * base[1] - 0.5, 1.0))
        corners.append((int(px / pw // factor), int(py / pw // factor)))
    height, width = tile.array.shape[1:]
    (x0, x1), (y0, y1) = (sorted(corner[axis] for corner in corners) for axis in (0, 1))
    x0, y0 = min(max(x0, 0), width - 1), min(max(y0, 0), height - 1)
    part = tile.array[:3, y0 : max(min(y1 + 1, height), y0 + 1), x0 : max(min(x1 + 1, width), x0 + 1)]
    return np.asarray(part, np.float64).reshape(3, -1)
