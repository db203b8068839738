"""Plans: passes in the right order, margins that fit, numbers in every refusal, memory that falls with the tile."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tilepipe.errors import PlanError
from tilepipe.geometry import Shape, Window
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.plan.passes import DeliverPass, Pass, PixelPass, Plan, SolvePass
from tilepipe.plan.planner import Wish, make_plan
from tilepipe.recipe.load import load_recipe

GIB = 1 << 30


def _job(shape: Shape, *steps: str, frames: int = 4, linear: bool = False, windowed: bool = True) -> Job:
    text = "frames: [a.tif, b.tif]\nsteps:\n" + "".join(f"  - {step}\n" for step in steps)
    recipe = load_recipe(text, check_files=False)
    sketch = FrameSketch(shape, 6, windowed, 3, 7, 12, scratch_planes=1)
    return Job((sketch,) * frames, 1, recipe.active_steps, linear_master=linear)


FULL = ("match", "align", "blend: {method: radiance}", "local_contrast: {range: 0.5}", "tone_curve: {lift: -8EV}", "display")


def _names(plan: Plan) -> list[str]:
    return [step.name for step in plan.passes]


def _pixel(plan: Plan) -> list[PixelPass]:
    return [step for step in plan.passes if isinstance(step, PixelPass)]


def test_the_default_job_is_cut_only_where_it_must() -> None:
    plan = make_plan(_job(Shape(4000, 6000), *FULL), Wish(4 * GIB, 2))
    assert _names(plan) == [
        "survey", "refine", "blend", "local_contrast-down", "local_contrast-solve", "local_contrast-up", "deliver-0",
    ]
    last = _pixel(plan)[-1]
    assert last.output == plan.result == "result"
    assert [step.id for step in last.after.steps] == ["tone_curve", "display"]


def test_a_linear_master_leaves_out_only_the_display() -> None:
    plan = make_plan(_job(Shape(4000, 6000), *FULL, linear=True), Wish(4 * GIB, 2))
    linear = next(step for step in _pixel(plan) if step.output == "linear")
    finish = next(step for step in _pixel(plan) if step.output == "result")
    assert [step.id for step in linear.before.steps] == ["tone_curve"]
    assert [step.id for step in finish.before.steps] == ["tone_curve", "display"]
    assert plan.linear == "linear"


def test_a_linear_master_branches_off_before_the_display_wherever_it_stands() -> None:
    steps = ("blend", "local_contrast: {range: 0.5}", "display", "local_contrast: {detail: 1.5}", "tone_curve: {lift: -8EV}")
    plan = make_plan(_job(Shape(3000, 3000), *steps, linear=True), Wish(4 * GIB, 1))
    ends = {step.output: step for step in _pixel(plan)}
    assert plan.linear == "linear"
    assert ends["linear"].source == ends["result"].source == "local_contrast-made"
    assert [step.id for step in ends["result"].before.steps] == ["display"]
    assert not ends["linear"].before.steps
    assert [step.id for step in ends["linear"].after.steps] == [step.id for step in ends["result"].after.steps]
    shown = [step for step in _pixel(plan) if any(each.id == "display" for each in step.before.steps)]
    assert {step.output for step in shown} == {"local_contrast-2-coarse", "result"}
    assert [step.name for step in plan.way] == [
        "blend", "local_contrast-down", "local_contrast-solve", "local_contrast-up", "local_contrast-2-down",
        "local_contrast-2-solve", "local_contrast-2-up",
    ]


@pytest.mark.parametrize("shape", [Shape(1, 1), Shape(3, 900), Shape(5, 900), Shape(900, 6), Shape(40, 33)])
def test_the_hand_over_level_is_one_that_the_stage_has(shape: Shape) -> None:
    plan = make_plan(_job(shape, "blend: {method: fusion, depth: paper}"), Wish(4 * GIB, 1, level=7))
    blend = _pixel(plan)[0].head
    assert blend is not None
    assert plan.level == min(blend.stage.deep.top(shape), 7)  # type: ignore[attr-defined]


def test_scratch_is_that_of_the_chosen_level() -> None:
    from tilepipe.stages.local_contrast import LocalContrast

    asked: set[int] = set()
    whole = LocalContrast.deep_scratch_bytes

    def noted(stage: LocalContrast, wanted: Window, level: int, shape: Shape, coverage: bool = False) -> int:
        asked.add(level)
        return whole(stage, wanted, level, shape, coverage)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(LocalContrast, "deep_scratch_bytes", noted)
        for level in (2, 7):
            make_plan(_job(Shape(8000, 12000), *FULL), Wish(64 * GIB, 2, tile_px=1024, level=level))
    assert asked == {2, 7}


def test_what_is_written_counts_the_coverage_that_kept_corners_add() -> None:
    plain = _job(Shape(4000, 6000), "blend", "straighten: {turn: 3deg}")
    kept = _job(Shape(4000, 6000), "blend", "straighten: {turn: 3deg, corners: keep}")
    plans = [make_plan(replace(job, deliverables=1), Wish(4 * GIB, 2, tile_px=256)) for job in (plain, kept)]
    assert [plan.passes[-1].planes for plan in plans] == [3, 4]  # type: ignore[union-attr]
    last = _pixel(plans[1])[-1].shape.pixels
    assert plans[1].scratch_disk_bytes == 4000 * 6000 * 12 + last * 16


def test_two_deep_stages_hand_over_one_after_the_other() -> None:
    steps = ("blend", "local_contrast: {range: 0.5}", "exposure: {stops: +1EV}", "local_contrast: {detail: 1.5}")
    plan = make_plan(_job(Shape(3000, 3000), *steps), Wish(4 * GIB, 1))
    assert [step.name for step in plan.passes if isinstance(step, SolvePass)] == [
        "local_contrast-solve", "local_contrast-2-solve",
    ]
    made = "local_contrast-made"
    assert [step.source for step in _pixel(plan)] == ["frames", "blended", "blended", made, made]


def test_fusion_is_a_deep_blend() -> None:
    plan = make_plan(_job(Shape(3000, 3000), "blend: {method: fusion}"), Wish(4 * GIB, 1))
    assert [step.part for step in _pixel(plan)] == ["down", "up"]
    assert _pixel(plan)[-1].output == "result"


def test_nothing_after_the_blend_makes_it_the_result() -> None:
    plan = make_plan(_job(Shape(300, 300), "blend"), Wish(4 * GIB, 1))
    assert [step.output for step in _pixel(plan)] == ["result"]


@pytest.mark.parametrize("shape", [Shape(1, 1), Shape(5, 3000), Shape(129, 257), Shape(4001, 6003)])
@pytest.mark.parametrize("tile", [128, 384, 1024, 65536])
def test_windows_lie_inside_the_picture_and_cover_the_tile(shape: Shape, tile: int) -> None:
    plan = make_plan(_job(shape, *FULL), Wish(16 * GIB, 2, tile_px=tile))
    for step in _pixel(plan):
        grid = step.grid
        for index in {0, len(grid) // 2, len(grid) - 1}:
            windows = step.windows(grid[index], {})
            assert step.before.source.whole.contains(windows.source)
            if step.part != "down":
                assert windows.source.contains(grid[index])
        assert sum(window.pixels for window in grid) == step.shape.pixels


def test_smaller_tiles_promise_less_memory() -> None:
    job = _job(Shape(8000, 12000), *FULL)
    promises = [make_plan(job, Wish(64 * GIB, 2, tile_px=tile)).promise_bytes for tile in (2048, 1024, 512)]
    assert promises == sorted(promises, reverse=True)


def test_the_planner_takes_the_largest_tile_that_fits() -> None:
    job = _job(Shape(16000, 24000), *FULL)
    wide = make_plan(job, Wish(16 * GIB, 2))
    tight = make_plan(job, Wish(int(1.1 * GIB), 2))
    assert tight.tile_px < wide.tile_px
    assert tight.promise_bytes <= int(1.1 * GIB)


def test_too_little_memory_is_refused_with_numbers_and_two_ways_out() -> None:
    with pytest.raises(PlanError, match="does not fit") as caught:
        make_plan(_job(Shape(8000, 12000), *FULL), Wish(200 << 20, 2))
    fault = caught.value.faults[0]
    assert "200 MiB" in fault.found
    assert "workers and tiles of" in fault.allowed
    assert "raise --memory" in fault.next_step
    assert "; or " in fault.next_step


def test_whole_file_frames_are_unpacked_once() -> None:
    plan = make_plan(_job(Shape(2000, 3000), *FULL, frames=2, windowed=False), Wish(8 * GIB, 2))
    assert _names(plan)[:2] == ["unpack-0", "unpack-1"]


def test_deliverables_come_last() -> None:
    job = replace(_job(Shape(2000, 3000), *FULL), deliverables=3)
    passes: tuple[Pass, ...] = make_plan(job, Wish(8 * GIB, 2)).passes
    assert [type(step) for step in passes[-3:]] == [DeliverPass] * 3
