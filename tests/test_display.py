"""From scene light to the display: unchanged below the shoulder, hue kept, smooth to white, nothing outside 0..1."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.colour.spaces import REC2020, SRGB, between, rgb_to_xyz
from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.display import Display, shoulder

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

# Skies, skins, leaves, sunsets and hard colours as linear sRGB ratios: invented.
COLOURS = (
    (1, 1, 1), (0.3, 0.5, 1), (0.55, 0.75, 1), (1, 0.62, 0.48), (0.75, 0.42, 0.3), (0.3, 0.6, 0.1),
    (1, 0.5, 0.12), (1, 0.72, 0.35), (1, 0.15, 0.1), (0.15, 0.3, 1), (0.8, 0.2, 1), (0.15, 0.9, 0.7),
)
WHITES = ("1EV", "2EV", "4EV", "8EV")


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def shown(device: CpuDevice, colours: Any, **parameters: Any) -> Any:
    """Display of linear Rec.2020 colours `(…, 3)` as float64."""
    given = np.asarray(colours, np.float32)
    flat = given.reshape(1, -1, 3).transpose(2, 0, 1).copy(order="C")
    window = Window(0, 0, *flat.shape[1:])
    result = Display.model_validate(parameters).run(device, Tile(flat, window, window.shape), window, {})
    return result.array.transpose(1, 2, 0).reshape(given.shape)


def working(ratios: Any) -> Any:
    """Linear sRGB ratios as Rec.2020 ones with 1 as their largest channel."""
    made = np.asarray(ratios, np.float64) @ np.array(between(SRGB, REC2020)).T
    return made / made.max(-1, keepdims=True)


def oklab(colours: Any) -> Any:
    """OKLab (Ottosson 2020) by colour-science."""
    return colour.XYZ_to_Oklab(np.asarray(colours, np.float64) @ np.array(rgb_to_xyz(REC2020)).T)


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


def test_windows_and_instruction_sets_give_the_same_bits(device: CpuDevice) -> None:
    random = np.random.default_rng(2)
    array = np.exp2(random.uniform(-24, 20, (3, 61, 93))).astype(np.float32)
    array[random.random(array.shape) < 0.2] *= -1
    array[:, :3] = 0
    tile = Tile(array, Window(0, 0, 61, 93), Window(0, 0, 61, 93).shape)
    stage = Display()
    whole = stage.run(device, tile, tile.window, {})
    assert whole.array.min() >= 0
    assert whole.array.max() <= 1
    part = stage.run(device, tile, Window(7, 5, 17, 31), {})
    assert (bits(part.array) == bits(whole.cut(part.window).array)).all()
    for variant in native.built_variants():
        assert (bits(stage.run(CpuDevice(variant), tile, tile.window, {}).array) == bits(whole.array)).all()


def test_tones_below_the_shoulder_pass_unchanged(device: CpuDevice) -> None:
    levels = np.exp2(np.linspace(-20, -2.51, 300))
    given = (working(COLOURS)[:, None] * levels[:, None]).astype(np.float32)
    assert (bits(shown(device, given)) == bits(given)).all()


def test_greys_stay_grey_and_white_is_reached(device: CpuDevice) -> None:
    for white in WHITES:
        given = np.exp2(np.linspace(-20, 17, 20001)).astype(np.float32)
        grey = shown(device, np.repeat(given[:, None], 3, 1), white=white)
        assert (bits(grey) == bits(grey[:, :1])).all()
        assert (np.diff(grey[:, 0]) >= -6e-8).all()
        assert (grey[given >= 2.0 ** float(white[:-2]), 0] == 1).all()
        assert not shown(device, [[0.0, 0.0, 0.0], [-1.0, -1.0, -1.0]]).any()


def test_the_shoulder_is_its_formula(device: CpuDevice) -> None:
    """Against 1 − (1 − z/Z)^Z in numpy, float64."""
    start, white = 2.0**-2.5, 4.0
    x = np.linspace(start, white, 5001)
    reach = (white - start) / (1 - start)
    z = (x - start) / (1 - start)
    formula = start + (1 - start) * (1 - (1 - z / reach) ** reach)
    grey = shown(device, np.repeat(x.astype(np.float32)[:, None], 3, 1))[:, 0]
    assert np.abs(grey - formula).max() < 2e-6
    for where, slope in ((start, 1.0), (white, 0.0)):
        sides = [shoulder(where + d, start, white) for d in (-1e-6, 0.0, 1e-6)]
        assert (sides[1] - sides[0]) / 1e-6 == pytest.approx(slope, abs=1e-4)
        assert (sides[2] - sides[1]) / 1e-6 == pytest.approx(slope, abs=1e-4)
    assert [shoulder(v, 0.2, 1.0) for v in (0.1, 0.2, 0.7, 1.0, 9.0)] == pytest.approx([0.1, 0.2, 0.7, 1.0, 1.0])


def hue(lab: Any) -> Any:
    return np.degrees(np.unwrap(np.arctan2(lab[..., 2], lab[..., 1]), axis=-1))


def test_hue_is_constant_below_one_stop_under_white(device: CpuDevice) -> None:
    levels = np.exp2(np.linspace(-8, 6, 561))
    given = working(COLOURS[1:])[:, None] * levels[:, None]
    for white in WHITES:
        result = shown(device, given, white=white)
        lab, scene = oklab(result), oklab(given)
        below = result.max(-1) <= 0.5
        turned = np.abs((hue(lab) - hue(scene) + 180) % 360 - 180)
        assert turned[below].max() < 0.02
        assert below.sum() > 0.4 * below.size


def test_each_channel_rises_with_the_light(device: CpuDevice) -> None:
    levels = np.exp2(np.linspace(-10, 14, 4801))
    given = (working(COLOURS)[:, None] * levels[:, None]).astype(np.float32)
    for white in WHITES:
        result = shown(device, given, white=white).astype(np.float64)
        falls = np.diff(result, axis=1)
        assert falls.min() > -2e-3
        luminance = result @ np.array(rgb_to_xyz(REC2020)[1])
        assert np.diff(luminance, axis=1).min() > -1e-6


def test_bright_colours_end_in_white(device: CpuDevice) -> None:
    for turn in (0.0, 0.5, 1.0):
        assert shown(device, working(COLOURS) * 2.0**9, turn=turn).min() > 0.97
        assert shown(device, working(COLOURS) * 2.0**14, turn=turn).min() > 1 - 1e-6


def test_no_steps_along_any_ramp(device: CpuDevice) -> None:
    """Steps of 1/400 EV change a channel by less than 1/500, at the rim of the gamut and for negative channels too."""
    levels = np.exp2(np.linspace(-6, 10, 6401))
    rim = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, -0.2, 0.1], [-0.3, 0.4, 1], [1, 1, -0.5]]
    hard = np.concatenate([working(COLOURS), rim])
    result = shown(device, hard[:, None] * levels[:, None])
    assert np.abs(np.diff(result, axis=1)).max() < 2e-3
    blends = np.linspace(0, 1, 4001)[:, None]
    for first in hard:
        for level in (0.1, 0.7, 1.5, 6.0):
            line = (first * (1 - blends) + np.roll(first, 1) * blends) * level
            assert np.abs(np.diff(shown(device, line), axis=0)).max() < 4e-3


def test_an_orange_sun_turns_to_yellow_before_white(device: CpuDevice) -> None:
    """OKLab hue of orange about 60°, of yellow about 105°; salmon would stay or fall."""
    sun = working((1, 0.45, 0.08))
    angles = [float(hue(oklab(shown(device, sun * level)[None]))[0]) for level in (0.3, 1.5, 3.0, 6.0)]
    assert angles == sorted(angles)
    assert angles[0] < 75
    assert 80 < angles[-1] < 115


@pytest.mark.parametrize("turn", [0.0, 0.5, 1.0])
def test_chroma_rises_and_falls_once_whatever_the_turn(device: CpuDevice, turn: float) -> None:
    levels = np.exp2(np.linspace(-4, 7, 2001))
    result = shown(device, working(COLOURS)[:, None] * levels[:, None], turn=turn)
    assert np.diff(result @ np.array(rgb_to_xyz(REC2020)[1]), axis=1).min() > -1e-6
    assert np.abs(np.diff(result, axis=1)).max() < 4e-3  # steps of 1/180 EV: no ring
    lab = oklab(result)
    for line in np.hypot(lab[..., 1], lab[..., 2])[1:]:
        top = int(line.argmax())
        assert np.diff(line[: top + 1]).min(initial=0) >= -1e-5
        assert np.diff(line[top:]).max(initial=0) <= 1e-5


def test_hue_turns_as_far_as_asked(device: CpuDevice) -> None:
    """Mixed with white OKLab's hue stays within 10°, where there is chroma to see; at 1 orange turns over yellow."""
    levels = np.exp2(np.linspace(-4, 7, 2001))
    orange, turned = COLOURS.index((1, 0.5, 0.12)) - 1, []
    for turn in (0.0, 0.5, 1.0):
        lab = oklab(shown(device, working(COLOURS[1:])[:, None] * levels[:, None], turn=turn))
        moved = np.where(np.hypot(lab[..., 1], lab[..., 2]) > 0.03, hue(lab) - hue(lab)[:, :1], 0)
        assert turn or np.abs(moved).max() < 10
        turned.append(moved[orange].max())
    assert turned[0] < 1  # toward salmon if at all
    assert turned[0] < turned[1] < turned[2]
    assert turned[2] > 20


def test_colours_beyond_the_gamut_keep_their_luminance(device: CpuDevice) -> None:
    row = np.array(rgb_to_xyz(REC2020)[1])
    given = np.array([[0.1, -0.02, 0.03], [-0.05, 0.12, 0.1], [-0.01, 0.02, 0.15], [0.1, 0.1, -0.2]])
    result = shown(device, given)
    assert result.min() > 0
    assert np.abs(result @ row - given @ row).max() < 1e-7
    assert not shown(device, [[0.1, -0.2, 0.1]]).any()


def test_parameters_are_written_with_their_units() -> None:
    assert Display().parameters() == {"white": "2.0EV", "shoulder": "-2.5EV", "turn": 1.0}
    wrongs = ((2, "needs a unit"), ("2", "needs a unit"), ("9EV", "less than or equal to 8"), ("-1EV", "greater than"))
    for wrong, message in wrongs:
        with pytest.raises(ValidationError, match=message):
            Display.model_validate({"white": wrong})
