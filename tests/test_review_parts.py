"""Parts of the review page alone: outlines of groups, figures of a picture, values spelled as a recipe reads them, forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.node import Source
from tilepipe.recipe.yaml_text import read_yaml
from tilepipe.review import figures, forms
from tilepipe.review.outline import outline
from tilepipe.stages.stage import all_stages


def area(line: list[tuple[int, int]]) -> float:
    return abs(sum(y * v - w * x for (y, x), (w, v) in zip(line, line[1:] + line[:1], strict=True))) / 2.0


def test_an_outline_runs_around_the_largest_part_and_its_bends_only() -> None:
    cells = np.zeros((9, 12), bool)
    cells[2:6, 3:9] = True
    cells[3, 4] = False  # a hole
    cells[8, 0] = True  # a part of its own
    line = outline(cells)
    assert sorted(line) == [(2, 3), (2, 9), (6, 3), (6, 9)]
    assert area(line) == 24
    assert outline(np.zeros((3, 3), bool)) == []


def test_an_outline_of_a_ragged_group_has_its_area() -> None:
    random = np.random.default_rng(3)
    cells = np.zeros((30, 40), bool)
    for row in range(5, 25):  # each row overlaps the next one: one part without holes
        cells[row, 10 + random.integers(0, 4) : 30 - random.integers(0, 4)] = True
    assert area(outline(cells)) == cells.sum()


def test_the_histogram_counts_every_pixel_and_the_waveform_shows_a_ramp() -> None:
    ramp = np.broadcast_to(np.arange(256, dtype=np.uint8), (3, 40, 256))
    counts = figures.histogram(ramp)
    assert {name: sum(values) for name, values in counts.items()} == {"red": 10240, "green": 10240, "blue": 10240}
    assert set(counts["green"]) == {80}
    drawn = figures.waveform(ramp)
    brightest = drawn.argmax(0)
    assert brightest[5] > brightest[100] > brightest[195]  # rows count from above: bright at the right


def test_a_part_is_never_empty_and_never_outside() -> None:
    codes = np.zeros((3, 10, 20), np.uint8)
    assert figures.part_of(codes, (0.5, 0.5, 0.5, 0.5)).shape == (3, 1, 1)
    assert figures.part_of(codes, (-3.0, -3.0, 9.0, 9.0)).shape == (3, 10, 20)


def test_a_step_is_shown_where_it_changed_most() -> None:
    before = np.full((3, 400, 600), 100, np.uint8)
    after = before.copy()
    after[:, 300:330, 500:540] = 160
    window = figures.changed_most(before, after)
    assert window.y <= 300 < window.y_end
    assert window.x <= 500 < window.x_end


@pytest.mark.parametrize("value", [
    {"polygon": {"points": [[0.1, 0.2], [0.3, 0.4]], "soft": "1%"}}, {"luminance": {"from": "-1.5EV", "to": "+2EV"}},
    ["0412-0133", "on", "", "a b", "1e5", "yes"], {"any_of": ["sky", {"hue": {"at": "29.5deg"}}]}, [1, 2.5, True, None, "12"],
])
def test_what_is_spelled_reads_back_the_same(value: object) -> None:
    from tilepipe.recipe.faults import FaultList

    faults = FaultList()
    node = read_yaml(f"value: {forms.spelled(value)}", Source("recipe", Path()), faults)
    assert len(faults) == 0
    assert node.mapping["value"].plain() == value


def test_every_parameter_of_every_stage_has_a_form() -> None:
    told = {stage["name"]: stage for stage in forms.stages_told()}
    assert set(told) == set(all_stages())
    recipe = load_recipe("frames: [a.dng, b.dng]\nsteps: [match, blend, tone_curve, display]\n", check_files=False)
    for step in forms.steps_told(recipe):
        assert [value["name"] for value in step["values"]] == [
            field.alias or name for name, field in all_stages()[step["stage"]].model_fields.items()
        ]
        assert all(value["kind"] in ("number", "choice", "switch", "text", "list", "group") for value in step["values"])
        assert all(value["sentence"] for value in step["values"])
