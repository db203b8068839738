"""Windows have the bits of the full run, whatever the steps; only steps that reach across the picture need all of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.geometry import Shape, Window
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.window import final_windows, window_proof

STEPS = {
    "near": "match | align | motion | blend | exposure: {stops: +1EV} | straighten: {turn: 2deg} | display",
    "joined": "match | blend",
    "deep": "match | blend | local_contrast: {range: 0.6} | display",
    "fused": "match | blend: {method: fusion} | exposure: {stops: +0.5EV}",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("windows")
    write_demo_frames(place / "frames", shape=Shape(560, 840), kind="tiff")
    for name, steps in STEPS.items():
        listed = "".join(f"  - {step}\n" for step in steps.split(" | "))
        (place / f"{name}.yaml").write_text(
            f"frames: frames/*.tif\nsteps:\n{listed}deliver:\n  - {{kind: linear-tiff, name: linear}}\n", encoding="utf-8"
        )
    return place


@pytest.mark.parametrize("name", list(STEPS))
def test_a_window_has_the_bits_and_digests_of_the_run(folder: Path, name: str) -> None:
    recipe = load_recipe(folder / f"{name}.yaml")
    settings = Settings(device="cpu", tile_px=256, work=folder / f"{name}-work", out=folder / f"{name}-out")
    told = json.loads(window_proof(recipe, settings, (130, 90), (300, 200)).with_suffix(".json").read_text(encoding="utf-8"))
    kept = {path.name.rpartition("-")[0] for path in settings.work.iterdir()} if settings.work else set()
    assert ("blended" in kept) == (name in ("deep", "fused"))  # the others need no whole picture
    assert not any(each.endswith("-made") or each == "result" for each in kept)
    with final_windows(recipe, settings) as final:
        window = Window(37, 211, 301, 153)
        light = final.light(window)
    receipt = json.loads(run_plan(recipe, settings).read_text(encoding="utf-8"))
    assert told["regions"] == {index: receipt["result"]["regions"][int(index)] for index in told["regions"]}
    assert "0" in told["regions"]
    with prepared(recipe, settings) as run:
        run.run()
        whole = np.array(run.pictures[run.plan.result].read(window))
    assert np.array_equal(light.view(np.uint32), whole.view(np.uint32))
