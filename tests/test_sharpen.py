"""Sharpening: steeper edges without halos, silent below the noise, greys and hues kept, nothing beyond white."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.colour.spaces import luminance_row
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.sharpen import Sharpen, gaussian_taps, merged_variance, noise_powers

FRAMES = [{"light": light, "shot": 3.24e-4, "read": 4.3e-6, "clip": 1.0} for light in (0.25, 1.0, 4.0)]
CLEAN = [{"light": 1.0, "shot": 0.0, "read": 0.0, "clip": 1.0}]


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def made(device: CpuDevice, pixels: Any, frames: Any = CLEAN, **parameters: Any) -> Any:
    """The stage on linear pixels `(y, x, 3)` or greys `(y, x)`, as float64."""
    pixels = np.asarray(pixels, np.float32)
    planar = np.ascontiguousarray((pixels[..., None].repeat(3, 2) if pixels.ndim == 2 else pixels).transpose(2, 0, 1))
    shape = Shape(*planar.shape[1:])
    stage = Sharpen.model_validate({"amount": 1.0, **parameters})
    result = stage.run(device, Tile(planar, shape.whole, shape), shape.whole, {"frames": frames}).array
    result = result.transpose(1, 2, 0).astype(np.float64)
    return result[..., 0] if pixels.ndim == 2 else result


def soft_edge(low: float, high: float, blur_px: float = 0.9) -> Any:
    """A vertical edge, blurred in the root of light by a logistic curve."""
    x = np.arange(64) - 31.3
    return np.broadcast_to((low + (high - low) / (1 + np.exp(-x / blur_px * 1.7))) ** 2, (24, 64))


def test_taps_are_a_bell_of_sum_one() -> None:
    for radius in (0.3, 0.7, 1.3):
        one, two, three = gaussian_taps(radius)
        own = 1 - 2 * (one + two + three)
        assert own > one > two > three >= 0
        assert one / own == pytest.approx(np.exp(-0.5 / radius**2), rel=1e-12)


def test_variance_of_the_merge_is_hasinoffs() -> None:
    """METHODS: X = 0.1, t = 1/4, 1, 4 at ISO 100 give an SNR of 31.812 dB (Hasinoff, Durand, Freeman 2010)."""
    assert 20 * np.log10(0.1 / np.sqrt(merged_variance(0.1, FRAMES))) == pytest.approx(31.812, abs=1e-3)
    assert merged_variance(0.5, FRAMES) > merged_variance(0.5, [*FRAMES[:2], FRAMES[2] | {"clip": 9.0}])
    assert merged_variance(9.0, FRAMES) > 0
    assert merged_variance(0.1, []) == 0


def test_the_noise_in_effect_is_never_below_the_merges() -> None:
    powers = noise_powers(tuple(tuple(frame[name] for name in ("light", "shot", "read", "clip")) for frame in FRAMES))
    light = np.exp2(np.linspace(-14, 0, 800))
    ours = powers[0] + light * (powers[1] + light * powers[2])
    true = np.array([merged_variance(float(value), FRAMES) for value in light])
    assert (ours / true).min() > 0.98
    assert np.sqrt(ours / true).max() < 2.5
    assert noise_powers(()) == (0.0, 0.0, 0.0)


def test_edges_become_steeper_and_stay_within_their_range(device: CpuDevice) -> None:
    for low, high in ((0.1, 0.9), (0.3, 0.5), (0.02, 0.2)):
        edge = soft_edge(low, high)
        for overshoot in (0.0, 0.05):
            result = made(device, edge, amount=2.0, overshoot=overshoot)
            roots, before = np.sqrt(result), np.sqrt(edge)
            assert np.diff(roots[12]).max() > 1.15 * np.diff(before[12]).max()
            room = overshoot * (high - low) * 0.6 + 1e-5  # of the range of three pixels, which is less than the edge's
            assert roots.max() <= high + room
            assert roots.min() >= low - room


def test_even_places_keep_their_bits(device: CpuDevice) -> None:
    flat = np.full((20, 30), 0.3, np.float32)
    assert (made(device, flat) == flat).all()
    assert not made(device, np.zeros((9, 9))).any()


@pytest.mark.parametrize("level", [0.005, 0.02, 0.1, 0.4])
def test_noise_is_not_sharpened(device: CpuDevice, level: float) -> None:
    deviation = np.sqrt(merged_variance(level, FRAMES))
    noisy = level + deviation * np.random.default_rng(5).standard_normal((200, 200))
    result = made(device, noisy, FRAMES, amount=1.5)
    assert (result == np.float32(noisy)).mean() > 0.98
    assert result.std() < 1.02 * noisy.std()
    assert made(device, noisy, FRAMES, amount=1.5, noise=0).std() > 1.2 * noisy.std()


def test_detail_above_the_noise_is_sharpened(device: CpuDevice) -> None:
    x = np.arange(120)
    root = 0.5 + 0.1 * np.sin(x * 2 * np.pi / 3.7)[None] * np.ones((40, 1))
    result = made(device, root**2, FRAMES, overshoot=0.5)
    assert np.sqrt(result).std() > 1.2 * root.std()


def test_hue_stays_and_nothing_exceeds_white(device: CpuDevice) -> None:
    colour = np.array([0.95, 0.4, 0.1])
    picture = soft_edge(0.3, 1.0)[..., None] * colour
    result = made(device, picture, amount=3.0, overshoot=0.5)
    assert np.abs(result / result[..., :1] - colour / colour[0]).max() < 1e-5
    assert result.max() <= 1.0 + 1e-6
    assert (result @ np.array(luminance_row())).max() > 0.3


def test_windows_give_the_bits_of_the_whole(device: CpuDevice) -> None:
    array = np.random.default_rng(3).random((3, 40, 60)).astype(np.float32)
    shape = Shape(40, 60)
    stage = Sharpen(amount=1.0)
    whole = stage.run(device, Tile(array, shape.whole, shape), shape.whole, {"frames": FRAMES}).array
    for window in (Window(0, 0, 1, 1), Window(39, 59, 1, 1), Window(11, 7, 9, 31)):
        needed = stage.input_window(window, shape, {})
        tile = Tile(array[:, needed.rows, needed.cols].copy(), needed, shape)
        part = stage.run(device, tile, window, {"frames": FRAMES}).array
        assert (part.view(np.uint32) == np.ascontiguousarray(whole[:, window.rows, window.cols]).view(np.uint32)).all()


def test_neutral_and_refused_values() -> None:
    assert Sharpen().is_neutral()
    for radius in ("5px", "0.1px", "1%"):
        with pytest.raises(ValidationError, match=r"within 0\.3px and 1\.3px"):
            Sharpen.model_validate({"radius": radius})
