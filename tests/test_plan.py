"""Plans: passes in the right order, margins that fit, numbers in every refusal, memory that falls with the tile."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tilepipe.errors import PlanError
from tilepipe.geometry import Shape
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


def test_a_disk_too_small_is_refused_before_anything_is_written() -> None:
    with pytest.raises(PlanError, match="disk is too small"):
        make_plan(_job(Shape(8000, 12000), *FULL), Wish(8 * GIB, 2, free_disk_bytes=1 << 20))


def test_whole_file_frames_are_unpacked_once() -> None:
    plan = make_plan(_job(Shape(2000, 3000), *FULL, frames=2, windowed=False), Wish(8 * GIB, 2))
    assert _names(plan)[:2] == ["unpack-0", "unpack-1"]


def test_deliverables_come_last() -> None:
    job = replace(_job(Shape(2000, 3000), *FULL), deliverables=3)
    passes: tuple[Pass, ...] = make_plan(job, Wish(8 * GIB, 2)).passes
    assert [type(step) for step in passes[-3:]] == [DeliverPass] * 3
