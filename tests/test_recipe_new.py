"""A first recipe names the frames of a bracket set with their exposures, and loads as it is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from tilepipe.errors import InputError
from tilepipe.formats.folder import BracketSet
from tilepipe.formats.frame import Encoding, Exposure, FrameInfo
from tilepipe.geometry import Shape
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.new import first_recipe
from tilepipe.stages.stage import all_stages


def frame(path: Path, exposure: Exposure | None) -> FrameInfo:
    path.write_bytes(b"")
    return FrameInfo(
        str(path), Shape(2000, 3000), "mosaic", "uint16", 1, False, Encoding("linear", "camera", "invented"), exposure,
        1, None, False, None, 0, {},
    )


def bracket(folder: Path, names: list[str], seconds: list[float]) -> BracketSet:
    frames = [frame(folder / name, Exposure(time, 8.0, 100.0)) for name, time in zip(names, seconds, strict=True)]
    return BracketSet(tuple(frames), "same camera and size")


def test_a_first_recipe_loads(tmp_path: Path):
    found = bracket(tmp_path, ["DSC 01.dng", "DSC_02.dng", "true"], [1 / 60, 1 / 15, 2.5])
    text = first_recipe([found], folder=tmp_path)
    assert text.splitlines()[:5] == [
        "# 3 frames of 3000×2000 px: same camera and size.",
        "frames:  # dark to bright",
        '  - "DSC 01.dng"  # 1/60 s, f/8, ISO 100, +0.0 EV',
        "  - DSC_02.dng  # 1/15 s, f/8, ISO 100, +2.0 EV",
        '  - "true"  # 2.5 s, f/8, ISO 100, +7.2 EV',
    ]
    recipe = load_recipe(text, folder=tmp_path)
    assert [entry.file.name for entry in recipe.frames] == ["DSC 01.dng", "DSC_02.dng", "true"]
    assert [step.id for step in recipe.steps] == [
        "match", "align", "motion", "blend", "exposure", "local_contrast", "tone_curve", "display",
    ]
    assert [item.file_name for item in recipe.deliver] == ["master.tif", "proof.jpg"]


def test_what_it_suggests_in_comments_is_valid(tmp_path: Path):
    text = first_recipe([bracket(tmp_path, ["a.dng", "b.dng"], [1, 4])])
    recipe = load_recipe(text.replace("  # - ", "  - "), folder=tmp_path)
    assert {"white_balance"} <= {step.id for step in recipe.steps}


def test_every_other_stage_is_mentioned(tmp_path: Path):
    text = first_recipe([bracket(tmp_path, ["a.dng", "b.dng"], [1, 4])])
    for name, stage in all_stages().items():
        assert name in text or stage.kind in ("measure", "blend")


def test_other_sets_stand_in_comments(tmp_path: Path):
    sets = [bracket(tmp_path, ["a.dng", "b.dng"], [1, 4]), bracket(tmp_path, ["c.dng", "d.dng", "e.dng"], [1, 2, 4])]
    largest = first_recipe(sets, folder=tmp_path)
    assert "# Another set, 2 frames of 3000×2000 px: same camera and size." in largest
    assert "#   - a.dng  # 1 s, f/8, ISO 100, +0.0 EV" in largest
    assert [entry.file.name for entry in load_recipe(largest, folder=tmp_path).frames] == ["c.dng", "d.dng", "e.dng"]
    chosen = load_recipe(first_recipe(sets, folder=tmp_path, chosen=0), folder=tmp_path)
    assert [entry.file.name for entry in chosen.frames] == ["a.dng", "b.dng"]


def test_frames_without_exposures_say_how_to_state_them(tmp_path: Path):
    frames = (frame(tmp_path / "a.jpg", None), frame(tmp_path / "b.jpg", None))
    text = first_recipe([BracketSet(frames, "no exposures in the files")], folder=tmp_path)
    load_recipe(text, folder=tmp_path)
    stated = load_recipe(text.replace("    # light: 0EV", "    light: 0EV"), folder=tmp_path)
    assert [entry.light for entry in stated.frames] == [0.0, 0.0]


def test_one_frame_is_only_developed(tmp_path: Path):
    recipe = load_recipe(first_recipe([bracket(tmp_path, ["a.dng"], [1])]), folder=tmp_path)
    assert [step.id for step in recipe.steps] == ["exposure", "local_contrast", "tone_curve", "display"]


def test_the_recipe_may_lie_elsewhere(tmp_path: Path):
    (tmp_path / "frames").mkdir()
    text = first_recipe([bracket(tmp_path / "frames", ["a.dng", "b.dng"], [1, 4])], folder=tmp_path)
    assert "  - frames/a.dng  #" in text


def test_no_frames_are_told(tmp_path: Path):
    with pytest.raises(InputError, match="no frames were found"):
        first_recipe([], folder=tmp_path)
