"""Every ready recipe runs on a small invented scene, says why it chooses what it chooses, and keeps the scene's mood."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from ruamel.yaml import YAML

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.geometry import Shape
from tilepipe.run.recipe_run import Settings

CONFIGS = sorted((Path(__file__).resolve().parent.parent / "configs").glob("*.yaml"))
SHAPE = Shape(240, 360)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented evening as four raw frames, as three layers of a panorama and as four JPEG files."""
    place = tmp_path_factory.mktemp("scene")
    write_demo_frames(place / "raw", shape=SHAPE)
    write_demo_frames(place / "layers", shape=SHAPE, kind="tiff")
    return place


def laid_out(config: Path, scene: Path, folder: Path) -> Path:
    """The recipe beside frames of the kind that it asks for; its text is changed in nothing but the frames' place."""
    text = config.read_text(encoding="utf-8")
    layers, raw = (sorted((scene / kind).iterdir()) for kind in ("layers", "raw"))
    if "dark.tif" in text:
        for name, source in zip(("dark.tif", "middle.tif", "bright.tif"), layers[1:], strict=True):
            shutil.copy(source, folder / name)
    elif '"*.jpg"' in text:
        text = text.replace('"*.jpg"', '"*.tif"')
        for source in layers:
            shutil.copy(source, folder / source.name)
    else:
        (folder / "frames").mkdir()
        for source in raw:
            shutil.copy(source, folder / ("frames" if "frames/*.dng" in text else "") / source.name)
    path = folder / config.name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("config", CONFIGS, ids=lambda path: path.stem)
def test_a_ready_recipe_makes_its_pictures(config: Path, scene: Path, tmp_path: Path) -> None:
    recipe = load_recipe(laid_out(config, scene, tmp_path))
    receipt = json.loads(run_plan(recipe, Settings(work=tmp_path / "work", out=tmp_path / "out", workers=1)).read_text())
    assert receipt["result"]["root"]
    for deliverable in recipe.deliver:
        assert list((tmp_path / "out").rglob(f"{deliverable.name}*")), deliverable
    proofs = list((tmp_path / "out").rglob("proof.jpg"))
    if proofs:
        codes = np.asarray(Image.open(proofs[0]).convert("L"), np.float64)
        assert codes.shape == (SHAPE.height, SHAPE.width)
        sky, land = codes[20:80, 100:300].mean(), codes[210:].mean()
        assert land < sky < 230
        assert codes.std() > 20


@pytest.mark.parametrize("config", CONFIGS, ids=lambda path: path.stem)
def test_a_ready_recipe_says_why(config: Path) -> None:
    """A comment for every choice, but in the smallest, which has none to explain."""
    text = config.read_text(encoding="utf-8")
    if config.stem == "smallest":
        assert len(text.splitlines()) <= 10
    else:
        assert text.count("#") >= 8


def test_there_are_five_and_they_differ() -> None:
    assert [path.stem for path in CONFIGS] == [
        "backlit_trees", "evening_6mp", "gigapixel_panorama", "night_skyline", "smallest",
    ]
    ranges = {path.stem: range_of(path) for path in CONFIGS}
    assert ranges["backlit_trees"] < ranges["evening_6mp"] < ranges["gigapixel_panorama"] < ranges["night_skyline"]


def range_of(path: Path) -> float:
    """The `range` of its step `local_contrast`."""
    steps = YAML(typ="safe").load(path.read_text(encoding="utf-8"))["steps"]
    return next(float(step["local_contrast"]["range"]) for step in steps if "local_contrast" in step)
