"""What a run takes from an earlier one: exactly what does not depend on what changed since, its warnings told again."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.run import measuring
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.workspace import FolderWorkspace
from tilepipe.stages.match import Match
from tilepipe.stages.warp import Warp

RECIPE = """\
frames: frames/*.dng
steps:
  - match: {warn: 0.1EV}
  - align
  - blend: {method: radiance}
  - local_contrast: {range: 0.7, detail: 1.1}
  - display
"""
KEPT = {"blend", "local_contrast-down", "local_contrast-up"}  # the passes whose pictures lie in the working folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An invented bracket of four raw frames of 0.09 MP and its recipe."""
    write_demo_frames(tmp_path / "frames", shape=Shape(240, 360))
    (tmp_path / "job.yaml").write_text(RECIPE, encoding="utf-8")
    return tmp_path


def _run(folder: Path, sets: tuple[str, ...] = ()) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """The events of a run in the folder's own working folder, and its receipt."""
    events: list[dict[str, Any]] = []
    recipe = load_recipe(folder / "job.yaml", sets=list(sets))
    path = run_plan(recipe, Settings(tile_px=128, workers=1, device="cpu"), events.append)
    return events, json.loads(path.read_text(encoding="utf-8"))


def _made(events: list[dict[str, Any]]) -> set[str]:
    """The passes that had anything left to do."""
    return {event["name"] for event in events if event["event"] == "pass" and event["done"] < event["tiles"]}


def test_renamed_files_are_measured_again_and_no_pixel_is_made_again(folder: Path) -> None:
    _, first = _run(folder)
    for path in sorted((folder / "frames").iterdir()):
        path.rename(path.with_name(f"other_{path.name}"))
    events, second = _run(folder)
    assert "survey" in _made(events)
    assert not _made(events) & KEPT
    assert [item["file"] for item in second["inputs"]] == [f"other_{item['file']}" for item in first["inputs"]]
    assert second["result"] == first["result"]


def test_warnings_are_told_again_when_nothing_is_measured_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = measuring.match

    def warned(*given: Any, **named: Any) -> dict[str, Any]:
        return {**whole(*given, **named), "warnings": [{"what": "invented", "where": "frame_1.dng", "next_step": "none"}]}

    monkeypatch.setattr(measuring, "match", warned)
    _, first = _run(folder)
    events, second = _run(folder)
    assert not _made(events) & {"survey", *KEPT}
    assert {"text": "frame_1.dng: invented", "next_step": "none"} in first["warnings"]
    assert second["warnings"] == first["warnings"]


def test_a_resumed_picture_takes_the_smaller_tiles_of_less_memory(tmp_path: Path) -> None:
    """What was made in large tiles is kept where chunks allow it; the rest is made in tiles that fit."""
    shape, key = Shape(2048, 1536), "ab" * 32
    first = FolderWorkspace(tmp_path)
    place = first.place("made", key, shape, ("red",), "float32", Shape(1024, 1024))
    place.write(1, Grid(shape, 1024, 1024)[1], np.ones((1, 1024, 512), np.float32))
    place.close(complete=False)
    larger = first.place("made", key, shape, ("red",), "float32", Shape(2048, 2048))
    assert (larger.tile, larger.finished) == (Shape(1024, 1024), {1})
    larger.close(complete=False)
    smaller = first.place("made", key, shape, ("red",), "float32", Shape(512, 512))
    assert (smaller.tile, smaller.finished) == (Shape(512, 512), {2, 5})
    assert (smaller.picture.read(Window(0, 1024, 1024, 512)) == 1).all()
    smaller.close(complete=False)
    split = first.place("made", key, shape, ("red",), "float32", Shape(256, 256))
    assert (split.tile, split.finished) == (Shape(256, 256), set())  # several would write into one chunk
    for index, window in enumerate(Grid(shape, 256, 256)):
        split.write(index, window, np.full((1, 256, 256), 2, np.float32))
    split.close(complete=True)
    whole = first.place("made", key, shape, ("red",), "float32", Shape(128, 128))
    assert whole.complete
    assert (whole.picture.read(shape.whole) == 2).all()
    whole.close(complete=False)
    first.close()


def _keys(folder: Path) -> tuple[str, Any]:
    """The key of the measurements, and of the aligned frames after them."""
    with prepared(load_recipe(folder / "job.yaml"), Settings(tile_px=128, workers=1, device="cpu")) as run:
        survey = measuring.survey_key(run)
        run.measure()
        return survey, run.frames_key()


def test_keys_hold_the_versions_of_measuring_steps_and_of_the_warp(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = _keys(folder)
    monkeypatch.setattr(Warp, "version", Warp.version + 1)
    after = _keys(folder)
    assert after[0] == before[0]
    assert after[1] != before[1]
    monkeypatch.setattr(Match, "version", Match.version + 1)
    assert _keys(folder)[0] != before[0]


def test_the_measurements_key_holds_how_files_are_read(folder: Path) -> None:
    with prepared(load_recipe(folder / "job.yaml"), Settings(workers=1, device="cpu")) as run:
        before = measuring.survey_key(run)
        info = dataclasses.replace(run.feeds[0].info, facts_for_key={"reader": "another version"})
        run.feeds[0] = dataclasses.replace(run.feeds[0], info=info)
        assert measuring.survey_key(run) != before
