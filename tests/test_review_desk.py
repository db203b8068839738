"""The recipe on the desk: edits keep comments and order, all can be undone, drafts outlive a crash, other edits are noticed."""

from __future__ import annotations

from pathlib import Path

import pytest
from review_page import RECIPE

from tilepipe.errors import RecipeError
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.rearrange import moved_step, with_mask, with_step, without_step
from tilepipe.review.desk import Desk

FLOW = "frames: [a.dng, b.dng]\nsteps: [match, align, {blend: {method: radiance}}, display]\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    for name in ("a.dng", "b.dng"):
        (tmp_path / "frames" / name).write_bytes(b"II*\0")  # no picture: nothing here opens it
    recipe = tmp_path / "evening.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    return recipe


def opened(file: Path) -> Desk:
    return Desk.open(file, file.parent / "kept" / "draft.json")


def test_a_value_changes_and_nothing_else(file: Path) -> None:
    desk = opened(file)
    desk.set_values({"steps.local_contrast.range": "0.6"})
    assert desk.text == RECIPE.replace("range: 0.7", "range: 0.6")
    assert not desk.saved
    assert file.read_text(encoding="utf-8") == RECIPE
    desk.save()
    assert desk.saved
    assert file.read_text(encoding="utf-8") == RECIPE.replace("range: 0.7", "range: 0.6")


def test_a_gesture_is_undone_at_once_and_redone(file: Path) -> None:
    desk = opened(file)
    for value in ("+0.6EV", "+0.7EV", "+0.8EV"):
        desk.set_values({"steps.exposure.stops": value}, gesture="wheel 1")
    desk.set_values({"steps.exposure.stops": "+0.9EV"}, gesture="wheel 2")
    desk.step_back()
    assert "+0.8EV" in desk.text
    desk.step_back()
    assert desk.text == RECIPE
    desk.step_forward()
    desk.step_forward()
    assert "+0.9EV" in desk.text


def test_what_has_faults_is_refused_and_changes_nothing(file: Path) -> None:
    desk = opened(file)
    with pytest.raises(RecipeError, match=r"0\.2 to 1\.5"):
        desk.set_values({"steps.local_contrast.range": "7"})
    with pytest.raises(RecipeError):
        desk.move_step("display", "match")
    assert desk.text == RECIPE
    assert desk.undo == []


def test_steps_move_with_their_comments_come_and_go(file: Path) -> None:
    desk = opened(file)
    desk.move_step("exposure", "display")
    lines = desk.text.splitlines()
    assert lines.index("  # brighter, as the evening was") == lines.index("  - exposure: {stops: +0.5EV}") - 1
    assert [step.id for step in desk.recipe.steps][-2:] == ["exposure", "display"]
    desk.add_step("saturation", "exposure")
    assert [step.id for step in desk.recipe.steps][-3:] == ["exposure", "saturation", "display"]
    desk.remove_step("saturation")
    desk.move_step("exposure", "local_contrast")
    assert desk.text == RECIPE


def test_masks_are_written_and_used(file: Path) -> None:
    desk = opened(file)
    desk.put_mask("sky", "{luminance: {from: 1EV}}", "exposure")
    desk.put_mask("rocks", "{polygon: {points: [[0.1, 0.1], [0.4, 0.1], [0.2, 0.5]]}}")
    assert list(desk.recipe.masks) == ["sky", "rocks"]
    assert desk.recipe.step("exposure").where == desk.recipe.masks["sky"]
    desk.put_mask("sky", "{luminance: {from: 2EV}}")
    assert list(desk.recipe.masks) == ["sky", "rocks"]
    assert desk.recipe.step("exposure").where == desk.recipe.masks["sky"]


def test_a_draft_outlives_a_crash(file: Path) -> None:
    opened(file).set_values({"steps.exposure.stops": "+1EV"})
    again = opened(file)
    assert "+1EV" in again.text
    assert not again.saved
    assert "here again" in again.notice
    again.step_back()
    assert again.text == RECIPE
    assert opened(file).notice == ""  # nothing unsaved, no draft


def test_an_edit_elsewhere_is_taken_over_where_nothing_is_unsaved(file: Path) -> None:
    desk = opened(file)
    theirs = RECIPE.replace("+0.5EV", "+0.7EV")
    file.write_text(theirs, encoding="utf-8")
    assert desk.look()
    assert desk.text == theirs
    desk.step_back()
    assert desk.text == RECIPE


def test_an_edit_elsewhere_beside_unsaved_ones_is_asked_about(file: Path) -> None:
    desk = opened(file)
    desk.set_values({"steps.local_contrast.range": "0.6"})
    mine, theirs = desk.text, RECIPE.replace("+0.5EV", "+0.7EV")
    file.write_text(theirs, encoding="utf-8")
    with pytest.raises(RecipeError, match="changed elsewhere"):
        desk.save()
    assert file.read_text(encoding="utf-8") == theirs
    desk.take_theirs()
    assert desk.text == theirs
    desk.step_back()
    assert desk.text == mine
    file.write_text(RECIPE, encoding="utf-8")
    assert desk.look()
    desk.keep_mine()
    desk.save()
    assert file.read_text(encoding="utf-8") == mine


def test_a_faulty_edit_elsewhere_is_told_and_not_taken(file: Path) -> None:
    desk = opened(file)
    file.write_text(RECIPE.replace("range: 0.7", "range: 70"), encoding="utf-8")
    assert desk.look()
    assert "faults" in desk.notice
    assert desk.text == RECIPE
    assert not desk.look()


def test_lists_in_brackets_are_rearranged_too() -> None:
    moved = moved_step(FLOW, "match", "blend")
    assert moved == "frames: [a.dng, b.dng]\nsteps: [align, match, {blend: {method: radiance}}, display]\n"
    assert without_step(FLOW, "align") == "frames: [a.dng, b.dng]\nsteps: [match, {blend: {method: radiance}}, display]\n"
    added = with_step(FLOW, "exposure: {stops: +1EV}", "blend")
    assert added is not None
    steps = load_recipe(added, check_files=False).steps
    assert [step.id for step in steps] == ["match", "align", "blend", "exposure", "display"]
    masked = with_mask(FLOW, "sky", "{luminance: {from: 1EV}}")
    assert masked is not None
    assert list(load_recipe(masked, check_files=False).masks) == ["sky"]
    assert moved_step(FLOW, "nothing", None) is None
    assert without_step("frames: a.dng\nsteps: [match]\n", "match") is None
