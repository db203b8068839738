"""Tone channels: hue and chroma ÷ lightness kept by stops, greys untouched, no grain from noise, no rims, no rings."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.colour.spaces import REC2020, SRGB, between, rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.tone_channels import ToneChannels

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

BLUE = {"at": "250deg", "reach": "70deg", "stops": "-1.5EV"}
WARM = [{"at": "30deg", "reach": "50deg", "stops": "-0.8EV"}, {"at": "100deg", "reach": "60deg", "stops": "0.6EV"}]
PATCH_PX = 56
# Ottosson 2020, "A perceptual color space for image processing", linear sRGB → cone responses.
CONES_OF_SRGB = (
    (0.4122214708, 0.5363325363, 0.0514459929), (0.2119034982, 0.6806995451, 0.1073969566),
    (0.0883024619, 0.2817188376, 0.6299787005),
)


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def made(device: CpuDevice, pixels: Any, *channels: dict[str, Any]) -> Any:
    """The stage on linear Rec.2020 pixels `(y, x, 3)`, as float64."""
    planar = np.ascontiguousarray(np.asarray(pixels, np.float32).transpose(2, 0, 1))
    shape = Shape(*planar.shape[1:])
    stage = ToneChannels.model_validate({"channels": list(channels)})
    result = stage.run(device, Tile(planar, shape.whole, shape), shape.whole, {}).array
    return result.transpose(1, 2, 0).astype(np.float64)


def oklab(pixels: Any) -> Any:
    """OKLab of linear Rec.2020, by colour-science."""
    return colour.XYZ_to_Oklab(np.asarray(pixels, np.float64) @ np.array(rgb_to_xyz(REC2020)).T)


def lightness(pixels: Any) -> Any:
    """CIE L* by colour-science, of luminance within 0..1."""
    return colour.colorimetry.lightness_CIE1976(np.asarray(pixels) @ np.array(rgb_to_xyz(REC2020))[1] * 100)


def hue(lab: Any) -> Any:
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


def apart(first: Any, second: Any) -> Any:
    return np.abs((first - second + 180) % 360 - 180)


def working(srgb: Any) -> Any:
    """Linear sRGB → linear Rec.2020."""
    return np.asarray(srgb, np.float64) @ np.array(between(SRGB, REC2020)).T


def colorchecker() -> Any:
    """The 24 patches of colour-science's ColorChecker 2005 as linear Rec.2020, adapted to D65 by CAT16."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker 2005"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    matrix = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(chart.illuminant), colour.xy_to_XYZ((0.3127, 0.3290)), "CAT16"
    )
    return xyz @ matrix.T @ np.linalg.inv(np.array(rgb_to_xyz(REC2020))).T


def chart_of(patches: Any) -> Any:
    rows = np.asarray(patches).reshape(4, 6, 3)
    return rows.repeat(PATCH_PX, 0).repeat(PATCH_PX, 1)


def middles(picture: Any) -> Any:
    return picture[PATCH_PX // 2 :: PATCH_PX, PATCH_PX // 2 :: PATCH_PX].reshape(-1, 3)


def weight(lab: Any, at: float, reach: float) -> Any:
    """What the docstrings say a channel does to a colour, from 0 to 1."""
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    coloured = np.clip((chroma / lab[..., 0] - 0.01) / 0.06, 0, 1)
    near = np.cos(np.radians(apart(hue(lab), at)))
    window = np.clip(1 - (1 - near) / (1 - np.cos(np.radians(reach))), 0, 1) ** 2
    return window * coloured**2 * (3 - 2 * coloured)


def test_the_frozen_cone_matrix_is_ottossons() -> None:
    """Response of each primary, read off the kernel's text, against the published matrix for Rec.2020."""
    from tilepipe.device import native

    text = native.header_texts()["oklab.h"]
    expected = np.array(CONES_OF_SRGB) @ np.array(between(REC2020, SRGB))
    expected /= expected.sum(1, keepdims=True)
    back = np.linalg.inv(expected)
    for number in (*expected.ravel(), *np.abs(back).ravel()):
        assert f"{number:.8f}f" in text, number
    assert np.abs(back @ expected - np.eye(3)).max() < 1e-12


def test_stops_keep_hue_and_chroma_over_lightness(device: CpuDevice) -> None:
    for channel in (BLUE, *WARM, {"at": "140deg", "reach": "90deg", "stops": "2EV"}):
        chart = chart_of(colorchecker())
        before, after = oklab(chart), oklab(made(device, chart, channel))
        coloured = np.hypot(before[..., 1], before[..., 2]) > 0.01
        assert apart(hue(before), hue(after))[coloured].max() < 0.01
        ratio = np.hypot(after[..., 1], after[..., 2]) / after[..., 0]
        assert np.abs(ratio / (np.hypot(before[..., 1], before[..., 2]) / before[..., 0]) - 1)[coloured].max() < 1e-4


def test_patches_move_only_as_their_hue_says(device: CpuDevice) -> None:
    patches = colorchecker()
    for at, reach, stops in ((250.0, 70.0, -1.5), (30.0, 50.0, 1.0), (140.0, 40.0, -0.5)):
        result = made(device, chart_of(patches), {"at": f"{at}deg", "reach": f"{reach}deg", "stops": f"{stops}EV"})
        moved = np.log2(middles(result) / patches)
        expected = stops * weight(oklab(patches), at, reach)
        assert np.abs(moved - expected[:, None]).max() < 0.02  # colour-science's older matrix: greys 1e-4 off neutral
        assert (np.abs(expected) > 0.2).any()
    greys = patches[18:]
    assert np.abs(middles(result)[18:] / greys - 1).max() < 1e-6


def test_chroma_and_turn_do_what_they_say(device: CpuDevice) -> None:
    patches = colorchecker()
    before = oklab(patches)
    share = weight(before, 40.0, 60.0)
    strong = share > 0.9
    result = middles(made(device, chart_of(patches), {"at": "40deg", "reach": "60deg", "chroma": 0.5, "turn": "20deg"}))
    after = oklab(result)
    assert strong.sum() >= 2
    chroma = np.hypot(after[:, 1], after[:, 2]) / np.hypot(before[:, 1], before[:, 2])
    assert np.abs(chroma - (1 - 0.5 * share))[strong].max() < 0.02
    assert np.abs(hue(after) - hue(before) - 20 * share)[strong].max() < 0.6
    assert np.abs(after[:, 0] - before[:, 0]).max() < 1e-3
    assert np.abs(result / patches - 1)[share == 0].max() < 1e-6


def test_a_grey_ramp_keeps_every_bit(device: CpuDevice) -> None:
    ramp = np.exp2(np.linspace(-16, 4, 400)).astype(np.float32)
    grey = np.broadcast_to(ramp[None, :, None], (40, 400, 3))
    for channels in ([BLUE], WARM, [{"at": "250deg", "reach": "180deg", "stops": "3EV", "chroma": 2.0, "turn": "40deg"}]):
        assert (made(device, grey, *channels) == grey).all()


def noisy_shadow(level: float, tint: Any, seed: int) -> Any:
    """A blue shadow as a merge of ISO 100 frames leaves it: variance 3.24e-4·x + 4.3e-6 (METHODS' typical camera), invented."""
    truth = np.broadcast_to(level * np.asarray(tint, np.float64), (160, 200, 3))
    noise = np.random.default_rng(seed).standard_normal(truth.shape)
    return truth + noise * np.sqrt(3.24e-4 * truth + 4.3e-6)


@pytest.mark.parametrize("level", [0.004, 0.01, 0.03, 0.1])
def test_noise_in_colour_does_not_become_grain(device: CpuDevice, level: float) -> None:
    """σ(L*) at 1:1: below 1.1 × the picture's before, and near that of one gain for all where colour exceeds noise."""
    for tint in ((0.85, 0.98, 1.25), (0.95, 1.0, 1.1), (0.5, 0.9, 2.2)):
        noisy = noisy_shadow(level, tint, 3)
        clean = np.broadcast_to(level * np.asarray(tint), (40, 40, 3))
        gain = made(device, clean, BLUE)[20, 20, 0] / clean[20, 20, 0]
        result = made(device, noisy, BLUE)
        ours, before, ideal = (lightness(np.clip(v, 0, 1)).std() for v in (result, noisy, noisy * gain))
        assert ours < 1.1 * before
        assert level < 0.02 or ours < 1.15 * ideal


def twigs() -> tuple[Any, Any]:
    """Dark brown twigs 1, 3 and 5 px wide, one slanting, before a blue sky; and which pixels are pure sky."""
    sky, bark = working((0.25, 0.42, 0.85)), working((0.012, 0.009, 0.007))
    y, x = np.mgrid[:160, :240].astype(np.float64)
    cover = np.zeros_like(x)
    for at, width in ((40, 2), (80, 3), (130, 6)):
        cover = np.maximum(cover, np.abs(x - at) < width / 2)
    cover = np.maximum(cover, np.clip(1.5 - np.abs(x - 190 + 0.4 * (y - 80)), 0, 1))
    return sky + (bark - sky) * cover[..., None], cover


def test_twigs_before_the_sky_get_no_rims(device: CpuDevice) -> None:
    picture, cover = twigs()
    for stops in (-1.5, 1.0):
        result = made(device, picture, BLUE | {"stops": f"{stops}EV"})
        gain = np.log2(result[..., 1] / picture[..., 1])
        far = gain[80, 8]
        assert abs(far - stops * weight(oklab(picture[80, 8]), 250, 70)) < 0.02
        assert np.abs(gain - far)[cover == 0].max() < 0.06  # beside every twig the sky is as far from them
        assert np.abs(gain[cover == 1]).max() < 0.15 * abs(stops)  # and twigs stay, of a single pixel too


def test_strong_hues_of_equal_brightness_get_no_rim(device: CpuDevice) -> None:
    picture = np.empty((48, 96, 3))
    for half, tint in ((slice(0, 48), (0.12, 0.22, 0.55)), (slice(48, 96), (0.5, 0.2, 0.05))):
        light = working(tint) @ np.array(rgb_to_xyz(REC2020))[1]
        picture[:, half] = working(tint) / light * 0.2
    gain = np.log2(made(device, picture, BLUE) / picture)[24, :, 1]
    assert np.abs(gain[:48] - gain[4]).max() < 0.1 * abs(gain[4])
    assert np.abs(gain[48:]).max() < 0.15


def test_a_pale_ridge_before_haze_gets_no_rim(device: CpuDevice) -> None:
    """A greyish ridge 1.2 EV darker than bluish haze: −1.5 EV in blue leaves less than 1 L* of rim beside it."""
    for haze, bound in (((0.62, 0.68, 0.80), 0.5), ((0.5, 0.62, 0.85), 1.0)):
        picture = np.empty((96, 240, 3))
        picture[:, :120], picture[:, 120:] = working((0.25, 0.27, 0.30)), working(haze) * 0.6
        shown = lightness(made(device, picture, BLUE))[48]
        assert shown[239] < lightness(picture)[48, 239] - 4
        assert np.abs(shown[120:] - shown[239]).max() <= bound


def test_a_sun_gets_no_ring(device: CpuDevice) -> None:
    """Along 64 rays lightness falls all the way; chroma rises and falls once."""
    side = 321
    y, x = np.mgrid[:side, :side] - side // 2
    radius = np.hypot(y, x)[..., None]
    glow = np.exp(-radius / 40)
    picture = working((1.0, 0.55, 0.2)) * glow * 4 + working((0.35, 0.4, 0.55)) * 0.25 + 30 * np.clip(14 - radius, 0, 1)
    result = made(device, picture, *WARM, BLUE)
    lab = oklab(result)
    for angle in np.arange(64) * (2 * np.pi / 64):
        steps = np.arange(0, side // 2 - 2)
        rows = np.rint(side // 2 + steps * np.sin(angle)).astype(int)
        cols = np.rint(side // 2 + steps * np.cos(angle)).astype(int)
        ray, distance = lab[rows, cols], radius[rows, cols, 0]
        order = np.argsort(distance, kind="stable")
        light, chroma = ray[order, 0], np.hypot(ray[order, 1], ray[order, 2]) / ray[order, 0]
        assert (np.diff(light) <= 1e-3).all()
        top = int(chroma.argmax())
        assert (np.diff(chroma[: top + 1]) >= -2e-3).all()
        low = top + int(chroma[top:].argmin())  # warm fades to grey, then the blue of the sky comes
        assert (np.diff(chroma[top : low + 1]) <= 2e-3).all()
        assert (np.diff(chroma[low:]) >= -2e-3).all()


def test_windows_give_the_bits_of_the_whole(device: CpuDevice) -> None:
    picture = np.random.default_rng(1).random((61, 83, 3)).astype(np.float32).transpose(2, 0, 1).copy()
    shape = Shape(61, 83)
    stage = ToneChannels.model_validate({"channels": [BLUE, *WARM]})
    whole = stage.run(device, Tile(picture, shape.whole, shape), shape.whole, {}).array
    for window in (Window(0, 0, 1, 1), Window(60, 82, 1, 1), Window(17, 30, 20, 9), Window(3, 0, 6, 83)):
        rows, cols = stage.input_window(window, shape, {}).rows, stage.input_window(window, shape, {}).cols
        tile = Tile(picture[:, rows, cols].copy(), stage.input_window(window, shape, {}), shape)
        part = stage.run(device, tile, window, {}).array
        assert (part.view(np.uint32) == np.ascontiguousarray(whole[:, window.rows, window.cols]).view(np.uint32)).all()


def test_neutral_and_refused_values() -> None:
    assert ToneChannels().is_neutral()
    assert ToneChannels.model_validate({"channels": [{"at": "40deg", "reach": "30deg"}]}).is_neutral()
    for wrong, message in (({"at": "40deg"}, "Field required"), ({"at": 40, "reach": "30deg"}, "needs a unit"),
                           ({"at": "40deg", "reach": "2deg"}, "greater than or equal to 5")):
        with pytest.raises(ValidationError, match=message):
            ToneChannels.model_validate({"channels": [wrong]})
