"""Test strips: real crops with the bits of a window proof, a column for each value, words that can be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from finishing import job_in
from PIL import Image

from tilepipe import load_recipe
from tilepipe.errors import InputError, RecipeError
from tilepipe.geometry import Window
from tilepipe.run.recipe_run import Settings
from tilepipe.run.strips import GAP_PX, LINE_PX, PAPER, Stepped, make_strip, sheet
from tilepipe.run.window import final_windows

RECIPE = """\
frames: frames/*.tif
steps:
  - match
  - blend: {method: radiance}
  - local_contrast: {range: 0.7}
  - display
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_in(tmp_path_factory.mktemp("strips"), RECIPE)


def test_crops_have_the_bits_of_the_run(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(device="cpu", tile_px=128)
    path = make_strip(recipe, settings, "local_contrast.range=0.5,0.9", at=(40, 60), size=(120, 90))
    assert path.name == "job-strip-local_contrast.range.png"
    shown = np.asarray(Image.open(path))
    whole_height = round(240 * 120 / 360)
    top = GAP_PX + LINE_PX + whole_height + GAP_PX
    for column, value in enumerate(("0.5", "0.9")):
        changed = load_recipe(folder / "job.yaml", sets=[f"steps.local_contrast.range={value}"])
        with final_windows(changed, settings) as final:
            wanted = final.codes(Window(60, 40, 90, 120))
        left = GAP_PX + column * (120 + GAP_PX)
        assert np.array_equal(shown[top : top + 90, left : left + 120], wanted)
    assert (shown[0, 0] == PAPER).all()


def test_without_a_place_it_shows_what_changes_most(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(device="cpu", tile_px=128)
    path = make_strip(recipe, settings, "steps.local_contrast.range=0.4,0.7,1.0", size=(80, 60))
    shown = np.asarray(Image.open(path))
    assert shown.shape[1] == GAP_PX + 3 * (80 + GAP_PX)
    first, last = shown[:, GAP_PX : GAP_PX + 80].astype(int), shown[:, -GAP_PX - 80 : -GAP_PX].astype(int)
    assert np.abs(first - last)[LINE_PX + GAP_PX :].max() > 20


def test_what_cannot_be_stepped_is_refused(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(device="cpu")
    assert Stepped.of("display.white=1EV, 2EV") == Stepped("display.white", ("1EV", "2EV"))
    for text in ("display.white", "display.white=1EV", "white=1EV,2EV"):
        with pytest.raises(InputError, match="no test strip"):
            make_strip(recipe, settings, text)
    with pytest.raises(RecipeError):
        make_strip(recipe, settings, "display.white=1EV,bright")
    with pytest.raises(InputError, match="outside"):
        make_strip(recipe, settings, "display.white=1EV,2EV", at=(9000, 0))


def test_names_can_be_read() -> None:
    """Light words on middle grey: the contrast that WCAG 2.1, 1.4.3 asks for."""
    made = sheet([[np.zeros((40, 200, 3), np.uint8)] * 2] * 2, ["first", "second"], ["", "place"])
    words = made[GAP_PX : GAP_PX + LINE_PX, GAP_PX : GAP_PX + 200].reshape(-1, 3)
    assert words.max() == 255

    def light(code: int) -> float:  # WCAG 2.1, relative luminance of a grey
        share = code / 255
        return share / 12.92 if share <= 0.03928 else ((share + 0.055) / 1.055) ** 2.4

    assert (light(255) + 0.05) / (light(PAPER[0]) + 0.05) >= 4.5
