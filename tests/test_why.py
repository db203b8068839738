"""The account of one pixel agrees with what the run makes and with what the frames hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tilepipe import load_recipe
from tilepipe.demo.frames import write_demo_frames
from tilepipe.errors import InputError
from tilepipe.geometry import Shape, Window
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.why import why

RECIPE = """\
frames: frames/*.dng
steps:
  - match
  - align
  - blend: {method: radiance}
  - exposure: {stops: +0.5EV}
  - local_contrast: {range: 0.7, detail: 1.1}
  - crop: {left: 0.1, top: 0.2, width: 0.7, height: 0.7}
  - display
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("why")
    write_demo_frames(place / "frames", shape=Shape(240, 360))
    (place / "job.yaml").write_text(RECIPE, encoding="utf-8")
    return place


def test_the_last_colour_is_the_pictures_and_steps_add_up(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(tile_px=128, device="cpu")
    told = why(recipe, settings, (30, 130))
    with prepared(recipe, settings) as run:
        run.run(finish=False)
        pixel = run.window(Window(130, 30, 1, 1))[:3, 0, 0]
    assert np.array_equal(np.float32(told.steps[-1].colour), pixel)
    assert [step.step for step in told.steps] == ["exposure", "local_contrast", "crop", "display"]
    assert told.steps[0].stops == pytest.approx(0.5, abs=1e-6)
    assert told.steps[2].delta_e == pytest.approx(0.0, abs=1e-9)  # a crop moves pixels and changes none
    assert (told.base_x, told.base_y) == (pytest.approx(30 + 36), pytest.approx(130 + 48))
    assert sum(frame.share or 0.0 for frame in told.frames) == pytest.approx(1.0, abs=1e-5)
    assert told.noise_stops is not None
    assert told.frames[0].stops < told.frames[-1].stops
    assert not told.clipped
    assert any("gave" in line for line in told.lines())


def test_a_place_outside_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match="outside the picture"):
        why(load_recipe(folder / "job.yaml"), Settings(tile_px=128, device="cpu"), (5000, 5))
