"""A preview has the bits of the proof, makes again only what a change reaches, and keeps places."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from finishing import job_in

from tilepipe import load_recipe
from tilepipe.device import exact
from tilepipe.geometry import Shape
from tilepipe.plan.reduced import on_copies
from tilepipe.run import preview as previews
from tilepipe.run.copies import job_on_copies, reduced_frames
from tilepipe.run.preview import FRAMES, Preview
from tilepipe.run.preview_steps import Cancelled
from tilepipe.run.proof import reduced_codes
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.proof_copy import ReducedGeometry

RECIPE = """\
frames: frames/*.tif
masks:
  rocks: {polygon: {points: [[0.1, 0.55], [0.45, 0.5], [0.5, 0.8], [0.1, 0.85]], soft: 2%}}
steps:
  - match
  - blend: {method: radiance}
  - exposure: {stops: +0.5EV}
  - straighten: {turn: 1deg}
  - crop: {left: 0.1, top: 0.05, width: 0.8, height: 0.85}
  - dodge: {stops: 0.5EV, where: rocks}
  - local_contrast: {range: 0.7, detail: 1.1}
  - tone_curve: {points: [{at: -3EV, to: -2.7EV}]}
  - display
  - sharpen: {amount: 0.6}
"""
FACTOR = 3


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_in(tmp_path_factory.mktemp("preview"), RECIPE)


@pytest.fixture(scope="module")
def shown(folder: Path) -> Iterator[Preview]:
    with Preview(load_recipe(folder / "job.yaml"), Settings(device="cpu", workers=2), 360 // FACTOR) as preview:
        yield preview


def _made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    made: list[str] = []
    real = previews.after_step

    def noted(engine: Any, copies: Any, step: Any, *rest: Any) -> Any:
        made.append(step.id)
        return real(engine, copies, step, *rest)

    monkeypatch.setattr(previews, "after_step", noted)
    return made


def test_it_has_the_bits_of_the_job_on_copies(folder: Path, shown: Preview) -> None:
    settings = Settings(device="cpu", work=folder / "copies-work", out=folder / "copies-out", tile_px=128)
    with prepared(load_recipe(folder / "job.yaml"), settings) as run:
        copies = reduced_frames(run, 360 // FACTOR)
        codes = reduced_codes(run, job_on_copies(shown.recipe, run, copies), 1).transpose(1, 2, 0)
    found = shown.picture()
    assert found.shape[:2] == (shown.shape().height, shown.shape().width)
    assert np.array_equal(codes, found)


def test_only_what_a_change_reaches_is_made_again(
    folder: Path, shown: Preview, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = load_recipe(folder / "job.yaml")
    assert shown.changed(plain) is None
    first = shown.picture()
    made = _made(monkeypatch)
    assert shown.changed(load_recipe(folder / "job.yaml", sets=["steps.local_contrast.range=0.5"])) == "local_contrast"
    other = shown.picture()
    assert made == ["local_contrast", "tone_curve", "display"]
    assert (other != first).any()
    made.clear()
    assert shown.changed(plain) == "local_contrast"
    assert np.array_equal(shown.picture(), first)
    assert made == []
    assert shown.changed(load_recipe(folder / "job.yaml", sets=["steps.match.mode=exposure"])) == FRAMES
    shown.changed(plain)


def test_a_picture_that_is_no_longer_wanted_is_given_up(folder: Path, shown: Preview) -> None:
    cancel = threading.Event()
    cancel.set()
    shown.changed(load_recipe(folder / "job.yaml", sets=["steps.exposure.stops=1EV"]))
    with pytest.raises(Cancelled):
        shown.picture(cancel=cancel)
    shown.changed(load_recipe(folder / "job.yaml"))
    assert shown.picture("blend").shape[:2] == (80, 120)
    with pytest.raises(KeyError):
        shown.picture("nothing")


def test_places_of_the_base_frame_are_found(shown: Preview) -> None:
    before, mask = shown.shape("crop"), shown.mask("dodge")
    assert mask.shape == (before.height, before.width)
    x, y, w = exact.matrix_vector(shown.from_base("crop"), (0.3, 0.68, 1.0))
    assert mask[round(y / w), round(x / w)] == 1.0
    x, y, w = exact.matrix_vector(shown.from_base("crop"), (0.7, 0.3, 1.0))
    assert mask[round(y / w), round(x / w)] == 0.0
    assert shown.mask("exposure").min() == 1.0


def test_frames_are_shown_at_their_own_exposure(shown: Preview) -> None:
    dark, bright = shown.frame(0), shown.frame(3)
    assert dark.shape == bright.shape == (80, 120, 3)
    assert bright.mean() > dark.mean() + 20


def test_geometry_is_carried_onto_copies(shown: Preview) -> None:
    """A copy's pixel shows the middle of its box, though the full size was turned and cut in whole pixels."""
    full, recipe = Shape(2000, 3000), shown.recipe
    steps = on_copies(recipe.active_steps, full, 4)
    assert [step.id for step in steps][-1] == "display"  # detail of 0.7 px does not show at a quarter of the size
    turned, cut = [step.stage for step in steps if isinstance(step.stage, ReducedGeometry)]
    at_full = [step.stage for step in recipe.active_steps if step.id in ("straighten", "crop")]
    straight = at_full[0].output_shape(full)
    assert (turned.height, turned.width) == (-(-straight.height // 4), -(-straight.width // 4))
    x, y, w = exact.matrix_vector(turned.to_output(Shape(500, 750)), (200.0, 100.0, 1.0))
    fx, fy, fw = exact.matrix_vector(at_full[0].to_output(full), (200.0 * 4 + 1.5, 100.0 * 4 + 1.5, 1.0))  # type: ignore[attr-defined]
    assert x / w == pytest.approx((fx / fw - 1.5) / 4, abs=1e-9)
    assert y / w == pytest.approx((fy / fw - 1.5) / 4, abs=1e-9)
    assert cut.matrix[0][0] == pytest.approx(1.0)
