"""Saturation and monochrome: lightness, hue and greys kept, nothing driven out of the gamut, light by hue."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from finishing import made
from pydantic import ValidationError

from tilepipe.colour.spaces import DISPLAY_P3, REC2020, SRGB, between, luminance_row, rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.stages.monochrome import Monochrome
from tilepipe.stages.saturation import Saturation
from tilepipe.stages.tone_channels import ToneChannels

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

BLUE = {"at": "250deg", "reach": "70deg", "stops": "-1EV"}


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def lch(pixels: Any) -> Any:
    """OKLab's lightness, chroma and hue in degrees, by colour-science."""
    lab = colour.XYZ_to_Oklab(np.asarray(pixels, np.float64) @ np.array(rgb_to_xyz(REC2020)).T)
    return lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


def inside(space: Any, count: int = 4000) -> Any:
    """Colours of a space's gamut from 2^-8 to 1, as linear Rec.2020 `(1, count, 3)`."""
    random = np.random.default_rng(4)
    colours = random.random((count, 3)) ** 2 * np.exp2(random.uniform(-8, 0, (count, 1)))
    return (colours @ np.array(between(space, REC2020)).T)[None]


@pytest.mark.parametrize("chroma", [0.0, 0.6, 1.3, 1.8])
def test_only_chroma_moves(device: CpuDevice, chroma: float) -> None:
    colours = inside(SRGB)
    before, after = lch(colours), lch(made(device, Saturation(chroma=chroma), colours))
    assert np.abs(after[0] - before[0]).max() < (1e-3 if chroma < 1.5 else 1e-2)  # lightness; at the rim what comes back
    seen = (before[1] > 0.02 * before[0]) & (after[1] > 0.02 * after[0])
    turned = np.abs((after[2] - before[2] + 180) % 360 - 180)[seen]
    assert turned.max(initial=0) < (0.5 if chroma < 1.5 else 3.0)
    assert not turned.size or np.quantile(turned, 0.95) < 0.1
    ratio = after[1] / before[1]
    if chroma <= 1:
        assert np.abs(ratio - chroma)[seen].max(initial=0) < 0.01
        assert chroma or after[1].max() < 1e-3
    else:
        assert ratio.min() > 0.99
        assert ratio[before[1] > 0.1 * before[0]].max() < chroma  # weaker ones: colour-science's greys are 1e-4 off neutral
        assert np.abs(ratio - 1)[before[1] < 0.1].max() > 0.2 * (chroma - 1)


@pytest.mark.parametrize(("name", "space"), [("srgb", SRGB), ("display-p3", DISPLAY_P3), ("rec2020", REC2020)])
def test_more_chroma_stays_within_the_gamut(device: CpuDevice, name: str, space: Any) -> None:
    colours = inside(space)
    result = made(device, Saturation.model_validate({"chroma": 1.5, "gamut": name}), colours)
    there = result @ np.array(between(REC2020, space)).T
    assert there.min() > -1e-6
    assert lch(result)[1].mean() > 1.1 * lch(colours)[1].mean()
    outside = np.array([[[0.9, -0.05, 0.02], [-0.1, 0.5, 0.4]]]) @ np.array(between(space, REC2020)).T
    kept = made(device, Saturation.model_validate({"chroma": 1.5, "gamut": name}), outside)
    assert np.abs(kept - outside).max() < 1e-6  # what lies beyond is left alone


def test_chroma_keeps_its_order(device: CpuDevice) -> None:
    """Along lines from grey to the gamut's rim no colour overtakes a stronger one."""
    rim = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1], [1, 0.5, 0], [0.1, 0.4, 1]], float)
    grey = rim @ np.array(rgb_to_xyz(DISPLAY_P3))[1]
    ways = np.linspace(0, 1, 401)[None, :, None]
    line = (grey[:, None, None] * (1 - ways) + rim[:, None] * ways) * 0.4 @ np.array(between(DISPLAY_P3, REC2020)).T
    for chroma in (0.5, 1.5, 1.8):
        assert np.diff(lch(made(device, Saturation(chroma=chroma), line))[1], axis=1).min() > -2e-4


def test_greys_keep_their_bits_nearly(device: CpuDevice) -> None:
    ramp = np.exp2(np.linspace(-20, 4, 500))[None, :, None].repeat(3, 2).astype(np.float32)
    for chroma in (0.0, 0.5, 1.8):
        assert np.abs(made(device, Saturation(chroma=chroma), ramp) / ramp - 1).max() < 3e-6


def test_monochrome_is_luminance(device: CpuDevice) -> None:
    colours = inside(REC2020)
    result = made(device, Monochrome(), colours)
    assert (result[..., 0] == result[..., 1]).all()
    assert (result[..., 0] == result[..., 2]).all()
    assert np.abs(result[..., 0] / (colours @ np.array(luminance_row())) - 1).max() < 1e-6


def test_monochrome_takes_light_by_hue_as_tone_channels_does(device: CpuDevice) -> None:
    picture = np.full((48, 96, 3), 0.2)
    picture[:, 48:] = np.array([0.1, 0.2, 0.6]) @ np.array(between(SRGB, REC2020)).T
    mixed = made(device, Monochrome.model_validate({"mix": [BLUE]}), picture)[..., 0]
    coloured = made(device, ToneChannels.model_validate({"channels": [BLUE]}), picture)
    assert np.abs(mixed / (coloured @ np.array(luminance_row())) - 1).max() < 1e-6
    assert np.log2(mixed[24, 80] / (picture[24, 80] @ luminance_row())) < -0.8
    assert mixed[24, 8] == pytest.approx(0.2, rel=1e-6)


def test_neutral_and_refused_values() -> None:
    assert Saturation().is_neutral()
    assert not Monochrome().is_neutral()
    with pytest.raises(ValidationError, match="less than or equal to"):
        Saturation(chroma=3)
    with pytest.raises(ValidationError, match="needs a unit"):
        Monochrome.model_validate({"mix": [BLUE | {"stops": 1}]})
