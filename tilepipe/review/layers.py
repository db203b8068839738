"""What to look at, as layers over the picture: lost light, colours out of reach, halos, what moved, masks; 0..255 each."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import linear_tile
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.masks.mask import Mask
from tilepipe.measure.lookout import halo
from tilepipe.recipe.model import Recipe
from tilepipe.review.develop import Ground
from tilepipe.review.sight import FINISHED, Sight
from tilepipe.run.checks import CellMaps
from tilepipe.run.evaluate import frame_tiles
from tilepipe.stages.blend import Blend
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.shares import half_lightness, light_stops, radiance_shares

Plane = npt.NDArray[np.uint8]
BEYOND = 0.002  # of display white: chosen here, half a step of 8 bits
HALO_CELL_PX, HALO_LIGHTNESS = 4, 1.0  # of the reduced picture; L*
KINDS = {
    "white": "White: no tone left in the finished picture",
    "black": "Black: no tone left in the finished picture",
    "clipped": "Lost light: every frame clips here",
    "gamut": "Out of reach: colours that sRGB cannot show",
    "halo": "Halo: lighter or darker beside an edge than the light explains",
    "moved": "Moved: taken from one frame each",
    "spots": "Spots: dirt that was found",
}


def layer(kind: str, sight: Sight, recipe: Recipe) -> tuple[Plane, int, Matrix]:
    """A layer, by how much it is reduced, and its full-size pixels → the base frame's; KeyError for another kind."""
    ground = sight.development.ground
    assert ground is not None
    tile, _, to_base = sight.linear(FINISHED, recipe)
    if kind in ("white", "black"):
        codes = sight.shown(FINISHED, recipe).codes
        found = (codes >= 254).all(0) if kind == "white" else (codes <= 1).all(0)
        return _full(found), ground.factor, to_base
    if kind == "gamut":
        light = linear_tile(ground.device, Tile(tile.array[:3], tile.window, tile.picture), "srgb").array
        return _full(((light < -BEYOND) | (light > 1.0 + BEYOND)).any(0)), ground.factor, to_base
    base: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    if kind == "clipped":
        return _clipped(ground, recipe), ground.factor, base
    if kind == "halo":
        return _halo(ground, sight.development.tile(recipe, 0), tile), ground.factor * HALO_CELL_PX, to_base
    if kind == "moved":
        labels, cell = moved_labels(ground)
        return _full(labels > 0), cell, base
    if kind == "spots":
        return _spots(ground), ground.factor, base
    raise KeyError(kind)


def _spots(ground: Ground) -> Plane:
    """Discs where candidates of dirt lie in the base frame."""
    shape = ground.preview.copies.shape
    found = np.zeros((shape.height, shape.width), np.uint8)
    for spot in (ground.facts.get("lens_spots") or {}).get("spots", ()):
        x, y = spot["at"][0] * shape.width, spot["at"][1] * shape.height
        reach = max(float(spot.get("radius_px", 8.0)) / ground.factor, 2.0)
        rows, columns = np.ogrid[: shape.height, : shape.width]
        found[(rows + 0.5 - y) ** 2 + (columns + 0.5 - x) ** 2 <= reach * reach] = 255
    return found


def _full(found: Any) -> Plane:
    return np.where(found, 255, 0).astype(np.uint8)


def moved_labels(ground: Ground) -> tuple[npt.NDArray[Any], int]:
    """The group of every cell (0: none) and the cells' side in pixels of the base frame."""
    motion = ground.facts.get("motion")
    if not motion:
        return np.zeros((1, 1), np.uint16), max(ground.full.height, ground.full.width)
    return np.asarray(ground.facts["maps"]["moved"]["array"]), int(motion["cell_px"])


def _clipped(ground: Ground, recipe: Recipe) -> Plane:
    stage = next((step.stage for step in recipe.active_steps if isinstance(step.stage, Blend)), None)
    merge = RadianceMerge(stage.full_below, stage.none_above) if stage is not None else RadianceMerge()
    copies = ground.preview.copies
    whole = copies.shape.whole
    if len(copies.feeds) < 2:
        return np.zeros((whole.height, whole.width), np.uint8)
    tiles = frame_tiles(ground.device, copies.feeds, whole, copies.shape, copies.facts, copies.maps)
    told = radiance_shares(merge, ground.device, tiles, whole, copies.facts)
    return _full(np.asarray(told.array[-1]) > 0)


def _halo(ground: Ground, joined: Tile, finished: Tile) -> Plane:
    if finished.picture != joined.picture:
        return np.zeros((1, 1), np.uint8)
    means = []
    for made in (light_stops(ground.device, joined), half_lightness(ground.device, finished)):
        maps = CellMaps(finished.picture, made.planes, HALO_CELL_PX)
        maps.add(ground.device, made)
        means.append(maps.means(made.planes[0]))
    found = halo(means[0], 2.0 * means[1])
    return _full(np.nan_to_num(found, nan=0.0) > HALO_LIGHTNESS)


def mask_plane(name: str, sight: Sight, recipe: Recipe) -> tuple[Plane, int, Matrix]:
    """A named mask, or that of the step of this id, as the first step that uses it gets it; KeyError for another name."""
    development, ground = sight.development, sight.development.ground
    assert ground is not None
    wanted = recipe.masks.get(name)
    user = next(
        (step for step in recipe.active_steps if step.where is not None
         and (step.id == name if wanted is None else wanted in _parts(step.where))), None,
    )
    if user is None and wanted is None:
        raise KeyError(name)
    ids = [step_id for step_id, _ in development.keys(recipe)]
    number = max(ids.index(user.id) - 1, 0) if user is not None and user.id in ids else 0
    mask = wanted if wanted is not None or user is None else user.where
    step, tile = development.mask_step(recipe, user.id if user else None, mask), development.tile(recipe, number)
    assert step.where is not None
    plane = step.where.plane(ground.device, tile, tile.window, ground.facts)
    codes = np.array(np.rint(ground.device.download(plane) * 255.0), np.uint8)
    return codes, ground.factor, development.places(recipe)[number]


def _parts(mask: Mask) -> list[Mask]:
    return [mask, *(part for inner in mask.masks for part in _parts(inner))]
