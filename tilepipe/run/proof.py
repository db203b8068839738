"""The proof: the whole job small enough for a screen, with the light of the full size."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import encode_tile
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid
from tilepipe.recipe.model import Recipe
from tilepipe.run.checks import group_check, halo_check
from tilepipe.run.copies import finished_small
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.gamut import gamut_check
from tilepipe.run.looked import look_at_all
from tilepipe.run.pictures import write_png
from tilepipe.run.receipt import measured_of, size_of
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.rims import rim_check
from tilepipe.stages.proof_copy import full_window, reduced_shape, reduced_tile
from tilepipe.store.picture import Picture

# Chosen here: any single frame of a camera is finished at full size, as the run will do it, and kept for the run. Tones
# bend the light of mixed pixels along edges, so that a picture that was reduced first looks different there: the later it
# is reduced, the less (scripts/show_proof.py).
WORKED_PIXELS = 64_000_000
READ_PX = 1024


def reduced_proof(
    recipe: Recipe, settings: Settings, long_side_px: int, listener: Listener | None = None,
    worked_pixels: int = WORKED_PIXELS,
) -> Path:
    """The finished picture, reduced to a longer side of at most about `long_side_px`; returns the PNG's path.

    A JSON file beside it holds what was measured and what the checks found.

    Everything is measured on the full frames, as the run does it, and kept for the run: base, brightness, alignment,
    noise and movement are the run's own. The frames are joined at full size; pictures of up to `worked_pixels` are finished
    so too, larger ones on a copy of about that size; only then is the picture reduced.
    """
    path = settings.out_folder(recipe) / f"{recipe.name}-proof.png"
    with prepared(recipe, settings, listener) as run:
        made, factor = worked(recipe, run, worked_pixels)
        picture = made.pictures[made.plan.result]
        shown = max(1, -(-max(picture.shape.height, picture.shape.width) // max(long_side_px, 1)))
        write_png(path, reduced_codes(run, picture, shown))
        told = {**measured_of(run, recipe), "result": size_of(run), "checks": _looked(run, made, factor)}
        told["proof"] = {"reduced_first": factor, "reduced": factor * shown, "warnings": list(run.engine.warnings)}
        path.with_suffix(".json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return path


def worked(recipe: Recipe, run: Execution, worked_pixels: int = WORKED_PIXELS) -> tuple[Execution, int]:
    """What made the finished picture, of about at most `worked_pixels`, and by which factor it is smaller than the run's."""
    factor = 1
    while run.job.shape.pixels > worked_pixels * factor * factor:
        factor *= 2  # by whole levels: what steps do size by size stays at its size
    if factor > 1 and run.job.finishing:
        return finished_small(recipe, run, factor), factor
    run.run(linear=False)
    return run, 1


def _looked(run: Execution, made: Execution, factor: int) -> dict[str, Any]:
    """The checks of what was made, their places in pixels of the full size."""
    if factor == 1:
        look_at_all(made)
        return dict(made.checks)
    found = dict(run.checks)
    for name, small in (("halo", halo_check(made)), ("gamut", gamut_check(made))):
        if small is not None:
            at = [{**each, "x": each["x"] * factor, "y": each["y"] * factor} for each in small["at"]]
            found[name] = {**small, "at": at, "cell_px": small["cell_px"] * factor}
    for name, check in (("groups", group_check), ("rims", rim_check)):
        whole = check(run)
        if whole is not None:
            found[name] = whole
    return found


def reduced_codes(run: Execution, picture: Picture, factor: int) -> npt.NDArray[np.uint8]:
    """sRGB codes `(plane, y, x)` of a finished picture reduced by a whole factor: each pixel the mean light of its box."""
    shape = reduced_shape(picture.shape, factor)
    codes = np.empty((3, shape.height, shape.width), np.uint8)
    side = max(READ_PX // factor, 64)
    grid = Grid(shape, side, side)

    def make(index: int) -> None:
        part = grid[index]
        whole = read_tile(run.device, picture, full_window(part, factor, picture.shape))
        tile = whole if factor == 1 else reduced_tile(run.device, whole, part, factor)
        code_tile(run, tile, codes[:, part.rows, part.cols])

    run.engine.run_bag("show", range(len(grid)), make)
    return codes


def code_tile(run: Execution, tile: Tile, codes: npt.NDArray[np.uint8]) -> None:
    """Puts the pixels of a tile into `codes` (plane, y, x) as a screen shows them."""
    codes[:] = run.device.download(encode_tile(run.device, tile, "srgb", 8))[:3]


