"""Recipes load with everything filled in, and every fault is told at once, with its place and a way out."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from tilepipe.errors import RecipeError
from tilepipe.recipe.faults import RecipeFault
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.steps import read_steps
from tilepipe.stages import stage as registry
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Degrees, Length, LengthField, Stops


def define_sample_stages() -> None:
    """Invented stages that have every sort of parameter, so that these tests do not follow the real ones' changes."""

    class Match(Stage):
        name: ClassVar[str] = "match"
        kind: ClassVar[Kind] = "measure"
        in_place: ClassVar[bool] = False

    class Align(Stage):
        name: ClassVar[str] = "align"
        kind: ClassVar[Kind] = "measure"
        in_place: ClassVar[bool] = False
        model: Literal["shift", "rotation", "homography"] = "homography"

    class Blend(Stage):
        name: ClassVar[str] = "blend"
        kind: ClassVar[Kind] = "blend"
        in_place: ClassVar[bool] = False
        method: Literal["radiance", "fusion"] = "radiance"

    class Exposure(Stage):
        name: ClassVar[str] = "exposure"
        stops: Stops = Field(0.0, ge=-10, le=10)

        def is_neutral(self) -> bool:
            return self.stops == 0

    class LocalContrast(Stage):
        name: ClassVar[str] = "local_contrast"
        kind: ClassVar[Kind] = "deep"
        detail: float = Field(1.0, ge=0, le=4)
        range: float = Field(1.0, gt=0, le=2)
        edge: Stops = Field(1.0, gt=0, le=6)

    class Point(BaseModel):
        model_config = ConfigDict(frozen=True, extra="forbid")
        at: Stops
        to: Stops

    class ToneCurve(Stage):
        name: ClassVar[str] = "tone_curve"
        points: tuple[Point, ...] = Field((), max_length=3)
        lift: float = Field(0.0, ge=0, le=0.2)

        def is_neutral(self) -> bool:
            return not self.points and self.lift == 0

    class Display(Stage):
        name: ClassVar[str] = "display"
        shoulder: float = Field(0.5, ge=0, le=1)

    class Straighten(Stage):
        name: ClassVar[str] = "straighten"
        kind: ClassVar[Kind] = "geometry"
        in_place: ClassVar[bool] = False
        angle: Degrees = Field(0.0, ge=-45, le=45)

    class Sharpen(Stage):
        name: ClassVar[str] = "sharpen"
        kind: ClassVar[Kind] = "window"
        radius: LengthField = Length(1.0, "px")
        often: int = Field(1, ge=1, le=3)
        fine: bool = False

    assert all((Match, Align, Blend, Exposure, LocalContrast, ToneCurve, Display, Straighten, Sharpen))


@pytest.fixture(autouse=True)
def sample_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    registry.all_stages()
    monkeypatch.setattr(registry, "_REGISTRY", {})
    define_sample_stages()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("dark.tif", "middle.tif", "bright.tif"):
        (tmp_path / name).write_bytes(b"")
    return tmp_path


SHORT = """\
frames: "*.tif"
steps:
  - match
  - align
  - blend: {method: radiance}
  - local_contrast: {range: 0.5}
  - exposure: {stops: +0.4EV}
  - display
"""


def write(folder: Path, text: str, name: str = "evening.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(path_or_text: Any, **options: Any) -> list[RecipeFault]:
    with pytest.raises(RecipeError) as caught:
        load_recipe(path_or_text, **options)
    return [fault for fault in caught.value.faults if isinstance(fault, RecipeFault)]


def only_fault(folder: Path, text: str, **options: Any) -> RecipeFault:
    faults = faults_of(write(folder, text), **options)
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


def steps_text(*lines: str) -> str:
    return "frames: '*.tif'\nsteps:\n  - blend\n" + "".join(f"  - {line}\n" for line in lines)


def test_a_short_recipe_is_filled_in(folder: Path):
    recipe = load_recipe(write(folder, SHORT))
    assert [frame.file.name for frame in recipe.frames] == ["bright.tif", "dark.tif", "middle.tif"]
    assert [step.id for step in recipe.steps] == ["match", "align", "blend", "local_contrast", "exposure", "display"]
    assert recipe.step("local_contrast").stage.parameters() == {"detail": 1.0, "range": 0.5, "edge": "1.0EV"}
    assert recipe.base is None
    assert recipe.name == "evening"
    assert [item.file_name for item in recipe.deliver] == ["master.tif"]


def test_text_is_read_relative_to_a_folder(folder: Path):
    recipe = load_recipe(SHORT, folder=folder)
    assert recipe.frames[0].file == folder / "bright.tif"
    assert recipe.file is None


def test_where_each_value_came_from(folder: Path):
    origins = load_recipe(write(folder, SHORT), sets=["steps.exposure.stops=+1EV"]).provenance
    assert origins["frames"] == "evening.yaml:1"
    assert origins["base"] == "default"
    assert origins["steps.local_contrast.range"] == "evening.yaml:6"
    assert origins["steps.local_contrast.edge"] == "default"
    assert origins["steps.exposure.stops"] == "--set steps.exposure.stops=+1EV"
    assert origins["deliver[0].space"] == "default"


def test_toml_says_the_same(folder: Path):
    text = """
frames = "*.tif"
steps = ["match", "align", {blend = {method = "radiance"}}, {local_contrast = {range = 0.5}},
  {exposure = {stops = "+0.4EV"}}, "display"]
"""
    toml = load_recipe(write(folder, text, "evening.toml"))
    yaml = load_recipe(write(folder, SHORT))
    assert toml.resolved() | {"provenance": 0} == yaml.resolved() | {"provenance": 0}
    assert toml.provenance["steps.exposure.stops"] == "evening.toml:4"


def test_steps_that_change_nothing_are_dropped(folder: Path):
    recipe = load_recipe(write(folder, steps_text(
        "exposure: {stops: 0EV}", "exposure: {stops: +1EV, id: second}", "local_contrast: {on: false}",
        "tone_curve", "sharpen: {strength: 0}", "display: {strength: 0.5}",
    )))
    assert [step.id for step in recipe.active_steps] == ["blend", "second", "display"]
    assert recipe.normalised().steps == recipe.active_steps
    assert [step["id"] for step in recipe.resolved()["steps"]] == ["blend", "second", "display"]
    assert recipe.resolved()["steps"][2]["strength"] == 0.5
    assert "strength" not in recipe.resolved()["steps"][0]


def test_repeated_stages_get_numbered_ids(folder: Path):
    recipe = load_recipe(write(folder, steps_text("exposure: +1EV", "exposure: {stops: -1EV}", "exposure: {id: last}")))
    assert [step.id for step in recipe.steps] == ["blend", "exposure", "exposure-2", "last"]


def test_a_stage_with_one_parameter_takes_a_bare_value(folder: Path):
    recipe = load_recipe(write(folder, steps_text("straighten: 2deg")))
    assert recipe.step("straighten").stage.parameters() == {"angle": "2.0deg"}
    fault = only_fault(folder, steps_text("local_contrast: 0.5"))
    assert fault.what == "needs its values by name"
    assert "`detail`, `range`, `edge`" in fault.allowed


TEN_FAULTS = """\
# a recipe with ten faults
frames: [dark.tif, midle.tif]
base: drak.tif
step: []
steps:
  - align: {model: homografy}
  - blend: {method: radiance}
  - local_contrast: {range: 5, detial: 1.2}
  - exposure: {stops: 0.4}
  - tone_curv
  - display: {strength: 150}
  - straighten:
      angle: 2rad
      where: sky
deliver:
  - {kind: tif}
"""


def test_ten_faults_are_told_at_once_with_lines_and_ways_out(folder: Path):
    faults = faults_of(write(folder, TEN_FAULTS))
    told = [(fault.line, fault.address) for fault in faults]
    assert told == [
        (2, "frames[1]"),
        (4, "step"),
        (6, "steps[0].align.model"),
        (8, "steps[2].local_contrast.range"),
        (8, "steps[2].local_contrast.detial"),
        (9, "steps[3].exposure.stops"),
        (10, "steps[4].tone_curv"),
        (11, "steps[5].display.strength"),
        (13, "steps[6].straighten.angle"),
        (14, "steps[6].straighten.where"),
        (16, "deliver[0].kind"),
    ]
    text = "\n".join(str(fault) for fault in faults)
    for hint in ("middle.tif", "steps", "homography", "detail", "tone_curve", "tiff"):
        assert f"did you mean `{hint}`?" in text
    assert str(faults[3]) == (
        "evening.yaml, line 8, steps[2].local_contrast.range: is out of range\n    found: 5\n    allowed: above 0 to 2"
    )
    assert "needs a unit: write it as `+0.4EV`" in faults[5].what
    assert faults[5].allowed == "-10EV to 10EV"
    assert all(fault.source == "evening.yaml" for fault in faults)


BAD_VALUES = [
    ("local_contrast: {range: true}", "steps[1].local_contrast.range", "needs a number"),
    ("local_contrast: {range: '0.5'}", "steps[1].local_contrast.range", "needs a number"),
    ("local_contrast: {range: }", "steps[1].local_contrast.range", "needs a number"),
    ("local_contrast: {range: [1]}", "steps[1].local_contrast.range", "needs a number"),
    ("local_contrast: {range: .nan}", "steps[1].local_contrast.range", "is not a finite number"),
    ("sharpen: {often: 1.5}", "steps[1].sharpen.often", "needs a whole number"),
    ("sharpen: {often: 4}", "steps[1].sharpen.often", "is out of range"),
    ("sharpen: {fine: yes}", "steps[1].sharpen.fine", "needs `true` or `false`"),
    ("sharpen: {radius: 3}", "steps[1].sharpen.radius", "needs a unit: write it as `70px` or `1.5%`"),
    ("sharpen: {on: 1}", "steps[1].sharpen.on", "needs `true` or `false`"),
    ("sharpen: {strength: half}", "steps[1].sharpen.strength", "needs a number"),
    ("sharpen: {where: sky}", "steps[1].sharpen.where", "there is no mask of this name"),
    ("sharpen: {id: 3}", "steps[1].sharpen.id", "is not an id"),
    ("sharpen: {id: blend}", "steps[1].sharpen.id", "is the id of steps[0].blend, too"),
    ("straighten: {strength: 1}", "steps[1].straighten.strength",
     "has no place here: `straighten` does not change pixels where they are"),
    ("straighten: 2", "steps[1].straighten.angle", "needs a unit: write it as `0.8deg`"),
    ("straighten: {angle: 50deg}", "steps[1].straighten.angle", "is out of range"),
    ("tone_curve: {points: 3}", "steps[1].tone_curve.points", "needs a list"),
    ("tone_curve: {points: [{at: 1EV}]}", "steps[1].tone_curve.points[0].to", "is missing"),
    ("tone_curve: {points: [{at: 1EV, to: 2EV, by: 1}]}", "steps[1].tone_curve.points[0].by", "is not known here"),
    ("tone_curve: {points: [{at: 1EV, to: 2}]}", "steps[1].tone_curve.points[0].to",
     "needs a unit: write it as `+0.4EV`"),
    ("[display]", "steps[1]", "is not a step"),
    ("3", "steps[1]", "is not a step"),
    ("{}", "steps[1]", "is not a step"),
    ("{sharpen: {}, strength: 0.5}", "steps[1].strength", "stands beside `sharpen`; a step is one stage"),
    ("{sharpen: {}, display: {}}", "steps[1].display", "stands beside `sharpen`; a step is one stage"),
    ("!!python/name:os.system {}", "steps[1]", "carries a tag; a recipe is plain data"),
]


@pytest.mark.parametrize(("line", "address", "what"), BAD_VALUES, ids=[line for line, _, _ in BAD_VALUES])
def test_a_bad_step_is_told_with_its_place(folder: Path, line: str, address: str, what: str):
    faults = faults_of(write(folder, steps_text(line)))
    assert (faults[0].address, faults[0].what, faults[0].line) == (address, what, 4)


def test_list_limits_are_told(folder: Path):
    points = ", ".join(["{at: 1EV, to: 1EV}"] * 4)
    fault = only_fault(folder, steps_text(f"tone_curve: {{points: [{points}]}}"))
    assert fault.what == "needs at most 3 entries, not 4"


ORDER = [
    (["exposure: +1EV", "blend"], "steps[0].exposure", "stands before `blend`, but works on the one joined picture"),
    (["straighten: 1deg", "blend"], "steps[0].straighten", "stands before `blend`, but moves pixels"),
    (["blend", "align"], "steps[1].align", "stands behind `blend`, but measures the single frames"),
    (["blend", "blend"], "steps[1].blend", "is there twice; the first is steps[0].blend"),
    (["align", "align", "blend"], "steps[1].align", "is there twice; the first is steps[0].align"),
    (["blend", "display", "display"], "steps[2].display", "is there twice; the first is steps[1].display"),
    (["exposure: +1EV"], "steps", "has no step that joins the frames"),
    (["blend: {on: false}", "display"], "steps", "has no step that joins the frames"),
]


@pytest.mark.parametrize(("steps", "address", "what"), ORDER)
def test_order_and_number_of_steps(folder: Path, steps: list[str], address: str, what: str):
    fault = only_fault(folder, "frames: '*.tif'\nsteps:\n" + "".join(f"  - {step}\n" for step in steps))
    assert (fault.address, fault.what) == (address, what)
    assert fault.next_step


def test_what_is_switched_off_breaks_no_rule(folder: Path):
    recipe = load_recipe(write(folder, steps_text("blend: {method: fusion, on: false, id: other}")))
    assert [step.id for step in recipe.active_steps] == ["blend"]


def test_one_frame_needs_no_blend_and_cannot_have_one(folder: Path):
    recipe = load_recipe(write(folder, "frames: dark.tif\nsteps: [{exposure: +1EV}, display]\n"))
    assert len(recipe.frames) == 1
    faults = faults_of(write(folder, "frames: dark.tif\nsteps: [align, blend, display]\n"))
    assert [fault.what for fault in faults] == ["needs two frames or more"] * 2


FRAMES = [
    ("", "frames", "is missing: a recipe needs its frames"),
    ("frames: []", "frames", "is missing: a recipe needs its frames"),
    ("frames: [3]", "frames[0]", "needs a `file`"),
    ("frames: ['*.png']", "frames[0]", "fits no file"),
    ("frames: [nowhere/dark.tif]", "frames[0]", "is missing: there is no such folder"),
    ("frames: [dark.tif, dark.tif]", "frames[1]", "is the same frame as frames[0]"),
    ("frames: ['*.tif', dark.tif]", "frames[1]", "is the same frame as frames[0]"),
    ("frames: ['.', dark.tif]", "frames[0]", "is a folder, not a picture"),
    ("frames: [{file: dark.tif, light: 2}, middle.tif]", "frames[0].light", "needs a unit: write it as `+0.4EV`"),
    ("frames: [{file: dark.tif, light: 2EV}, middle.tif]", "frames[1]",
     "has no `light` while other frames state theirs"),
    ("frames: [{file: '*.tif', light: 2EV}]", "frames[0].light", "cannot hold for 3 frames at once"),
    ("frames: [{file: dark.tif, encoding: rgb}, middle.tif]", "frames[0].encoding",
     "is not an encoding: write `linear`, `srgb` or `gamma:2.2` (0.1 to 10)"),
    ("frames: [{file: dark.tif, exposure: {seconds: soon}}, middle.tif]", "frames[0].exposure.seconds",
     "is not a time: write it as `1/30`, `1/30s` or `2.5s`"),
    ("frames: [{file: dark.tif, exposure: {iso: 100}}, middle.tif]", "frames[0].exposure.seconds", "is missing"),
    ("frames: [{file: dark.tif, exposure: {seconds: 0, iso: 100, f_number: 8}}, middle.tif]",
     "frames[0].exposure.seconds", "is out of range"),
    ("frames: [{file: dark.tif, exposure: {seconds: 1, iso: 100}}, middle.tif]", "frames[0].exposure",
     "has no `f_number` while other frames have theirs"),
    ("frames: [{file: dark.tif, colour_matrix: [1, 2]}, middle.tif]", "frames[0].colour_matrix",
     "needs nine numbers, row by row"),
    ("frames: [{file: dark.tif, noise: {shot: 2, read: 0}}, middle.tif]", "frames[0].noise.shot", "is out of range"),
    ("frames: [{file: dark.tif, lite: +2EV}, middle.tif]", "frames[0].lite", "is not known here"),
]


@pytest.mark.parametrize(("frames", "address", "what"), FRAMES)
def test_bad_frames(folder: Path, frames: str, address: str, what: str):
    fault = only_fault(folder, f"{frames}\nsteps: [blend]\n")
    assert (fault.address, fault.what) == (address, what)


def test_stated_facts_of_frames(folder: Path):
    recipe = load_recipe(write(folder, """\
frames:
  - {file: dark.tif, exposure: {seconds: 1/30, f_number: 8, iso: 200}, encoding: gamma:2.2, alpha: ignore}
  - {file: middle.tif, noise: {shot: 3.24e-4, read: 4.3e-6}, colour_matrix: [[1, 0, 0], [0, 1, 0], [0, 0, 1]]}
steps: [blend]
"""))
    dark, middle = (frame.opening() for frame in recipe.frames)
    assert dark["exposure"].relative_light == (1 / 30) * 200 / 64
    assert (dark["encoding"], dark["alpha"], dark["colour_matrix"]) == ("gamma 2.2", "ignore", None)
    assert middle == {
        "encoding": None, "exposure": None, "alpha": None,
        "colour_matrix": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    }
    assert recipe.frames[1].noise is not None
    assert recipe.frames[1].noise.shot == 3.24e-4


def test_light_in_stops(folder: Path):
    lines = "frames: [{file: dark.tif, light: -2EV}, {file: middle.tif, light: 0EV}]\nsteps: [blend]\n"
    recipe = load_recipe(write(folder, lines))
    assert [frame.opening()["exposure"] for frame in recipe.frames] == [0.25, 1.0]


@pytest.mark.parametrize(("base", "index"), [("auto", None), ("dark.tif", 1), ("dark", 1), ("2", 2), ("./dark.tif", 1)])
def test_base(folder: Path, base: str, index: int | None):
    assert load_recipe(write(folder, SHORT + f"base: {base}\n")).base == index


@pytest.mark.parametrize(("base", "what"), [
    ("3", "is not the index of a frame"), ("-1", "is not the index of a frame"), ("true", "is not a frame"),
    ("darc.tif", "is not the name of a frame"), ("[1]", "is not a frame"),
])
def test_bad_base(folder: Path, base: str, what: str):
    fault = only_fault(folder, SHORT + f"base: {base}\n")
    assert (fault.address, fault.what, fault.line) == ("base", what, 9)


def test_files_need_not_exist_where_they_are_not_checked(tmp_path: Path):
    recipe = load_recipe(write(tmp_path, "frames: [a.tif, '*.png']\nsteps: [blend]\n"), check_files=False)
    assert [frame.file for frame in recipe.frames] == [tmp_path / "a.tif"]


DELIVER = [
    ("tif", "deliver.kind", "is not a kind of file"),
    ("[{name: x}]", "deliver[0].kind", "is missing"),
    ("[{kind: tiff, quality: 90}]", "deliver[0].quality", "has no place here"),
    ("[{kind: tiff, bits: 12}]", "deliver[0].bits", "is not one of the choices"),
    ("[{kind: jpeg, quality: 0}]", "deliver[0].quality", "is out of range"),
    ("[{kind: jpeg, long_side: 10%}]", "deliver[0].long_side", "needs a length in pixels: write it as `2048px`"),
    ("[{kind: jpeg, long_side: 3px}]", "deliver[0].long_side", "needs a whole number of pixels, 16px or more"),
    ("[{kind: png, space: p3}]", "deliver[0].space", "is not one of the choices"),
    ("[{kind: png, name: ../x}]", "deliver[0].name",
     "is not a plain file name: no folders, no ending, none of / \\ : * ? \" < > |"),
    ("[tiff, {kind: linear-tiff, name: master}]", "deliver[1]", "would overwrite deliver[0]"),
]


@pytest.mark.parametrize(("deliver", "address", "what"), DELIVER)
def test_bad_deliverables(folder: Path, deliver: str, address: str, what: str):
    fault = only_fault(folder, SHORT + f"deliver: {deliver}\n")
    assert (fault.address.replace("[0].kind", ".kind") if deliver == "tif" else fault.address, fault.what) == (
        address, what,
    )


def test_deliverables(folder: Path):
    kinds = "ome-zarr, {kind: tiff, space: display-p3}, {kind: jpeg, long_side: 2048px}, linear-tiff"
    recipe = load_recipe(write(folder, f"{SHORT}deliver: [{kinds}]\n"))
    told = [(item.file_name, item.space, item.bits, item.quality, item.long_side_px) for item in recipe.deliver]
    assert told == [
        ("master.ome.zarr", "srgb", 16, None, None), ("master.tif", "display-p3", 16, None, None),
        ("proof.jpg", "srgb", 8, 92, 2048), ("linear.tif", "rec2020", 32, None, None),
    ]
    assert recipe.resolved()["deliver"][2] == {
        "kind": "jpeg", "name": "proof", "space": "srgb", "bits": 8, "quality": 92, "long_side": "2048.0px",
    }


def test_a_recipe_may_have_no_masks(folder: Path):
    assert load_recipe(write(folder, SHORT + "masks: {}\n")).masks == {}
    assert load_recipe(write(folder, SHORT + "masks:\n")).masks == {}


SETS = [
    ("steps.local_contrast.range=0.7", "local_contrast", "range", 0.7),
    ("steps[3].range=0.7", "local_contrast", "range", 0.7),
    ("steps[3].local_contrast.range=0.7", "local_contrast", "range", 0.7),
    ("steps.exposure.stops=-1EV", "exposure", "stops", "-1.0EV"),
    ("steps.display.shoulder=0", "display", "shoulder", 0.0),
]


@pytest.mark.parametrize(("text", "step_id", "name", "value"), SETS)
def test_set(folder: Path, text: str, step_id: str, name: str, value: Any):
    recipe = load_recipe(write(folder, SHORT), sets=[text])
    assert recipe.step(step_id).stage.parameters()[name] == value
    assert recipe.provenance[f"steps.{step_id}.{name}"] == f"--set {text}"


def test_set_of_the_rest(folder: Path):
    sets = ["base=dark.tif", "deliver[0].space=romm", "frames=[dark.tif, middle.tif]", "steps.display.on=false"]
    recipe = load_recipe(write(folder, SHORT), sets=[*sets, "steps.exposure.strength=0.25"])
    assert recipe.base == 0
    assert recipe.deliver[0].space == "romm"
    assert len(recipe.frames) == 2
    assert not recipe.step("display").on
    assert recipe.step("exposure").strength == 0.25


BAD_SETS = [
    ("steps.local_contrast.range=9", "is out of range"),
    ("steps.local_contrast.rnage=1", "is not a parameter of `local_contrast`"),
    ("steps.localcontrast.range=1", "no step has this id"),
    ("steps.sharpen.often=1", "no step has this id"),
    ("steps[9].range=1", "there is no such step"),
    ("steps.local_contrast=1", "says a step but none of its values"),
    ("steps=[]", "would replace all steps"),
    ("steps.display.id=x", "would rename a step"),
    ("stepps.display.shoulder=1", "is not a part of a recipe that can be set"),
    ("based_on=x.yaml", "is not a part of a recipe that can be set"),
    ("deliver[3].space=srgb", "leads to nothing in this recipe"),
    ("base", "is not a change of a value"),
    ("base=", "is not a change of a value"),
    ("steps..x=1", "is not a change of a value"),
    ("steps.local_contrast.range=[1", "is not readable as YAML: while parsing a flow sequence: expected ',' or ']', "
     "but got '<stream end>'"),
    ("base=4", "is not the index of a frame"),
    ("deliver[0].space=srbg", "is not one of the choices"),
]


@pytest.mark.parametrize(("text", "what"), BAD_SETS)
def test_faults_of_set_speak_of_its_text(folder: Path, text: str, what: str):
    fault = only_fault(folder, SHORT, sets=[text])
    assert (fault.what, fault.where) == (what, f"--set {text}")


def test_based_on_overrides_step_by_step(folder: Path):
    write(folder, SHORT + "deliver: [tiff, jpeg]\n", "base.yaml")
    (folder / "more").mkdir()
    recipe = load_recipe(write(folder / "more", """\
based_on: ../base.yaml
deliver: png
steps:
  - local_contrast: {edge: 2EV}
  - sharpen
  - exposure: {on: false}
  - straighten: 1deg
""", "mine.yaml"))
    assert [step.id for step in recipe.steps] == [
        "match", "align", "blend", "local_contrast", "sharpen", "exposure", "straighten", "display",
    ]
    assert recipe.step("local_contrast").stage.parameters() == {"detail": 1.0, "range": 0.5, "edge": "2.0EV"}
    assert not recipe.step("exposure").on
    assert [item.kind for item in recipe.deliver] == ["png"]
    assert recipe.frames[0].file == folder / "bright.tif"
    assert recipe.based_on == (folder / "base.yaml",)
    assert recipe.provenance["steps.local_contrast.range"] == "../base.yaml:6"
    assert recipe.provenance["steps.local_contrast.edge"] == "mine.yaml:4"


def test_a_first_new_step_goes_before_the_known_one_that_follows(folder: Path):
    write(folder, SHORT, "base.yaml")
    recipe = load_recipe(write(folder, "based_on: base.yaml\nsteps: [sharpen, display]\n"))
    assert [step.id for step in recipe.steps][-2:] == ["sharpen", "display"]


def test_based_on_chains_and_faults_keep_their_files(folder: Path):
    write(folder, SHORT.replace("range: 0.5", "range: 9"), "first.yaml")
    write(folder, "based_on: first.yaml\nsteps: [{exposure: {stops: 99EV}}]\n", "second.yaml")
    faults = faults_of(write(folder, "based_on: second.yaml\nbase: 7\n", "third.yaml"))
    assert [(fault.source, fault.line, fault.address) for fault in faults] == [
        ("third.yaml", 2, "base"), ("first.yaml", 6, "steps[3].local_contrast.range"),
        ("second.yaml", 2, "steps.exposure.stops"),
    ]


@pytest.mark.parametrize(("text", "what"), [
    ("based_on: other.yaml", "leads back to itself"), ("based_on: evening.yaml", "leads back to itself"),
    ("based_on: bse.yaml", "is missing: there is no such recipe"), ("based_on: 3", "needs the file of another recipe"),
    ("based_on: base.yaml\nsteps: [display, align]", "stands in another order than in the recipe this one is based on"),
    ("based_on: base.yaml\nsteps: [sharpen: {id: align}]",
     "has the id of a step of another stage in base.yaml"),
])
def test_bad_based_on(folder: Path, text: str, what: str):
    write(folder, SHORT, "base.yaml")
    write(folder, "based_on: evening.yaml\n", "other.yaml")
    faults = faults_of(write(folder, f"{text}\n"))
    assert what in [fault.what for fault in faults]


def test_a_recipe_that_cannot_be_read(tmp_path: Path):
    write(tmp_path, SHORT, "evening.yaml")
    fault = faults_of(tmp_path / "evning.yaml")[0]
    assert fault.what == "cannot be read: no such file or directory"
    assert fault.next_step == "did you mean `evening.yaml`?"
    (tmp_path / "latin.yaml").write_bytes(b"frames: a\nbase: \xe9\n")
    assert (faults_of(tmp_path / "latin.yaml")[0].what, faults_of(tmp_path / "latin.yaml")[0].line) == (
        "is not UTF-8 text", 2,
    )
    assert faults_of("missing_recipe")[0].what == "cannot be read: no such file or directory"
    assert faults_of("- a\n- b\n")[0].what == "a recipe is a mapping"


def test_steps_given_in_code():
    steps = read_steps([{"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.5}}, "display"], frames=2)
    assert [step.id for step in steps] == ["blend", "local_contrast", "display"]
    again = read_steps([step.stage for step in steps], frames=2)
    assert again == steps
    with pytest.raises(RecipeError) as caught:
        read_steps([{"local_contrast": {"rage": 0.5}}, {"blend": {}}], frames=2)
    assert [fault.where for fault in caught.value.faults] == [
        "steps[0].local_contrast.rage", "steps[0].local_contrast",
    ]
    with pytest.raises(RecipeError, match="no place for a object"):
        read_steps([{"local_contrast": {"range": object()}}], frames=1)


def test_nothing_in_a_loaded_recipe_can_be_changed(folder: Path):
    recipe = load_recipe(write(folder, SHORT))
    with pytest.raises(ValueError, match="frozen"):
        recipe.base = 1
    with pytest.raises(KeyError):
        recipe.step("nothing")


def test_more_frames_than_can_be_joined_are_refused(tmp_path: Path) -> None:
    for number in range(17):
        (tmp_path / f"{number}.tif").write_bytes(b"")
    text = 'frames: "*.tif"\nsteps: [{blend: {method: radiance}}]'
    with pytest.raises(RecipeError, match="more than can be joined") as caught:
        load_recipe(text, folder=tmp_path)
    assert "17 frames" in caught.value.faults[0].found
    (tmp_path / "0.tif").unlink()
    assert len(load_recipe(text, folder=tmp_path).frames) == 16
