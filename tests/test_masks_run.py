"""Steps with a mask, through the whole machine: exact where it is 0 or 1, on its object after geometry, no pass more."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tilepipe import process
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import Chain, descriptor, located
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.plan.passes import PixelPass, Plan
from tilepipe.plan.planner import Wish, make_plan
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Step
from tilepipe.recipe.steps import read_steps
from tilepipe.run.evaluate import run_chain

SHAPE = Shape(200, 300)
HOUSE = {"polygon": [[0.3, 0.3], [0.6, 0.35], [0.55, 0.7], [0.35, 0.6]]}


def frame(shape: Shape = SHAPE) -> Any:
    return np.random.default_rng(5).random((shape.height, shape.width, 3)).astype(np.float32) * 0.8


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


def mask_over(where: Any, shape: Shape = SHAPE) -> Any:
    """The mask itself: a picture of 1 that is made twice as bright where it is."""
    even = np.full((shape.height, shape.width, 3), 0.25, np.float32)
    return process([even], steps=[{"exposure": {"stops": "1EV", "where": where}}])[..., 0] * 4.0 - 1.0


@pytest.mark.parametrize("step", [
    {"exposure": {"stops": "+1.3EV"}}, {"local_contrast": {"range": 0.6, "detail": 1.4}}, {"tone_curve": {"lift": "-8EV"}},
])
def test_a_step_applies_where_its_mask_says_and_nowhere_else(step: Any):
    (name, values), = step.items()
    given = frame()
    before, after = process([given], steps=[]), process([given], steps=[step])
    mask = mask_over(HOUSE)
    found = process([given], steps=[{name: {**values, "where": HOUSE}}])
    assert (mask == 1.0).sum() > 4000
    assert (bits(found)[mask == 0.0] == bits(before)[mask == 0.0]).all()
    assert (bits(found)[mask == 1.0] == bits(after)[mask == 1.0]).all()
    between = (before + (after - before) * mask[..., None])[(mask > 0) & (mask < 1)]
    assert np.abs(found[(mask > 0) & (mask < 1)] - between).max() < 1e-5
    half = process([given], steps=[{name: {**values, "where": HOUSE, "strength": 0.5}}])
    assert (bits(half)[mask == 0.0] == bits(before)[mask == 0.0]).all()
    assert np.abs(half - (before + (after - before) * 0.5 * mask[..., None])).max() < 1e-5


WHERE = {
    "measured": {"luminance": {"from": "-1.5EV", "soft": "0.5EV"}},
    "softened": {"follow_edges": {"mask": {"any_of": [HOUSE, {"luminance": {"from": "-1EV"}}]}, "reach": "9px"}},
    "feathered": {"feather": {"mask": {"luminance": {"from": "-1EV"}}, "reach": "14px"}},
}


@pytest.mark.parametrize("where", list(WHERE))
@pytest.mark.parametrize("stage", ["exposure", "local_contrast"])
def test_tiles_workers_and_levels_change_no_bit(where: str, stage: str):
    values = {"exposure": {"stops": "1EV"}, "local_contrast": {"range": 0.5}}[stage]
    steps = [{"straighten": {"turn": "2deg"}}, {stage: {**values, "where": WHERE[where]}}, {"exposure": {"stops": "-0.3EV"}}]
    first = process([frame()], steps=steps, tile=1024, workers=1)
    for tile, level in ((128, 2), (128, 3), (256, 4)):
        assert (bits(process([frame()], steps=steps, tile=tile, level=level, workers=2)) == bits(first)).all()


def _plane(step: Step, shape: Shape) -> Any:
    assert step.where is not None
    tile = Tile(np.zeros((3, shape.height, shape.width), np.float32), shape.whole, shape)
    return step.where.plane(CpuDevice(), tile, shape.whole, {})


@pytest.mark.parametrize("where", [HOUSE, {"stroke": {"points": [[0.3, 0.3], [0.5, 0.6], [0.7, 0.4]], "radius": "12px"}}])
def test_a_mask_stays_on_its_object_after_straighten_and_crop(where: Any):
    """The object is the mask itself, drawn on the base frame and turned and cut with it."""
    geometry: list[Any] = [{"straighten": {"turn": "2deg"}}, {"crop": {"left": 0.15, "top": 0.1, "width": 0.7, "height": 0.75}}]
    last = {"exposure": {"stops": "1EV", "where": where}}
    drawn = _plane(located(read_steps([last], frames=1), SHAPE)[0], SHAPE)
    steps = located(read_steps([*geometry, last], frames=1), SHAPE)
    chain, device = Chain(steps[:2], SHAPE), CpuDevice()
    windows = chain.windows(chain.result.whole, {})
    moved = run_chain(device, chain, Tile(np.stack([drawn] * 3), SHAPE.whole, SHAPE), windows, {}).array[0]
    found = _plane(steps[2], chain.result)
    assert moved.shape == found.shape != drawn.shape
    y, x = np.mgrid[: found.shape[0], : found.shape[1]]
    for place in (y, x):
        assert abs((moved * place).sum() / moved.sum() - (found * place).sum() / found.sum()) < 0.05, "1 px is asked for"
    hard = np.abs(moved - found)
    assert hard.mean() < 0.002
    far = np.abs(np.gradient(found)[0]) + np.abs(np.gradient(found)[1]) == 0
    assert hard[far & np.roll(far, 1, 0) & np.roll(far, -1, 0) & np.roll(far, 1, 1) & np.roll(far, -1, 1)].max() < 0.05


def _plan(exposure: str) -> Plan:
    recipe = load_recipe(f"frames: [a.tif, b.tif]\nsteps: [blend, {exposure}, display]", check_files=False)
    sketch = FrameSketch(Shape(2000, 3000), 6, True, 3, 7, 12, scratch_planes=1)
    steps = located(recipe.active_steps, sketch.shape)
    return make_plan(Job((sketch, sketch), 0, steps), Wish(1 << 34, 2, 256))


def test_masks_add_no_pass_and_their_margin_is_in_the_windows():
    plain = _plan("{exposure: {stops: 1EV}}")
    masked = _plan("{exposure: {stops: 1EV, where: {feather: {mask: {luminance: {from: -1EV}}, reach: 40px}}}}")
    assert [step.name for step in plain.passes] == [step.name for step in masked.passes]
    sources = [
        step.windows(Window(512, 512, 256, 256), {}).source
        for plan in (plain, masked) for step in plan.passes if isinstance(step, PixelPass) and step.output == "result"
    ]
    assert sources[0] == Window(512, 512, 256, 256)
    assert sources[1].height >= 256 + 2 * 60


def test_the_key_of_a_step_holds_its_mask_where_it_lies():
    steps = read_steps([{"exposure": {"stops": "1EV", "where": HOUSE}}], frames=1)
    bare = read_steps([{"exposure": {"stops": "1EV"}}], frames=1)
    here, turned = located(steps, SHAPE), located((*read_steps(["straighten"], frames=1), *steps), SHAPE)
    assert "where" not in descriptor(bare[0], {})
    assert descriptor(here[0], {})["where"]["base"] == [200, 300]
    assert descriptor(here[0], {}) == descriptor(turned[1], {}), "a turn by nothing"
    reduced = located(steps, Shape(50, 75), SHAPE, 4)
    assert descriptor(reduced[0], {})["where"] != descriptor(here[0], {})["where"]
