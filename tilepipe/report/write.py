"""Writes the report of a finished run: finds its receipt, takes the pictures from its working folder, fills the page."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from tilepipe.errors import InputError
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.geometry import Shape, Window
from tilepipe.recipe.changed import refuse_changed
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.report.page import page
from tilepipe.run.digests import result_digests
from tilepipe.run.engine import Listener
from tilepipe.run.execute import Execution
from tilepipe.run.preview import Preview
from tilepipe.run.proof import reduced_codes
from tilepipe.run.receipt import read_receipt
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.window import code_pixels
from tilepipe.run.worst import WorstPlace, worst_places

Codes = npt.NDArray[np.uint8]
ENDING = ".receipt.json"
PICTURE_PX, SMALL_PX = 1800, 560  # longer sides of the picture, of frames and steps; chosen here: some 3 MB in all
CROP_PX = (390, 270)
MARK_PX, TICK_PX = 24, 8  # half the square around the middle, and the length of its corners
MOST_GROUPS = 9
QUALITY, CROP_QUALITY = 88, 92


def write_report(
    source: Path, target: Path | None = None, settings: Settings | None = None, listener: Listener | None = None
) -> Path:
    """One HTML file of the run of a recipe; returns its path.

    `source`: the recipe's file, its receipt, or a folder that holds one of them. Pictures come from the working folder;
    what is no longer there is computed again. Raises InputError where there is no receipt, RecipeError where the recipe
    is no longer that of the receipt.
    """
    settings = settings or Settings()
    path = _receipt_of(source, settings)
    told = read_receipt(path)
    if told["recipe_file"] is None:
        raise InputError("this receipt names no recipe file", str(path), next_step="run the recipe from a file")
    recipe = load_recipe(path.parent / told["recipe_file"], sets=told["sets"])
    refuse_changed(told["recipe"], recipe)
    places = worst_places(told)
    own = replace(settings, out=path.parent)
    pictures = _pictures(recipe, own, told, places, listener) | _small_pictures(recipe, own, listener)
    target = target or path.with_name(path.name.removesuffix(ENDING) + ".report.html")
    with writing_to(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        with Pending(target) as pending:
            pending.path.write_text(page(told, pictures, places), encoding="utf-8")
            pending.commit()
    return target


def _receipt_of(source: Path, settings: Settings) -> Path:
    """The receipt that is meant."""
    if source.is_file() and source.name.endswith(ENDING):
        return source
    if source.is_file():
        recipe = load_recipe(source)
        found = [settings.out_folder(recipe) / f"{recipe.name}{ENDING}"]
    else:
        found = sorted(source.glob(f"*{ENDING}")) or sorted(source.glob(f"out/*/*{ENDING}"))
    found = [each for each in found if each.exists()]
    if len(found) == 1:
        return found[0]
    raise InputError(
        "there is no receipt yet" if not found else "there are several receipts", str(source),
        found=", ".join(each.name for each in found), allowed="a run's recipe, receipt, or a folder with one receipt",
        next_step="run the recipe first: `tilepipe run`" if not found else "name one of them",
    )


def _pictures(
    recipe: Recipe, settings: Settings, told: Mapping[str, Any], places: Sequence[WorstPlace], listener: Listener | None
) -> dict[str, str]:
    """The finished picture reduced, and crops of it at 1:1."""
    with prepared(recipe, settings, listener) as run:
        run.run(linear=False)
        result = run.pictures[run.plan.result]
        if result_digests(run)[1] != told["result"]["root"]:
            raise InputError(
                "the pixels made now are not those of the receipt", f"{recipe.name}{ENDING}",
                found="another version of tilepipe, or other frames", next_step="run the recipe again: `tilepipe run`",
            )
        longer = max(result.shape.height, result.shape.width)
        whole = reduced_codes(run, result, max(1, -(-longer // PICTURE_PX))).transpose(1, 2, 0)
        found = {"picture": _jpeg(whole, QUALITY)}
        for index, place in enumerate(places):
            if place.picture is not None:
                found[f"worst-{index}"] = _jpeg(_crop(run, place.picture), CROP_QUALITY)
        for group in told["measurements"].get("motion", {}).get("groups", ())[:MOST_GROUPS]:
            middle = _in_picture(told, group["window"])
            if middle is not None:
                found[f"group-{group['id']}"] = _jpeg(_crop(run, middle), CROP_QUALITY)
        return found


def _in_picture(told: Mapping[str, Any], window: Sequence[float]) -> tuple[float, float] | None:
    """Where the middle of a window of the base frame lies in the finished picture."""
    moved = worst_places({"result": told["result"], "measurements": {"motion": {"groups": [
        {"id": 0, "window": list(window), "share": 0.0, "name": "", "why": ""}
    ]}}}, cut_away=True)
    return moved[0].picture if moved else None


def _crop(run: Execution, middle: tuple[float, float]) -> Codes:
    """A crop around (x, y) at 1:1, moved inside the picture."""
    result = run.pictures[run.plan.result]
    window = _around(result.shape, middle)
    codes = np.empty((3, window.height, window.width), np.uint8)
    code_pixels(run, np.ascontiguousarray(result.read(window)), window, codes)
    return _marked(codes.transpose(1, 2, 0), middle[0] - window.x, middle[1] - window.y)


def _marked(codes: Codes, x: float, y: float) -> Codes:
    """Four corners around a place, dark with a light line beside it, so that they show on any ground."""
    image = Image.fromarray(np.ascontiguousarray(codes))
    draw = ImageDraw.Draw(image)
    for colour, out in (((255, 255, 255), 1), ((0, 0, 0), 0)):
        for across in (-1, 1):
            for down in (-1, 1):
                corner = (x + across * (MARK_PX + out), y + down * (MARK_PX + out))
                draw.line([corner, (corner[0] - across * TICK_PX, corner[1])], colour)
                draw.line([corner, (corner[0], corner[1] - down * TICK_PX)], colour)
    return np.asarray(image)


def _around(shape: Shape, middle: tuple[float, float]) -> Window:
    width, height = min(CROP_PX[0], shape.width), min(CROP_PX[1], shape.height)
    x = min(max(round(middle[0] - width / 2), 0), shape.width - width)
    y = min(max(round(middle[1] - height / 2), 0), shape.height - height)
    return Window(y, x, height, width)


def _small_pictures(recipe: Recipe, settings: Settings, listener: Listener | None) -> dict[str, str]:
    """The frames at their own exposures, and the picture after each step."""
    with Preview(recipe, settings, SMALL_PX, listener) as preview:
        frames = {f"frame-{index}": preview.frame(index) for index in range(len(preview.facts["frames"]))}
        steps = {f"step-{step}": preview.picture(step) for step in preview.steps}
        return {name: _jpeg(codes, QUALITY) for name, codes in (frames | steps).items()}


def _jpeg(codes: Codes, quality: int) -> str:
    """A picture as a data URI."""
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(codes)).save(buffer, format="JPEG", quality=quality, subsampling=0)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
