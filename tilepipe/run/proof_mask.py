"""A mask as pictures: grey values as they are, and the picture with what the mask leaves out dimmed and grey."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tilepipe.colour.encode import share_codes
from tilepipe.colour.spaces import luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.errors import RecipeError
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.masks.mask import Mask
from tilepipe.plan.reduced import on_copies
from tilepipe.recipe.faults import did_you_mean, listed
from tilepipe.recipe.model import Recipe, Step
from tilepipe.run.copies import job_on_copies, reduced_frames
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.pictures import write_png
from tilepipe.run.proof import code_tile
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.display import Display
from tilepipe.stages.exposure import Exposure

OVERLAY = Kernel("mask_overlay", 4, 3, params="float weight[3]; float dim;", header="mix.h")
_DIM = 0.3  # of the light of what the mask leaves out; chosen here by looking


def mask_proof(
    recipe: Recipe, settings: Settings, name: str, long_side_px: int, listener: Listener | None = None
) -> tuple[Path, Path]:
    """The mask `name` on reduced copies of the frames: the paths of a grey PNG and of one of the picture under it.

    A mask is shown as the first step that uses it gets it: measured in that step's own input, in its geometry. One that
    no step uses is shown on the joined frames. `name` may also be the id of a step. Raises RecipeError for another name.
    """
    before, step = _asked(recipe, name)
    out = settings.out_folder(recipe)
    with prepared(recipe, settings, listener) as run:
        copies = reduced_frames(run, long_side_px)
        earlier = recipe.model_copy(update={"steps": before, "masks": {}})
        picture = job_on_copies(earlier, run, copies)
        shape = picture.shape
        tile = read_tile(run.device, picture, shape.whole)
        where = on_copies([*before, step], copies.full, copies.factor)[-1].where
        assert where is not None
        mask = where.plane(run.device, tile, shape.whole, run.facts)
        grey = out / f"{recipe.name}-mask-{name}.png"
        grey_codes = run.device.empty((shape.height, shape.width), np.uint8)
        share_codes(run.device, run.device.plane(mask, shape.whole, shape), grey_codes, shape, shape.whole)
        _write_grey(grey, run.device.download(grey_codes))
        codes = np.empty((3, shape.height, shape.width), np.uint8)
        code_tile(run, _overlay(run, tile, mask, any(each.stage.name == "display" for each in before)), codes)
        return grey, write_png(out / f"{recipe.name}-mask-{name}-overlay.png", codes)


def _asked(recipe: Recipe, name: str) -> tuple[tuple[Step, ...], Step]:
    """The steps before the mask is used, and a step that has it."""
    steps = recipe.active_steps
    wanted = recipe.masks.get(name)
    for index, step in enumerate(steps):
        if step.where is not None and (step.id == name if wanted is None else wanted in _parts(step.where)):
            return steps[:index], step if wanted is None else step.model_copy(update={"where": wanted})
    if wanted is None:
        masked = [step.id for step in steps if step.where is not None]
        names = [*recipe.masks, *masked]
        raise RecipeError(
            "there is no mask of this name", "--mask", found=name, allowed=listed(names) or "no mask in this recipe",
            next_step=did_you_mean(name, names) or "name it under `masks:`",
        )
    joined = tuple(step for step in steps if step.stage.kind in ("measure", "blend"))
    return joined, Step(id="mask", stage=Exposure(), where=wanted)


def _parts(mask: Mask) -> Iterator[Mask]:
    """The mask and all that it is made of."""
    yield mask
    for inner in mask.masks:
        yield from _parts(inner)


def _overlay(run: Execution, tile: Tile, mask: Any, shown: bool) -> Tile:
    """The picture as a display shows it, dim and grey where the mask is nothing."""
    device, window = run.device, tile.window
    plain = Tile(tile.array[:3], window, tile.picture)
    if not shown:
        plain = Display().run(device, plain, window, run.facts)
    made: Tile = device.tile(window, tile.picture, COLOUR)
    given = [*device.planes(plain, 3), device.plane(mask, window, tile.picture)]
    device.launch(OVERLAY, given, device.planes(made, 3), weight=list(luminance_row()), dim=_DIM)
    return made


def _write_grey(path: Path, codes: Any) -> None:
    """8-bit grey, 255 where the mask is full: what `image` reads again."""
    from PIL import Image

    with writing_to(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with Pending(path) as pending:
            Image.fromarray(codes).save(pending.path, format="PNG")
            pending.commit()
