"""Dodge, burn and vignette: weights as stated, tones keep their order, colours their hue, the final crop its corners."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from finishing import made
from pydantic import ValidationError

from tilepipe.colour.spaces import REC2020, SRGB, between, luminance_row, rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import located
from tilepipe.recipe.steps import read_steps
from tilepipe.stages.burn import Burn
from tilepipe.stages.dodge import Dodge
from tilepipe.stages.stage import Stage
from tilepipe.stages.vignette import Vignette

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

STEP = {"stops": "1EV", "around": "-3EV", "reach": "2EV"}


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def oklab(pixels: Any) -> Any:
    """OKLab of linear Rec.2020, by colour-science."""
    return colour.XYZ_to_Oklab(np.asarray(pixels, np.float64) @ np.array(rgb_to_xyz(REC2020)).T)


def greys(stops: Any) -> Any:
    return np.exp2(np.asarray(stops, np.float64))[None, :, None].repeat(3, 2).astype(np.float32)


@pytest.mark.parametrize(("kind", "sign"), [(Dodge, 1), (Burn, -1)])
@pytest.mark.parametrize("luminance_only", [False, True])
def test_the_weight_is_as_stated(device: CpuDevice, kind: type[Stage], sign: int, luminance_only: bool) -> None:
    stops = np.linspace(-12, 6, 3001)
    given = greys(stops)
    stage = kind.model_validate(STEP | {"luminance_only": luminance_only})
    moved = np.log2(made(device, stage, given) / given)[0]
    u = np.clip((stops + 3) / 2, -1, 1)
    assert np.abs(moved - (sign * (1 - u * u) ** 2)[:, None]).max() < 2e-5
    assert (moved[np.abs(stops + 3) >= 2.001] == 0).all()


def test_the_order_of_tones_stays_at_the_most_that_is_allowed(device: CpuDevice) -> None:
    given = greys(np.linspace(-12, 6, 20001))
    for kind in (Dodge, Burn):
        strongest = kind.model_validate(STEP | {"stops": "1.2EV"})
        assert np.diff(made(device, strongest, given)[0, :, 0]).min() > 0
        with pytest.raises(ValidationError, match=r"at most 1\.2EV, or a reach of 2\.5EV"):
            kind.model_validate(STEP | {"stops": "1.5EV"})


def test_hue_stays_and_luminance_only_calms_colour(device: CpuDevice) -> None:
    colours = np.array([(1, 0.4, 0.1), (0.2, 0.5, 1), (0.3, 0.8, 0.2), (0.9, 0.6, 0.4)]) @ np.array(between(SRGB, REC2020)).T
    colours = (colours / (colours @ np.array(luminance_row()))[:, None] * 0.125)[None]
    before = oklab(colours)
    for only in (False, True):
        after = oklab(made(device, Dodge.model_validate(STEP | {"luminance_only": only}), colours))
        turned = np.arctan2(after[..., 2], after[..., 1]) - np.arctan2(before[..., 2], before[..., 1])
        assert np.degrees(np.abs(turned)).max() < 0.3
        assert np.abs(after[..., 0] / before[..., 0] / 2 ** (1 / 3) - 1).max() < 1e-3
        grown = np.hypot(after[..., 1], after[..., 2]) / np.hypot(before[..., 1], before[..., 2])
        assert np.abs(grown / (1 if only else 2 ** (1 / 3)) - 1).max() < 3e-3


def test_black_and_less_than_black_are_left_alone(device: CpuDevice) -> None:
    given = np.array([[[0, 0, 0], [-0.1, -0.2, -0.1], [1e-30, 0, 0]]], np.float32)
    for stage in (Dodge.model_validate(STEP), Burn.model_validate(STEP), Vignette.model_validate({"stops": "-2EV"})):
        result = made(device, stage, given)
        assert np.isfinite(result).all()
        assert np.abs(result).max() < 0.2001


def vignetted(device: CpuDevice, height: int, width: int, level: float = 2.0**-6, **parameters: Any) -> Any:
    """Stops by which an even picture changes."""
    picture = np.full((height, width, 3), level)
    return np.log2(made(device, Vignette.model_validate(parameters), picture) / level)[..., 0]


def test_the_corners_get_the_stops_and_the_centre_keeps_its_light(device: CpuDevice) -> None:
    stops = vignetted(device, 201, 301, stops="-1.5EV")
    assert stops[100, 150] == 0
    assert stops[[0, 0, -1, -1], [0, -1, 0, -1]].tolist() == pytest.approx([-1.5] * 4, abs=1e-3)
    assert np.abs(stops - stops[::-1, ::-1]).max() < 1e-5
    ray = stops[100, 150:]
    assert (np.diff(ray) <= 1e-7).all()
    assert np.abs(np.diff(ray, 2)).max() < 1e-3  # no crease
    moved = vignetted(device, 201, 301, stops="-1EV", centre={"left": 0.25, "top": 0.5})
    assert moved[100, 75] == 0
    assert moved[100, 0] > moved[100, -1]


def test_highlights_are_spared(device: CpuDevice) -> None:
    corner = [vignetted(device, 61, 61, level, stops="-2EV")[0, 0] for level in (2.0**-7, 0.125, 0.5, 1.0, 8.0)]
    assert corner[0] == pytest.approx(-2, abs=1e-2)
    assert corner[1] == pytest.approx(-2, abs=1e-2)
    assert -1.99 < corner[2] < -0.01
    assert corner[3] == corner[4] == 0
    ramp = greys(np.linspace(-10, 3, 4001))
    for stops in ("-4EV", "1EV"):
        stage = Vignette.model_validate({"stops": stops, "reach": 0, "fall": 0.1})
        assert np.diff(made(device, stage, ramp)[0, :, 0])[300:1600].min() > 0
        assert np.diff(made(device, stage, ramp)[0, :, 0])[2400:].min() > 0


def test_a_later_crop_takes_the_vignette_along(device: CpuDevice) -> None:
    """Before a crop or after it: the same light in the delivered picture; and the crop enters the key."""
    shape = Shape(120, 200)
    crop = {"crop": {"left": 0.4, "top": 0.25, "width": 0.5, "height": 0.6}}
    vignette = {"vignette": {"stops": "-2EV"}}
    first, second = (located(read_steps(steps, frames=1), shape) for steps in ([vignette, crop], [crop, vignette]))
    picture = np.full((3, 120, 200), 0.02, np.float32)

    def run(steps: Any) -> Any:
        tile = Tile(picture, shape.whole, shape)
        for step in steps:
            size = step.stage.output_shape(tile.picture)
            made = step.stage.run(device, tile, size.whole, {})
            tile = Tile(np.array(made.array), size.whole, size)
        return tile.array.astype(np.float64)

    before, after = run(first), run(second)
    assert before.shape == after.shape == (3, 72, 100)
    assert np.abs(np.log2(before / after)).max() < 1e-5
    assert first[0].stage.parameters()["final"]["height"] == 72
    alone = located(read_steps([vignette], frames=1), shape)
    assert alone[0].stage.parameters() != first[0].stage.parameters()


def test_windows_give_the_bits_of_the_whole(device: CpuDevice) -> None:
    array = np.random.default_rng(3).random((3, 40, 60)).astype(np.float32)
    tile = Tile(array, Window(0, 0, 40, 60), Shape(40, 60))
    stage = Vignette.model_validate({"stops": "-2EV"})
    whole = stage.run(device, tile, tile.window, {}).array
    part = stage.run(device, tile, Window(11, 7, 9, 31), {}).array
    assert (part.view(np.uint32) == np.ascontiguousarray(whole[:, 11:20, 7:38]).view(np.uint32)).all()


def test_defaults_are_neutral() -> None:
    assert Dodge().is_neutral()
    assert Burn().is_neutral()
    assert Vignette().is_neutral()
