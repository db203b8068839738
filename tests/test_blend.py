"""The blend step: its parameters, and fusion's way through display-encoded frames and back."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.blend import Blend
from tilepipe.stages.stage import all_stages

MATRIX = (0.8, 0.15, 0.05, 0.1, 0.85, 0.05, 0.02, 0.08, 0.9)


def tile_of(pixels: Any, planes: tuple[str, ...] = COLOUR) -> Tile:
    array = np.ascontiguousarray(pixels, np.float32)
    shape = Shape(*array.shape[1:])
    return Tile(array, shape.whole, shape, planes)


def frames(height: int, width: int, coverage: bool = False) -> tuple[list[Tile], dict[str, Any]]:
    rng = np.random.default_rng(6)
    light = np.exp2(rng.uniform(-8, 2, (3, height, width)))
    scales = (0.25, 1.0, 4.0)
    tiles = []
    for scale in scales:
        pixels = np.minimum(light * scale, 1.0)
        if coverage:
            pixels = np.concatenate([pixels, np.ones((1, height, width))])
        tiles.append(tile_of(pixels, (*COLOUR, "coverage") if coverage else COLOUR))
    facts = {
        "base": 1,
        "frames": [
            {"light": scale, "shot": 3e-4, "read": 4e-6, "clip": 1.0, "to_working": MATRIX} for scale in scales
        ],
    }
    return tiles, facts


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


def fused(blend: Blend, device: CpuDevice, tiles: list[Tile], facts: dict[str, Any], level: int) -> Tile:
    shape = tiles[0].picture
    coarse = blend.down(device, tiles, shape.halved(level).whole, level, facts)
    solved = blend.solve(device, coarse, level, shape, facts)
    return blend.up(device, tiles, solved, shape.whole, level, facts)


def test_the_step_is_registered_and_knows_when_it_is_deep() -> None:
    assert all_stages()["blend"] is Blend
    assert not Blend().is_deep
    assert Blend(method="fusion").is_deep
    assert Blend().kind == "blend"


def test_a_ramp_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValidationError, match="must lie below"):
        Blend(full_below=0.99, none_above=0.98)


def test_radiance_takes_its_parameters() -> None:
    tiles, facts = frames(20, 30)
    device = CpuDevice()
    plain = Blend().run(device, *tiles, wanted=tiles[0].window, facts=facts).array
    early = Blend(full_below=0.3, none_above=0.5).run(device, *tiles, wanted=tiles[0].window, facts=facts).array
    assert not np.array_equal(plain, early)
    np.testing.assert_allclose(plain, early, rtol=1e-5)  # frames without noise agree, however they are weighted


def test_frames_are_shown_by_the_standards_curve() -> None:
    """IEC 61966-2-1 by colour-science, after the matrix and clipped to 0..1."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour import cctf_encoding

        tiles, facts = frames(20, 30, coverage=True)
        working = np.einsum("ij,jyx->iyx", np.reshape(MATRIX, (3, 3)), tiles[2].array[:3].astype(np.float64))
        expected = cctf_encoding(np.clip(working, 0.0, 1.0), "sRGB")
    shown = Blend(method="fusion").shown(CpuDevice(), tiles, facts)[2]
    assert shown.planes == (*COLOUR, "coverage")
    np.testing.assert_allclose(shown.array[:3], expected, atol=3e-7)
    np.testing.assert_array_equal(shown.array[3], 1.0)


def test_clipped_highlights_of_a_camera_are_white_in_both_methods() -> None:
    """Balanced by 1.8, 1, 1.3, a clipped pixel would be pink; what is not near clipping keeps its colour."""
    balance = np.array([1.8, 1.0, 1.3])
    to_working = tuple((np.reshape(MATRIX, (3, 3)) * balance).ravel())
    frame = {"light": 1.0, "shot": 3e-4, "read": 4e-6, "clip": 1.0, "to_working": to_working}
    dark = {**frame, "light": 0.25}
    facts, device = {"base": 1, "frames": [dark, frame]}, CpuDevice()
    values = np.array([[1.0, 1.0, 1.0], [0.5, 0.9, 0.7], [0.99, 0.6, 0.8]]).T.reshape(3, 1, 3)
    tiles = [tile_of(values), tile_of(np.minimum(values * 4, 1.0))]
    result = Blend().run(device, *tiles, wanted=tiles[0].window, facts=facts).array[:, 0]
    np.testing.assert_allclose(result[:, 0], 4 * 1.8, rtol=1e-6)
    expected = np.reshape(MATRIX, (3, 3)) @ (balance * values[:, 0, 1] * 4)
    np.testing.assert_allclose(result[:, 1], expected, rtol=1e-6)
    expected = np.reshape(MATRIX, (3, 3)) @ (balance * values[:, 0, 2] * 4)  # only red clips, and it is the brightest
    np.testing.assert_allclose(result[:, 2], expected, rtol=1e-6)
    shown = Blend(method="fusion").shown(device, tiles, facts)
    np.testing.assert_allclose(shown[0].array[:, 0, 0], 1.0, atol=1e-6)
    np.testing.assert_allclose(shown[1].array[:, 0, 0], 1.0, atol=1e-6)


def test_values_above_one_of_other_files_keep_their_colour() -> None:
    facts = {"base": 0, "frames": [{"light": 1.0, "shot": 3e-4, "read": 4e-6, "clip": 1.0, "to_working": MATRIX}]}
    values = np.array([7.0, 3.0, 1.5]).reshape(3, 1, 1)
    result = Blend().run(CpuDevice(), tile_of(values), wanted=Window(0, 0, 1, 1), facts=facts).array
    np.testing.assert_allclose(result[:, 0, 0], np.reshape(MATRIX, (3, 3)) @ values[:, 0, 0], rtol=1e-6)


def test_the_way_back_inverts_it_and_goes_on_outside() -> None:
    values = np.linspace(-0.25, 1.25, 301, dtype=np.float32).reshape(1, 1, -1).repeat(3, axis=0)
    back = Blend(method="fusion").scene_linear(CpuDevice(), tile_of(values)).array[0, 0].astype(np.float64)
    assert (np.diff(back) > 0).all()
    np.testing.assert_allclose(back[:50], -np.interp(-values[0, 0, :50], values[0, 0], back), atol=1e-6)
    assert back[-1] == pytest.approx(((1.25 + 0.055) / 1.055) ** 2.4, rel=1e-6)


def test_fusion_of_equal_frames_gives_the_frame_back() -> None:
    """Three times the same frame: fusion's weights cannot matter, and the curve's way there and back is exact."""
    tiles, facts = frames(24, 36)
    for frame in facts["frames"]:
        frame["to_working"] = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    result = fused(Blend(method="fusion"), CpuDevice(), [tiles[1]] * 3, facts, 2)
    np.testing.assert_allclose(result.array, tiles[1].array, rtol=2e-5, atol=1e-6)


@pytest.mark.parametrize("coverage", [False, True])
def test_same_bits_on_every_variant_and_window(coverage: bool) -> None:
    tiles, facts = frames(70, 90, coverage)
    blend, shape, level = Blend(method="fusion"), tiles[0].picture, 3
    whole = fused(blend, CpuDevice(built_variants()[-1]), tiles, facts, level)
    for variant in built_variants():
        device = CpuDevice(variant)
        np.testing.assert_array_equal(bits(fused(blend, device, tiles, facts, level).array), bits(whole.array))
        coarse = blend.down(device, tiles, shape.halved(level).whole, level, facts)
        solved = blend.solve(device, coarse, level, shape, facts)
        for wanted in (Window(0, 0, 20, 30), Window(41, 33, 29, 50)):
            needed = blend.up_window(wanted, level, shape)
            part = solved.cut(blend.coarse_window(wanted, level, shape))
            given = [tile.cut(needed) for tile in tiles]
            made = blend.up(device, given, part, wanted, level, facts)
            np.testing.assert_array_equal(bits(made.array), bits(whole.array[:, wanted.rows, wanted.cols]))
