"""Orders of steps and kinds of frames that meet seldom: coverage, kept corners, displays before deep steps, windows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.device.tile import COLOUR, COVERAGE
from tilepipe.errors import InputError
from tilepipe.geometry import Shape, Window
from tilepipe.run import measuring, opening
from tilepipe.run.execute import Execution
from tilepipe.run.proof import reduced_proof
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.window import window_proof

SHAPE = Shape(240, 360)
Pixels = npt.NDArray[Any]


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented bracket of four linear TIFF frames of 0.09 MP."""
    place = tmp_path_factory.mktemp("flow")
    write_demo_frames(place / "frames", shape=SHAPE, kind="tiff")
    return place


def _recipe(folder: Path, name: str, steps: str, more: str = "") -> Path:
    path = folder / f"{name}.yaml"
    listed = "".join(f"  - {step}\n" for step in steps.split(" | "))
    path.write_text(f"frames: frames/*.tif\nsteps:\n{listed}{more}", encoding="utf-8")
    return path


def _settings(folder: Path, name: str, **given: Any) -> Settings:
    own: dict[str, Any] = {"tile_px": 128, "workers": 1, "device": "cpu", **given}
    return Settings(work=folder / name / "work", out=folder / name / "out", **own)


def _whole(run: Execution, name: str) -> tuple[Pixels, tuple[str, ...]]:
    picture = run.pictures[name]
    return np.asarray(picture.read(picture.shape.whole)).view(np.uint32), picture.planes


def _made(folder: Path, name: str, steps: str, more: str = "") -> tuple[Pixels, Pixels, tuple[str, ...]]:
    """The bits of the finished and of the scene-linear picture, and the planes."""
    with prepared(load_recipe(_recipe(folder, name, steps, more)), _settings(folder, name)) as run:
        run.run()
        result, planes = _whole(run, run.plan.result)
        return result, _whole(run, run.plan.linear)[0], planes


def test_the_linear_master_has_no_display_in_it_wherever_it_stands(frames: Path) -> None:
    master = "deliver:\n  - {kind: linear-tiff, name: master}\n"
    deep = "local_contrast: {detail: 1.2}"
    plain, _, _ = _made(frames, "plain", f"match | blend | exposure: {{stops: +1EV}} | {deep}")
    shown, _, _ = _made(frames, "shown", f"match | blend | exposure: {{stops: +1EV}} | display | {deep}")
    result, linear, _ = _made(frames, "both", f"match | blend | exposure: {{stops: +1EV}} | display | {deep}", master)
    assert (linear == plain).all()
    assert (result == shown).all()
    assert (result != linear).any()


def test_kept_corners_are_proved_and_run(frames: Path) -> None:
    path = _recipe(frames, "corners", "match | blend | straighten: {turn: 3deg, corners: keep} | display")
    settings = _settings(frames, "corners")
    receipt = json.loads(run_plan(load_recipe(path), settings).read_text(encoding="utf-8"))
    assert receipt["result"]["planes"] == [*COLOUR, COVERAGE]
    again = window_proof(load_recipe(path), settings, (0, 0), (2000, 2000))
    assert json.loads(again.with_suffix(".json").read_text(encoding="utf-8"))["regions"] == {
        "0": receipt["result"]["regions"][0]
    }
    assert reduced_proof(load_recipe(path), settings, 100).exists()


def test_a_window_is_made_of_tiles_and_has_their_bits(frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _recipe(frames, "window", "match | blend | local_contrast: {range: 0.6} | display")
    asked: list[Window] = []
    whole = Execution._window_tile

    def noted(run: Execution, step: Any, wanted: Window) -> Any:
        asked.append(wanted)
        return whole(run, step, wanted)

    monkeypatch.setattr(Execution, "_window_tile", noted)
    shown = []
    for name, tile in (("window-128", 128), ("window-1024", 1024)):
        asked.clear()
        made = window_proof(load_recipe(path), _settings(frames, name, tile_px=tile), (11, 7), (300, 200))
        assert max(max(window.shape.height, window.shape.width) for window in asked) <= tile
        assert sum(window.pixels for window in asked) == SHAPE.pixels  # the one region that the window touches, whole
        shown.append(np.asarray(Image.open(made)))
    assert shown[0].shape == (200, 300, 3)
    assert (shown[0] == shown[1]).all()


def test_a_proof_keeps_to_the_memory_of_the_run(frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tilepipe.run import copies

    path = _recipe(frames, "lean", "match | blend | local_contrast: {range: 0.6} | display")
    wishes = []
    whole = copies.planner.make_plan

    def noted(job: Any, wish: Any, facts: Any = None) -> Any:
        wishes.append(wish)
        return whole(job, wish, facts)

    monkeypatch.setattr(copies.planner, "make_plan", noted)
    reduced_proof(load_recipe(path), _settings(frames, "lean", memory_bytes=600 << 20), 120, worked_pixels=SHAPE.pixels // 9)
    assert [wish.memory_bytes for wish in wishes] == [600 << 20] * 2


def _with_hole(folder: Path, source: Path, number: int) -> None:
    """Copies the bracket; one frame gets an alpha channel with an uncovered corner."""
    (folder / "frames").mkdir()
    for index, path in enumerate(sorted((source / "frames").iterdir())):
        pixels = tifffile.imread(path)
        alpha = np.full((*pixels.shape[:2], 1), 65535, np.uint16)
        alpha[:20, :30] = 0
        with tifffile.TiffFile(path) as file:
            tags = [file.pages[0].tags.get(code) for code in (34675,)]  # the profile says that the values are linear
            profile = tags[0].value if tags[0] is not None else None
        if index == number:
            pixels = np.concatenate([pixels, alpha], axis=2)
        tifffile.imwrite(
            folder / "frames" / path.name, pixels, photometric="rgb", tile=(128, 128), iccprofile=profile,
            extrasamples=["unassalpha"] if index == number else None,
        )


STOPS = (-3, -1, 1, 3)
LIGHTS = "".join(
    f"  - {{file: frames/frame_{number}.tif, light: {stops}EV, encoding: linear}}\n"
    for number, stops in enumerate(STOPS, 1)
)


def _covered_recipe(folder: Path, name: str, steps: str) -> Path:
    path = folder / f"{name}.yaml"
    listed = "".join(f"  - {step}\n" for step in steps.split(" | "))
    path.write_text(f"frames:\n{LIGHTS}base: frame_2.tif\nsteps:\n{listed}", encoding="utf-8")
    return path


@pytest.mark.parametrize("method", ["radiance", "fusion"])
@pytest.mark.parametrize("number", [0, 3])
def test_frames_with_and_without_coverage_are_joined(frames: Path, tmp_path: Path, method: str, number: int) -> None:
    """What one frame leaves uncovered the others cover, whichever of them it is."""
    _with_hole(tmp_path, frames, number)
    path = _covered_recipe(tmp_path, "mixed", f"match | blend: {{method: {method}}} | local_contrast: {{range: 0.6}}")
    with prepared(load_recipe(path), _settings(tmp_path, "mixed")) as run:
        run.run()
        bits, planes = _whole(run, run.plan.result)
        assert planes == (*COLOUR, COVERAGE)
        assert (bits[3].view(np.float32) == 1.0).all()
        again = run.window(Window(5, 3, 100, 90)).view(np.uint32)
        assert (again == bits[:, 5:105, 3:93]).all()


@pytest.mark.parametrize("method", ["radiance", "fusion"])
def test_the_one_frame_with_coverage_may_be_left_out(
    frames: Path, tmp_path: Path, method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plan was made for coverage; what is left has none, and the picture is covered everywhere."""
    _with_hole(tmp_path, frames, 3)
    whole = measuring.choose_base
    monkeypatch.setattr(measuring, "choose_base", lambda survey: {**whole(survey), "left_out": [3]})
    path = _covered_recipe(tmp_path, "shaken", f"match | blend: {{method: {method}}} | local_contrast: {{range: 0.6}}")
    with prepared(load_recipe(path), _settings(tmp_path, "shaken")) as run:
        run.run()
        assert len(run.feeds) == 3
        bits, planes = _whole(run, run.plan.result)
        assert planes == (*COLOUR, COVERAGE)
        assert (bits[3].view(np.float32) == 1.0).all()
    assert reduced_proof(load_recipe(path), _settings(tmp_path, "shaken"), 100).exists()


def test_frames_are_closed_when_they_do_not_belong_together(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_demo_frames(tmp_path / "frames", shape=SHAPE, kind="tiff")
    write_demo_frames(tmp_path / "other", shape=Shape(100, 150), kind="tiff")
    (tmp_path / "other" / "frame_1.tif").rename(tmp_path / "frames" / "frame_9.tif")
    opened: list[Any] = []
    closed: list[Any] = []
    whole = opening.open_frame

    def noted(*given: Any, **named: Any) -> Any:
        frame = whole(*given, **named)
        opened.append(frame)
        monkeypatch.setattr(type(frame), "close", lambda self: closed.append(self))
        return frame

    monkeypatch.setattr(opening, "open_frame", noted)
    path = _recipe(tmp_path, "differ", "match | blend | display")
    with pytest.raises(InputError, match="different sizes"):
        opening.open_recipe(load_recipe(path))
    assert len(opened) == 5
    assert all(any(frame is each for each in closed) for frame in opened)
    monkeypatch.undo()
    for frame in opened:
        frame.close()
