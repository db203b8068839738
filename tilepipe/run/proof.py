"""The proof: the whole job on reduced copies of the frames, in seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import encode_tile
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid
from tilepipe.recipe.model import Recipe
from tilepipe.run.copies import job_on_copies, reduced_frames
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.pictures import write_png
from tilepipe.run.recipe_run import Settings, prepared


def reduced_proof(recipe: Recipe, settings: Settings, long_side_px: int, listener: Listener | None = None) -> Path:
    """The job on copies of the frames whose longer side is at most about `long_side_px`; returns the PNG's path.

    Everything is measured on the full frames, as the run does it, and kept for the run: base, brightness, alignment and
    noise are the run's own. Only then are the frames, aligned, reduced.
    """
    out = settings.out_folder(recipe)
    with prepared(recipe, settings, listener) as run:
        picture = job_on_copies(recipe, run, reduced_frames(run, long_side_px))
        codes = np.empty((3, picture.shape.height, picture.shape.width), np.uint8)
        grid = Grid(picture.shape, run.plan.tile_px, run.plan.tile_px)

        def make(index: int) -> None:
            part = grid[index]
            code_tile(run, read_tile(run.device, picture, part), codes[:, part.rows, part.cols])

        run.engine.run_bag("show", range(len(grid)), make)
        return write_png(out / f"{recipe.name}-proof.png", codes)


def code_tile(run: Execution, tile: Tile, codes: npt.NDArray[np.uint8]) -> None:
    """Puts the pixels of a tile into `codes` (plane, y, x) as a screen shows them."""
    codes[:] = run.device.download(encode_tile(run.device, tile, "srgb", 8))[:3]
