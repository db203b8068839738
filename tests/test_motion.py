"""Movement is found where frames disagree beyond noise, and nowhere else; each group is taken from one frame."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tilepipe import load_recipe, process, run_plan, verify
from tilepipe.demo.frames import write_demo_frames
from tilepipe.device import native
from tilepipe.errors import RecipeError
from tilepipe.geometry import Shape, Window
from tilepipe.measure.motion import MotionMaps, pairs_of
from tilepipe.measure.motion_groups import AVERAGE, Groups, Override, groups_of
from tilepipe.measure.motion_members import FULL
from tilepipe.measure.motion_polygon import cells_inside
from tilepipe.plan import planner
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.plan.passes import MotionPass
from tilepipe.recipe.steps import read_steps
from tilepipe.run.recipe_run import Settings
from tilepipe.stages.settle import SettleMaps

Pixels = npt.NDArray[Any]
SHOT, READ = 3.24e-4, 4.3e-6  # typical at ISO 100: Hasinoff, Durand, Freeman, CVPR 2010
EXPOSURES = [0.25, 1.0, 4.0]
MATCH: dict[str, Any] = {"match": {"mode": "exposure", "curve": "none"}}
BLEND: dict[str, Any] = {"blend": {"method": "radiance"}}
OBJECT = Window(120, 150, 40, 56)


# ---------------------------------------------------------------- an invented bracket
def scene(moved_px: int = 0, bright: float = 0.1) -> Pixels:
    """Smooth light with textured stone below, and a dark thing `moved_px` to the right of its place."""
    y, x = np.mgrid[0:277, 0:331].astype(np.float64)
    light = bright * (1.0 + 0.2 * np.sin(x / 40.0) * np.cos(y / 31.0))
    stone = np.random.default_rng(3).uniform(0.5, 1.5, light.shape)
    light = np.where(y > 200, 0.1 * stone, light)
    light[OBJECT.y : OBJECT.y_end, OBJECT.x + moved_px : OBJECT.x_end + moved_px] = 0.03
    return light[..., None] * np.array([1.0, 0.9, 0.8])


def shot(light: Pixels, gain: float, seed: int) -> Pixels:
    value = light * gain
    noise = np.random.default_rng(seed).normal(0.0, 1.0, light.shape) * np.sqrt(SHOT * value + READ)
    return np.minimum(value + noise, 1.0).astype(np.float32)


def bracket(moved_px: int, bright: float = 0.1) -> list[Pixels]:
    """The thing stands elsewhere in the brightest frame."""
    moments = [scene(0, bright), scene(0, bright), scene(moved_px, bright)]
    return [shot(light, gain, seed) for seed, (light, gain) in enumerate(zip(moments, EXPOSURES, strict=True))]


def steps(**motion: Any) -> list[Any]:
    return [MATCH, {"motion": motion}, BLEND]


def bits(pixels: Pixels) -> Pixels:
    return np.ascontiguousarray(pixels).view(np.uint32)


@pytest.fixture(scope="module")
def moved() -> list[Pixels]:
    return bracket(30)


@pytest.fixture(scope="module")
def settled(moved: list[Pixels]) -> Pixels:
    return process(moved, EXPOSURES, steps(), tile=512, workers=1)


# ---------------------------------------------------------------- from frames to a picture
def test_nothing_moved_leaves_every_bit() -> None:
    still = bracket(0)
    assert (bits(process(still, EXPOSURES, steps())) == bits(process(still, EXPOSURES, [MATCH, BLEND]))).all()


def test_a_moved_thing_comes_from_the_base_and_the_rest_is_the_noise_optimal_merge(
    moved: list[Pixels], settled: Pixels
) -> None:
    plain = process(moved, EXPOSURES, [MATCH, BLEND])
    ghost = np.abs(plain - scene(0))[OBJECT.rows, OBJECT.x : OBJECT.x_end + 30].mean()
    assert ghost > 0.01
    inside = settled[OBJECT.y + 4 : OBJECT.y_end - 4, OBJECT.x + 4 : OBJECT.x_end + 26]
    base = moved[1][OBJECT.y + 4 : OBJECT.y_end - 4, OBJECT.x + 4 : OBJECT.x_end + 26]
    sigma = np.sqrt(SHOT * scene(0)[OBJECT.y + 4 : OBJECT.y_end - 4, OBJECT.x + 4 : OBJECT.x_end + 26] + READ)
    assert (np.abs(inside - base) / sigma).max() < 6.0
    for y in range(0, inside.shape[0] - 15, 16):
        for x in range(0, inside.shape[1] - 15, 16):
            block = (slice(y, y + 16), slice(x, x + 16))
            assert abs((inside - base)[block].mean()) <= 4.0 * sigma[block].mean() / 16.0
    far = np.ones(plain.shape[:2], bool)
    far[OBJECT.y - 64 : OBJECT.y_end + 64, OBJECT.x - 64 : OBJECT.x_end + 94] = False
    assert (bits(settled)[far] == bits(plain)[far]).all()


def test_noise_inside_is_like_noise_outside(settled: Pixels) -> None:
    truth = scene(0)
    inside = (settled - truth)[OBJECT.y + 6 : OBJECT.y_end - 6, OBJECT.x_end + 6 : OBJECT.x_end + 24]
    outside = (settled - truth)[OBJECT.y + 6 : OBJECT.y_end - 6, 20:60]
    assert 0.5 < inside.std() / outside.std() < 1.5


@pytest.mark.parametrize(("tile", "workers"), [(128, 2), (256, 1)])
def test_tiles_and_workers_do_not_touch_a_bit(moved: list[Pixels], settled: Pixels, tile: int, workers: int) -> None:
    assert (bits(process(moved, EXPOSURES, steps(), tile=tile, workers=workers)) == bits(settled)).all()


@pytest.mark.parametrize("variant", native.built_variants())
def test_every_variant_of_the_processor_settles_to_the_same_bits(moved: list[Pixels], settled: Pixels, variant: str) -> None:
    assert (bits(process(moved, EXPOSURES, steps(), tile=384, device=f"cpu {variant}")) == bits(settled)).all()


def test_fusion_takes_settled_frames_too(moved: list[Pixels]) -> None:
    fusion: dict[str, Any] = {"blend": {"method": "fusion"}}
    first = process(moved, EXPOSURES, [MATCH, "motion", fusion], tile=384)
    again = process(moved, EXPOSURES, [MATCH, "motion", fusion], tile=128, level=3)
    plain = process(moved, EXPOSURES, [MATCH, fusion])
    place = (slice(OBJECT.y + 8, OBJECT.y_end - 8), slice(OBJECT.x_end + 6, OBJECT.x_end + 24))
    assert (bits(first) == bits(again)).all()
    assert (bits(first) != bits(plain))[place].all()


def test_a_displacement_of_a_fifth_of_a_pixel_is_no_movement() -> None:
    y, x = np.mgrid[0:160, 0:200].astype(np.float64)

    def light(shift: float) -> Pixels:  # stone: waves of 5 px and more, as a lens leaves them
        wave = np.sin((x - shift) * 1.2) * np.cos(y * 1.1) + np.sin((x - shift) * 0.7 + y)
        return (0.1 * (1.0 + 0.25 * wave))[..., None] * np.ones(3)

    frames = [shot(light(0.2 * k), gain, k) for k, gain in enumerate(EXPOSURES)]
    assert (bits(process(frames, EXPOSURES, steps())) == bits(process(frames, EXPOSURES, [MATCH, BLEND]))).all()


def test_where_the_base_clips_a_darker_frame_is_taken() -> None:
    bright = bracket(30, bright=1.6)
    made = process(bright, EXPOSURES, steps())
    beside = made[OBJECT.y + 6 : OBJECT.y_end - 6, OBJECT.x_end + 6 : OBJECT.x_end + 24]
    truth = scene(0, 1.6)[OBJECT.y + 6 : OBJECT.y_end - 6, OBJECT.x_end + 6 : OBJECT.x_end + 24]
    assert abs(float((beside / truth).mean()) - 1.0) < 0.02


def test_a_recipe_may_forbid_choose_and_average(moved: list[Pixels]) -> None:
    corners = [[0.3, 0.3], [0.95, 0.3], [0.95, 0.7], [0.3, 0.7]]
    place = (slice(OBJECT.y + 8, OBJECT.y_end - 8), slice(OBJECT.x_end + 8, OBJECT.x_end + 22))

    def of(frame: Any) -> Pixels:
        return process(moved, EXPOSURES, steps(overrides=[{"polygon": corners, "frame": frame}]))

    plain = process(moved, EXPOSURES, [MATCH, BLEND])
    assert (bits(of("merge"))[place] == bits(plain)[place]).all()
    bright = moved[2][place] / 4.0  # where the thing stands in that frame alone
    assert abs(float((of(3)[place] / bright).mean()) - 1.0) < 0.01
    mean = (moved[0][place] * 4.0 + moved[1][place] + moved[2][place] / 4.0) / 3.0
    assert np.abs(of("average")[place] - mean).max() < 1e-5


# ---------------------------------------------------------------- groups
def maps(rows: int = 40, cols: int = 60, frames: int = 3, base: int = 1) -> MotionMaps:
    found = MotionMaps.empty(Shape(rows * 8, cols * 8), base, frames)
    found.seen[:] = 64
    found.level[:] = 192 - 3 * 8
    return found


def facts(lights: tuple[float, ...] = (0.25, 1.0, 4.0)) -> list[dict[str, Any]]:
    return [{"light": light, "shot": SHOT, "read": READ, "clip": 1.0} for light in lights]


def grouped(found: MotionMaps, reach_px: int = 16, **rest: Any) -> Groups:
    return groups_of(found, facts(), reach_px=reach_px, **rest)


def test_patches_of_water_become_one_group_and_far_ones_stay_apart() -> None:
    found = maps()
    for col in (5, 8, 11):
        found.apart[0, 10:14, col] = 40
    found.apart[0, 30, 50] = 40
    groups = grouped(found)
    assert [group["size_px"] for group in groups.facts] == [[56, 32], [8, 8]]
    assert (groups.weights[0, 10:14, 5:12] == FULL).all()


def test_what_plainly_stands_still_is_not_swallowed() -> None:
    found = maps()
    found.apart[0, 10:20, 5:8] = 40
    found.apart[0, 10:20, 11:14] = 40
    found.rough[:, 5:25, 8:11] = 60
    weights = grouped(found).weights[0]
    assert (weights[14, 5:8] == FULL).all()
    assert weights[14, 9] == 0


def test_a_few_pixels_are_too_small_to_be_seen() -> None:
    found = maps()
    found.apart[0, 10, 10] = 12
    assert grouped(found).facts == []


def test_cells_that_say_little_do_not_count() -> None:
    found = maps()
    found.seen[0, 10:20, 10:20], found.apart[0, 10:20, 10:20] = 7, 7
    assert grouped(found).facts == []


def test_a_drift_of_the_mean_is_movement() -> None:
    found = maps()
    found.drift[1, 10:13, 10:30] = 60
    assert [group["size_px"] for group in grouped(found).facts] == [[160, 24]]


@pytest.mark.parametrize(("clipped", "frame"), [((0, 0, 64), 1), ((0, 20, 64), 0), ((30, 40, 64), 0)])
def test_the_frame_is_the_base_or_the_next_darker_one_that_does_not_clip(clipped: tuple[int, ...], frame: int) -> None:
    found = maps()
    found.apart[0, 10:20, 10:20] = 40
    found.clipped[:, 10:20, 10:20] = np.array(clipped, np.uint8)[:, None, None]
    (group,) = grouped(found).facts
    assert (group["frame"], bool(group["why"])) == (frame, True)


def test_deep_shadows_take_the_shortest_frame_without_the_base_frames_noise() -> None:
    found = maps()
    found.apart[:, 10:30, 10:30] = 40
    found.level[:] = 192 - 10 * 8
    (group,) = groups_of(found, facts((0.05, 1.0, 20.0)), reach_px=16).facts
    assert group["frame"] == 2


def test_overrides_forbid_add_and_average() -> None:
    found = maps()
    found.apart[0, 10:20, 10:20] = 40
    left = ((0.0, 0.0), (0.25, 0.0), (0.25, 1.0), (0.0, 1.0))
    right = ((0.7, 0.2), (0.9, 0.2), (0.9, 0.4), (0.7, 0.4))
    groups = grouped(found, overrides=[Override(left, "merge"), Override(right, 3)])
    assert (groups.weights[:, :, :15] == 0).all()
    assert [group["frame"] for group in groups.facts] == [1, 2]
    assert groups.weights[groups.choices.index(2), 12, 48] == FULL
    assert grouped(found, average=True).choices == (AVERAGE,)


def test_memberships_of_two_frames_add_up_to_at_most_one() -> None:
    found = maps()
    found.apart[0, 10:20, 10:20] = 40
    beside = ((20.5 / 60, 0.2), (0.6, 0.2), (0.6, 0.6), (20.5 / 60, 0.6))
    weights = grouped(found, overrides=[Override(beside, 3)]).weights.astype(int)
    assert weights.sum(axis=0).max() == FULL
    assert ((weights > 0) & (weights < FULL)).any()


def test_every_frame_meets_the_base_and_its_neighbours() -> None:
    assert pairs_of(1, 4) == ((1, 0), (1, 2), (1, 3), (3, 2))
    assert pairs_of(2, 4) == ((2, 0), (2, 1), (2, 3), (1, 0))
    assert pairs_of(0, 2) == ((0, 1),)


def test_a_polygon_takes_the_cells_whose_centres_it_holds() -> None:
    inside = cells_inside([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)], Shape(80, 80), 8)
    rows, cols = np.mgrid[0:10, 0:10]
    assert (inside == (rows + cols + 1 < 10)).all()


def test_where_agreeing_frames_stay_groups_reach_farther_and_stand_alone_only_as_far_as_before() -> None:
    found = maps()
    found.apart[0, 10:14, 5:12] = 40
    narrow, wide = grouped(found), grouped(found, local=True)
    assert (wide.weights[0] >= narrow.weights[0]).all()
    assert (wide.weights[0] == FULL).sum() > (narrow.weights[0] == FULL).sum()
    assert ((wide.alone == FULL) == (narrow.weights[0] == FULL)).all()
    assert (narrow.alone == FULL).all()


def test_cells_of_a_window_hold_all_that_its_pixels_read() -> None:
    weights = np.zeros((1, 10, 10), np.uint8)
    weights[0, 4, 4] = FULL
    full = SettleMaps((1,), weights, 8)
    assert full.in_use(Window(28, 28, 1, 1)) == [0]
    assert full.in_use(Window(0, 0, 27, 80)) == []
    assert SettleMaps((1,), weights, 8, factor=4).in_use(Window(9, 9, 1, 1)) == [0]


# ---------------------------------------------------------------- plan, receipt, verify
def test_the_plan_has_one_pass_more_and_promises_its_memory() -> None:
    def plan(names: list[Any]) -> Any:
        frame = FrameSketch(Shape(2000, 3000), 6, True, 3, 7, 0)
        return planner.make_plan(Job((frame,) * 3, 1, read_steps(names, frames=3)), planner.Wish(4 << 30, 2))

    without, with_motion = plan([MATCH, "align", BLEND]), plan([MATCH, "align", "motion", BLEND])
    assert [type(step) for step in with_motion.passes].count(MotionPass) == 1
    assert with_motion.promise_bytes >= without.promise_bytes


def test_a_run_tells_its_groups_keeps_them_and_is_verified(tmp_path: Path) -> None:
    write_demo_frames(tmp_path / "frames", 0.15)
    recipe = tmp_path / "job.yaml"
    recipe.write_text("frames: frames/*.dng\nsteps: [match, align, motion, {blend: {method: radiance}}]\n", encoding="utf-8")
    events: list[Any] = []
    settings = Settings(tile_px=128, workers=1, device="cpu")
    receipt = run_plan(load_recipe(recipe), settings)
    told = json.loads(receipt.read_text(encoding="utf-8"))
    groups = told["measurements"]["motion"]["groups"]
    assert groups
    assert {"id", "frame", "name", "why", "at", "size_px", "share"} <= set(groups[0])
    again = run_plan(load_recipe(recipe), settings, events.append)
    assert json.loads(again.read_text(encoding="utf-8"))["result"]["root"] == told["result"]["root"]
    assert verify(receipt, share_percent=100).equal == 1


def test_frames_of_encoded_pictures_may_differ_in_their_curve() -> None:
    y, x = np.mgrid[0:160, 0:200].astype(np.float64)
    light = (0.12 * (1.0 + 0.6 * np.sin(x / 20.0) * np.cos(y / 17.0)))[..., None] * np.ones(3)
    bent = [np.clip(light * gain, 0.0, 1.0) ** (1.0 / power) for gain, power in zip(EXPOSURES, (2.2, 2.3, 2.4), strict=True)]
    frames = [(each * 65535.0).astype(np.uint16) for each in bent]
    without = process(frames, EXPOSURES, [MATCH, BLEND], encoding="srgb")
    assert (bits(process(frames, EXPOSURES, steps(), encoding="srgb")) == bits(without)).all()
    moved = [frame.copy() for frame in frames]
    moved[2][40:80, 60:120] //= 2
    settled = process(moved, EXPOSURES, steps(), encoding="srgb")
    assert (bits(settled) != bits(process(moved, EXPOSURES, [MATCH, BLEND], encoding="srgb"))).any()


@pytest.mark.parametrize(("step", "address"), [
    ("motion: {overrides: [{polygon: [[0.1, 0.1], [0.5, 0.1], [0.3, 0.4]], frame: 9}]}", "steps[0].motion.overrides[0].frame"),
    ("blend: {method: masks, frames: [{frame: 2}, {frame: 9}]}", "steps[1].blend.frames[1].frame"),
])
def test_a_frame_that_is_not_there_is_told_with_its_address(step: str, address: str) -> None:
    other = "blend: {method: radiance}" if step.startswith("motion") else "motion"
    first, second = (step, other) if step.startswith("motion") else (other, step)
    text = f"frames: [a.dng, b.dng, c.dng]\nsteps:\n  - {first}\n  - {second}\n"
    with pytest.raises(RecipeError) as caught:
        load_recipe(text, check_files=False)
    assert address in str(caught.value)
    assert "1 to 3" in str(caught.value)
