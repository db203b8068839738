"""Values are written back into a recipe's file; comments, order and everything else stay."""

from __future__ import annotations

from pathlib import Path

import pytest

from tilepipe.errors import RecipeError
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.save import set_values

TEXT = """\
# An evening at the coast.   Do not lose this line.

frames: [ "dark.tif" ]   # only one, so far
base: auto

steps:
    # first the light
    - exposure: {stops: +0.4EV}   # a little
    - local_contrast        # neutral so far
    - exposure:
          # once more
          stops: -1EV   # after the contrast
          id: 'again'

deliver:
    - tiff   # the master
    - {kind: jpeg, quality: 80}
# the end
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "evening.yaml"
    path.write_text(TEXT, encoding="utf-8")
    return path


def changed_lines(path: Path) -> list[tuple[str, str]]:
    before, after = TEXT.splitlines(), path.read_text(encoding="utf-8").splitlines()
    assert len(before) == len(after)
    return [(old, new) for old, new in zip(before, after, strict=True) if old != new]


CHANGES = [
    ("steps.exposure.stops", "+0.75EV", "- exposure: {stops: +0.75EV}   # a little"),
    ("steps.again.stops", "0.50EV", "stops: 0.50EV   # after the contrast"),
    ("steps.local_contrast.range", "0.50", "- local_contrast: {range: 0.50} # neutral so far"),
    ("steps[1].local_contrast.edge", "1.5EV", "- local_contrast: {edge: 1.5EV} # neutral so far"),
    ("steps.exposure.strength", "0.5", "- exposure: {stops: +0.4EV, strength: 0.5}   # a little"),
    ("steps.exposure.on", "false", "- exposure: {stops: +0.4EV, on: false}   # a little"),
    ("base", "dark.tif", "base: dark.tif"),
    ("deliver[0].space", "romm", "- {kind: tiff, space: romm} # the master"),
    ("deliver[1].quality", "95", "- {kind: jpeg, quality: 95}"),
]


@pytest.mark.parametrize(("address", "value", "line"), CHANGES)
def test_one_value_changes_one_line(recipe: Path, address: str, value: str, line: str):
    now = set_values(recipe, {address: value})
    changes = changed_lines(recipe)
    assert [new.split() for _, new in changes] == [line.split()]
    assert now == load_recipe(recipe, check_files=False)


def test_several_values_at_once(recipe: Path):
    now = set_values(recipe, {"steps.exposure.stops": "+1EV", "steps.again.stops": "+2EV", "base": "0"})
    assert [now.step(name).stage.parameters() for name in ("exposure", "again")] == [
        {"stops": "1.0EV"}, {"stops": "2.0EV"},
    ]
    assert len(changed_lines(recipe)) == 3


def test_other_ways_to_indent_lists_stay(tmp_path: Path):
    path = tmp_path / "flat.yaml"
    text = "frames:\n- dark.tif\nsteps:\n- exposure: +1EV  # bare\n- local_contrast:\n    range: 0.5\n"
    path.write_text(text)
    set_values(path, {"steps.local_contrast.range": "0.75"})
    assert path.read_text() == text.replace("0.5", "0.75")
    set_values(path, {"steps.exposure.strength": "0.5"})
    assert path.read_text().split() == (
        text.replace("0.5", "0.75").replace("+1EV", "{stops: +1EV, strength: 0.5}").split()
    )


def test_line_ends_of_another_system_stay(recipe: Path):
    recipe.write_bytes(TEXT.replace("\n", "\r\n").encode())
    set_values(recipe, {"steps.exposure.stops": "+2EV"})
    data = recipe.read_bytes()
    assert data.count(b"\r\n") == data.count(b"\n") == TEXT.count("\n")


def test_steps_of_the_recipe_it_is_based_on_are_added_in_their_order(recipe: Path):
    child = recipe.parent / "mine.yaml"
    child.write_text("based_on: evening.yaml  # the usual\nsteps:\n  - local_contrast\n")
    set_values(child, {"steps.again.stops": "+3EV", "steps.exposure.stops": "+2EV"})
    now = set_values(child, {"deliver[0].space": "romm"})
    assert child.read_text() == (
        "based_on: evening.yaml  # the usual\nsteps:\n  - exposure: {stops: +2EV}\n  - local_contrast\n"
        "  - exposure: {id: again, stops: +3EV}\n"
        "deliver:\n  - {kind: tiff, space: romm}\n  - {kind: jpeg, quality: 80}\n"
    )
    assert [step.id for step in now.steps] == ["exposure", "local_contrast", "again"]
    assert recipe.read_text() == TEXT


def test_a_list_is_replaced_as_a_whole_and_empty_values_are_filled(tmp_path: Path):
    path = tmp_path / "lists.yaml"
    after = "\n\n# stays\nsteps:\n-   local_contrast:{}   # nothing yet\n- exposure: # e\n"
    path.write_text("frames:  # here\n- dark.tif   # goes" + after.format(""))
    set_values(path, {"frames": "[bright.tif]", "steps[0].range": "0.5"})
    assert path.read_text() == "frames: [bright.tif]   # goes" + after.format(" {range: 0.5}")


def test_a_recipe_in_braces_stays_in_braces(tmp_path: Path):
    path = tmp_path / "evening.yaml"
    path.write_text('{"frames": ["dark.tif"], "steps": [{"exposure": {"stops": "1EV"}}]}')
    set_values(path, {"steps.exposure.stops": '"2EV"', "base": "0", "deliver[0].bits": "8"})
    assert path.read_text() == (
        '{"frames": ["dark.tif"], "steps": [{"exposure": {"stops": "2EV"}}], base: 0, '
        "deliver: [{kind: tiff, bits: 8}]}"
    )


@pytest.mark.parametrize(("address", "value"), [
    ("steps.exposure.stops", "0.4"), ("steps.nothing.stops", "1EV"), ("nonsense", "1"), ("steps.exposure.stops", ""),
])
def test_a_bad_value_leaves_the_file_as_it_was(recipe: Path, address: str, value: str):
    with pytest.raises(RecipeError, match="--set"):
        set_values(recipe, {"base": "0", address: value})
    assert recipe.read_text() == TEXT
    assert list(recipe.parent.iterdir()) == [recipe]


def test_toml_is_not_written_back(tmp_path: Path):
    path = tmp_path / "evening.toml"
    path.write_text('frames = "dark.tif"\n')
    with pytest.raises(RecipeError, match="a TOML recipe is not written back"):
        set_values(path, {"base": "0"})
