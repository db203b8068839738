"""Proofs show the light of the finished picture: exactly where it is finished at full size, nearly where copies are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from finishing import job_in
from PIL import Image

from tilepipe import load_recipe
from tilepipe.run.proof import reduced_proof, worked
from tilepipe.run.recipe_run import Settings, prepared

RECIPE = """\
frames: frames/*.tif
steps:
  - match
  - blend: {method: radiance}
  - straighten: {turn: 1deg}
  - local_contrast: {range: 0.7, detail: 1.1}
  - display
deliver:
  - {kind: linear-tiff, name: linear}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_in(tmp_path_factory.mktemp("proof"), RECIPE)


def test_a_proof_is_the_mean_light_of_the_finished_picture(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(device="cpu", tile_px=128)
    shown = np.asarray(Image.open(reduced_proof(recipe, settings, 100)))
    with prepared(recipe, settings) as run:
        told: list[str] = []
        run.engine._listener = lambda event: told.append(event["event"])
        made, factor = worked(recipe, run)
        picture = made.pictures[run.plan.result]
        assert factor == 1
        assert told.count("tile") == 1  # the coarse half is solved anew, all else is there from the proof
        assert set(run.pictures) >= {run.plan.result}
        assert run.plan.linear not in run.pictures
        pixels = np.array(picture.read(picture.shape.whole))
    assert shown.shape == (-(-picture.shape.height // 4), -(-picture.shape.width // 4), 3)
    high, wide = picture.shape.height // 4, picture.shape.width // 4
    boxes = pixels[:3, : high * 4, : wide * 4].astype(np.float64).reshape(3, high, 4, wide, 4).mean(axis=(2, 4))
    # Rec. 2020 → sRGB primaries (ITU-R BT.2087, four digits, from memory) and IEC 61966-2-1's curve
    matrix = np.array([[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]])
    plain = np.einsum("ij,jyx->yxi", matrix, boxes)
    light = np.clip(plain, 0.0, 1.0)
    codes = 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    inside = (plain.min(axis=2) > 0.4 * plain.max(axis=2)) & (plain.max(axis=2) < 0.6)  # where no colour gives way
    assert inside.mean() > 0.2
    assert np.abs(shown[:high, :wide] - codes)[inside].max() <= 1.5  # rounding and dither


def test_a_proof_on_copies_is_near(folder: Path) -> None:
    recipe, settings = load_recipe(folder / "job.yaml"), Settings(device="cpu", tile_px=128)
    exact = np.asarray(Image.open(reduced_proof(recipe, settings, 100))).astype(float)
    near = np.asarray(Image.open(reduced_proof(recipe, settings, 100, worked_pixels=240 * 360 // 4))).astype(float)
    assert near.shape == exact.shape
    assert (near != exact).any()
    assert np.abs(near - exact).mean() < 3.0
