"""Test strips: one value of a recipe stepped over real crops of the picture, on one sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from tilepipe.errors import InputError, RecipeError
from tilepipe.geometry import Shape, Window
from tilepipe.measure.lookout import worst
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.run.engine import Listener
from tilepipe.run.pictures import write_png
from tilepipe.run.preview import Preview
from tilepipe.run.recipe_run import Settings
from tilepipe.run.window import final_windows

Codes = npt.NDArray[np.uint8]
CROPS, CROP_PX = 3, (420, 300)  # how many places, and width and height of each; chosen here: five values on a wide screen
WHOLE_PX = 420  # the whole picture above them
CELL_PX = 16  # of the whole pictures, in which they are compared
MOST_VALUES = 12
PAPER, INK, GAP_PX, LINE_PX, TEXT_PX = (116, 116, 116), (255, 255, 255), 8, 26, 17  # about middle grey in lightness


@dataclass(frozen=True)
class Stepped:
    """What is stepped: `local_contrast.range` over the values as they are written in a recipe."""

    where: str
    values: tuple[str, ...]

    @classmethod
    def of(cls, text: str) -> Stepped:
        """`STEP.PARAMETER=a,b,c`; InputError for anything else."""
        where, equals, listed = text.partition("=")
        values = tuple(value.strip() for value in listed.split(",") if value.strip())
        if not equals or "." not in where or not 2 <= len(values) <= MOST_VALUES:
            raise InputError(
                "this is no test strip", "--strip", text, f"STEP.PARAMETER=a,b,c with 2 to {MOST_VALUES} values",
                "for example --strip local_contrast.range=0.4,0.5,0.6",
            )
        return cls(where.strip().removeprefix("steps."), values)


def make_strip(
    recipe: Recipe, settings: Settings, text: str, at: tuple[int, int] | None = None,
    size: tuple[int, int] = CROP_PX, listener: Listener | None = None,
) -> Path:
    """A sheet (PNG): a column for each value, above the whole picture, below crops of it at 1:1 with the bits of the run.

    `at` is the upper left corner (x, y) of the one crop, in pixels of the finished picture; without it there are crops of
    the three places that the values change most. Raises RecipeError for a value that the recipe does not take.
    """
    stepped = Stepped.of(text)
    recipes = [_with(recipe, stepped.where, value) for value in stepped.values]
    wholes, places = _wholes(recipes, settings, size, listener)
    columns: list[list[Codes]] = []
    windows: list[Window] = []
    for changed, whole in zip(recipes, wholes, strict=True):
        with final_windows(changed, settings, listener) as final:
            windows = windows or _windows(final.shape, at, size, places)
            columns.append([whole, *(final.codes(window.cut(final.shape)) for window in windows)])
    path = settings.out_folder(recipe) / f"{recipe.name}-strip-{stepped.where}.png"
    names = [f"{stepped.where} {value}" for value in stepped.values]
    rows = ["", *(f"x {window.x}, y {window.y}" for window in windows)]
    return write_png(path, np.ascontiguousarray(sheet(columns, names, rows).transpose(2, 0, 1)))


def _with(recipe: Recipe, where: str, value: str) -> Recipe:
    if recipe.file is None:
        raise RecipeError("a test strip needs a recipe that lies in a file", where="--strip")
    return load_recipe(recipe.file, sets=[*recipe.sets, f"steps.{where}={value}"])


def _wholes(
    recipes: Sequence[Recipe], settings: Settings, size: tuple[int, int], listener: Listener | None
) -> tuple[list[Codes], list[tuple[float, float]]]:
    """The whole pictures, small, and the middles of the places that differ most, (x, y) as parts of the picture."""
    wholes: list[Codes] = []
    with Preview(recipes[0], settings, 2 * WHOLE_PX, listener) as preview:
        for recipe in recipes:
            preview.changed(recipe)
            wholes.append(preview.picture())
    first, last = wholes[0].astype(np.int32), wholes[-1].astype(np.int32)
    if first.shape != last.shape:
        return wholes, [(0.5, 0.5)]
    change = np.abs(first - last).sum(axis=2)
    side = min(CELL_PX, *change.shape)
    rows, columns = (length // side for length in change.shape)
    means = change[: rows * side, : columns * side].reshape(rows, side, columns, side).mean(axis=(1, 3))
    found = worst(means, CROPS, apart=max(rows // 5, 2))
    return wholes, [((each.column + 0.5) / columns, (each.row + 0.5) / rows) for each in found] or [(0.5, 0.5)]


def _windows(
    shape: Shape, at: tuple[int, int] | None, size: tuple[int, int], places: Sequence[tuple[float, float]]
) -> list[Window]:
    width, height = min(size[0], shape.width), min(size[1], shape.height)
    if at is not None:
        wanted = Window(at[1], at[0], height, width).cut(shape)
        if wanted.height < 1 or wanted.width < 1:
            raise InputError("this window lies outside the picture", f"--at {at[0]},{at[1]}", allowed=f"inside {shape}")
        return [wanted]
    corners = [(round(x * shape.width - width / 2), round(y * shape.height - height / 2)) for x, y in places]
    return [
        Window(min(max(y, 0), shape.height - height), min(max(x, 0), shape.width - width), height, width)
        for x, y in corners
    ]


def sheet(columns: Sequence[Sequence[Codes]], names: Sequence[str], rows: Sequence[str]) -> Codes:
    """Pictures `(y, x, 3)` side by side on middle grey: a column each with its name above, rows with theirs below."""
    wide = max(picture.shape[1] for column in columns for picture in column[1:] or column)
    pictures = [[_fitting(picture, wide if row == 0 else None) for row, picture in enumerate(column)] for column in columns]
    heights = [max(column[row].shape[0] for column in pictures) for row in range(len(rows))]
    width = GAP_PX + len(columns) * (wide + GAP_PX)
    below = [LINE_PX if name else 0 for name in rows]
    height = LINE_PX + 2 * GAP_PX + sum(heights) + sum(below) + GAP_PX * len(rows)
    paper = Image.new("RGB", (width, height), PAPER)
    draw, font = ImageDraw.Draw(paper), ImageFont.load_default(TEXT_PX)
    for index, (name, column) in enumerate(zip(names, pictures, strict=True)):
        x, y = GAP_PX + index * (wide + GAP_PX), GAP_PX
        draw.text((x, y), name, INK, font)
        y += LINE_PX
        for row, picture in enumerate(column):
            paper.paste(Image.fromarray(picture), (x, y))
            y += heights[row]
            draw.text((x, y + 3), rows[row], INK, font)
            y += below[row] + GAP_PX
    return np.asarray(paper)


def _fitting(picture: Codes, wide: int | None) -> Codes:
    """The picture as it is, or as a reduced copy of this width for the overview."""
    if wide is None or picture.shape[1] <= wide:
        return np.ascontiguousarray(picture)
    high = max(round(picture.shape[0] * wide / picture.shape[1]), 1)
    return np.asarray(Image.fromarray(np.ascontiguousarray(picture)).resize((wide, high), Image.Resampling.LANCZOS))


__all__: Sequence[str] = ("Stepped", "sheet", "make_strip")
