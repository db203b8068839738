"""Code values to linear light and on to working colour, against the standards' formulas and a colour library."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest

from tilepipe.colour.decode import PEAKS, FrameDecoder
from tilepipe.colour.spaces import REC2020 as WORKING
from tilepipe.colour.spaces import rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR
from tilepipe.errors import InputError
from tilepipe.formats.frame import CameraInfo, Encoding, FrameInfo
from tilepipe.formats.primaries import P3, REC709, REC2020, to_xyz_d50
from tilepipe.geometry import Shape, Window

# XYZ → camera under D65: invented, of the usual kind.
CAMERA = ((0.6722, -0.0635, -0.0963), (-0.4287, 1.2460, 0.2028), (-0.0908, 0.2162, 0.5668))


def info_of(
    dtype: str, channels: int = 3, coverage: bool = False, encoding: Encoding | None = None, kind: str = "colour",
    camera: CameraInfo | None = None,
) -> FrameInfo:
    full = {"uint8": 255.0, "uint16": 65535.0, "float32": 1.0}[dtype]
    return FrameInfo(
        "frame", Shape(1, 1), kind, dtype, channels, coverage,  # type: ignore[arg-type]
        encoding or Encoding("srgb", "sRGB", "", to_xyz_d50(REC709)), None, 1, camera, True, None, 0, {},
        coverage_full=full,
    )


def decoded(decoder: FrameDecoder, codes: Any, wanted: Window | None = None, device: CpuDevice | None = None) -> Any:
    shape = Shape(*codes.shape[1:])
    return decoder.run(device or CpuDevice(), codes, shape.whole, shape, wanted or shape.whole)


def every_code(dtype: str, channels: int = 3) -> Any:
    codes = np.arange(np.iinfo(dtype).max + 1).astype(dtype)
    return np.repeat(codes.reshape(1, 16, -1), channels, axis=0)


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


# ---------------------------------------------------------------- curves
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_every_integer_code_of_srgb(dtype: str) -> None:
    """IEC 61966-2-1 by colour-science in float64; ours is within one unit in the last place of float32."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour import cctf_decoding

        codes = every_code(dtype)
        expected = cctf_decoding(codes[0].astype(np.float64) / np.iinfo(dtype).max, "sRGB").astype(np.float32)
    found = decoded(FrameDecoder.of(info_of(dtype)), codes).array
    assert found.shape == (3, *codes.shape[1:])
    assert np.abs(bits(found[1]).astype(np.int64) - bits(expected).astype(np.int64)).max() <= 1


def test_srgb_check_value_in_all_types() -> None:
    """dec(.5) = .21404114048 (IEC 61966-2-1, computed)."""
    encoding = Encoding("srgb", "sRGB", "")
    half = decoded(FrameDecoder.of(info_of("float32", encoding=encoding)), np.full((3, 1, 1), 0.5, np.float32)).array
    assert half[0, 0, 0] == pytest.approx(0.21404114048, rel=2e-7)


def test_float_srgb_goes_on_beyond_one_and_is_odd_below_zero() -> None:
    values = np.array([-2.0, -0.5, -0.01, 0.0, 0.04045, 1.0, 2.0], np.float32)
    found = decoded(FrameDecoder.of(info_of("float32")), np.broadcast_to(values, (3, 1, 7)).copy()).array[0, 0]
    expected = [v / 12.92 if abs(v) <= 0.04045 else math.copysign(((abs(v) + 0.055) / 1.055) ** 2.4, v) for v in values]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_a_gamma(dtype: str) -> None:
    codes = np.linspace(0, 255, 50).astype(dtype) if dtype != "float32" else np.linspace(0, 1, 50, dtype=dtype)
    full = np.iinfo(dtype).max if dtype != "float32" else 1.0
    encoding = Encoding("gamma", "", "", None, 2.2)
    found = decoded(FrameDecoder.of(info_of(dtype, encoding=encoding)), np.tile(codes, (3, 1, 1))).array
    np.testing.assert_allclose(found[2, 0], (codes.astype(np.float64) / full) ** 2.2, rtol=1e-6)


def test_linear_integers_are_divided_by_their_highest_code() -> None:
    codes = every_code("uint16")
    found = decoded(FrameDecoder.of(info_of("uint16", encoding=Encoding("linear", "", ""))), codes).array
    np.testing.assert_array_equal(found[0], (codes[0].astype(np.float64) / 65535.0).astype(np.float32))


def test_linear_floats_are_kept() -> None:
    codes = np.random.default_rng(1).normal(0, 10, (3, 9, 11)).astype(np.float32)
    found = decoded(FrameDecoder.of(info_of("float32", encoding=Encoding("linear", "", ""))), codes).array
    np.testing.assert_array_equal(bits(found), bits(codes))


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_curves_of_a_profile_differ_by_channel(dtype: str) -> None:
    nodes = np.linspace(0.0, 1.0, 4096)
    curve = tuple(tuple(float(value) for value in nodes**power) for power in (1.5, 2.0, 2.5))
    positions = np.linspace(0.0, 1.0, 256)
    full = 1.0 if dtype == "float32" else float(np.iinfo(dtype).max)
    codes = np.tile((positions * full).astype(dtype), (3, 1, 1))
    found = decoded(FrameDecoder.of(info_of(dtype, encoding=Encoding("curve", "", "", None, 1.0, curve))), codes).array
    for channel in range(3):
        expected = np.interp(codes[channel, 0].astype(np.float64) / full, nodes, curve[channel])
        np.testing.assert_allclose(found[channel, 0], expected, rtol=1e-5, atol=1e-7)


def test_an_estimated_response_replaces_the_curve_and_keeps_the_primaries() -> None:
    response = (tuple(float(index * index) / 255**2 for index in range(256)),)
    decoder = FrameDecoder.of(info_of("uint8"), response=response)
    found = decoded(decoder, every_code("uint8")).array
    np.testing.assert_array_equal(found[1].ravel(), np.asarray(response[0], np.float32))
    assert decoder.to_working() == FrameDecoder.of(info_of("uint8")).to_working()
    assert decoder.facts() != FrameDecoder.of(info_of("uint8")).facts()


def test_grey_becomes_three_equal_channels() -> None:
    info = info_of("uint8", 1, encoding=Encoding("srgb", "grey", ""), kind="grey")
    decoder = FrameDecoder.of(info)
    found = decoded(decoder, every_code("uint8", 1)).array
    np.testing.assert_array_equal(found[0], found[2])
    assert decoder.to_working() == (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


def test_demosaiced_raw_loses_its_pedestal_by_channel() -> None:
    camera = CameraInfo((100.0, 200.0, 300.0), 10300, "", CAMERA, None, "", "", "")
    info = info_of("uint16", camera=camera, encoding=Encoding("linear", "camera", ""))
    codes = np.array([5100, 200, 10300], np.uint16).reshape(3, 1, 1)
    np.testing.assert_array_equal(decoded(FrameDecoder.of(info), codes).array.ravel(), np.float32([0.5, 0.0, 1.0]))


# ---------------------------------------------------------------- coverage and peaks
@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_coverage_comes_from_alpha_and_uncovered_pixels_are_zero(dtype: str) -> None:
    full = 1.0 if dtype == "float32" else np.iinfo(dtype).max
    codes = np.full((4, 1, 3), full, dtype)
    codes[3, 0] = [0, full / 5 if dtype == "float32" else full // 5, full]
    if dtype == "float32":
        codes[1, 0, 0] = np.nan  # what an unpainted pixel of a panorama may hold
        codes[3, 0, 2] = 1.5
    decoder = FrameDecoder.of(info_of(dtype, coverage=True))
    tile = decoded(decoder, codes)
    assert decoder.planes == tile.planes == (*COLOUR, "coverage")
    np.testing.assert_allclose(tile.array[3, 0], [0.0, 0.2, 1.0], rtol=1e-6)
    np.testing.assert_array_equal(tile.array[:3, 0], [[0.0, 1.0, 1.0]] * 3)


def test_peaks_of_a_colour_frame_are_its_values() -> None:
    decoder = FrameDecoder.of(info_of("uint8", coverage=True), with_peaks=True)
    tile = decoded(decoder, every_code("uint8", 4))
    assert tile.planes == (*COLOUR, *PEAKS, "coverage")
    np.testing.assert_array_equal(tile.array[3:6], tile.array[:3])


def test_only_linear_files_of_no_camera_have_colours_apart() -> None:
    camera = CameraInfo((0.0,) * 4, 16383, "RGGB", CAMERA, None, "", "", "")
    linear = Encoding("linear", "", "")
    assert FrameDecoder.of(info_of("float32", encoding=linear)).colours_apart
    assert not FrameDecoder.of(info_of("uint8")).colours_apart
    assert not FrameDecoder.of(info_of("uint16", encoding=linear, camera=camera)).colours_apart
    assert not FrameDecoder.of(info_of("uint16", 1, kind="mosaic", encoding=linear, camera=camera)).colours_apart


# ---------------------------------------------------------------- working colour
def nine(matrix: tuple[float, ...]) -> Any:
    return np.asarray(matrix).reshape(3, 3)


@pytest.mark.parametrize(("name", "primaries"), [("sRGB", REC709), ("Display P3", P3)])
def test_named_spaces_against_a_colour_library(name: str, primaries: Any) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        source, target = colour.RGB_COLOURSPACES[name].copy(), colour.RGB_COLOURSPACES["ITU-R BT.2020"].copy()
        for space in (source, target):
            space.use_derived_transformation_matrices(True)
        expected = colour.matrix_RGB_to_RGB(source, target)
    decoder = FrameDecoder.of(info_of("uint8", encoding=Encoding("srgb", name, "", to_xyz_d50(primaries))))
    np.testing.assert_allclose(nine(decoder.to_working()), expected, atol=1e-9)


def test_the_working_space_itself_is_untouched() -> None:
    decoder = FrameDecoder.of(info_of("float32", encoding=Encoding("linear", "Rec.2020", "", to_xyz_d50(REC2020))))
    assert decoder.to_working() == (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


def camera_decoder(neutral: Any, matrix: Any = CAMERA) -> FrameDecoder:
    camera = CameraInfo((0.0,) * 4, 16383, "RGGB", matrix, neutral, "", "", "")
    encoding = Encoding("linear", "camera", "")
    return FrameDecoder.of(info_of("uint16", 1, kind="mosaic", camera=camera, encoding=encoding))


def test_camera_colours_under_d65_come_out_as_they_are() -> None:
    """Balanced for D65, a surface's XYZ seen through the camera's matrix arrives as that XYZ in Rec.2020."""
    decoder = camera_decoder(None)
    matrix = np.asarray(CAMERA)
    green_at_white = matrix[1] @ rgb_to_xyz(WORKING) @ np.ones(3)
    for rgb in ([1.0, 1.0, 1.0], [0.4, 0.3, 0.2], [0.1, 0.2, 0.9]):
        seen = matrix @ np.asarray(rgb_to_xyz(WORKING)) @ rgb / green_at_white
        np.testing.assert_allclose(nine(decoder.to_working()) @ seen, rgb, atol=1e-12)


def test_the_neutral_of_white_balance_becomes_grey() -> None:
    multipliers = (2.1, 1.0, 1.4)
    for decoder, given in ((camera_decoder(multipliers), None), (camera_decoder((1.0, 1.0, 1.0)), multipliers)):
        grey = nine(decoder.to_working(given)) @ (0.5 / np.asarray(multipliers))
        np.testing.assert_allclose(grey, 0.5, atol=1e-12)


def test_the_light_as_shot_from_the_neutral() -> None:
    white = np.array([0.3457 / 0.3585, 1.0, (1 - 0.3457 - 0.3585) / 0.3585])  # D50, CIE 15
    seen = np.asarray(CAMERA) @ white
    decoder = camera_decoder(tuple(seen[1] / seen))
    assert decoder.white_xy() == pytest.approx((0.3457, 0.3585), abs=1e-12)
    assert FrameDecoder.of(info_of("uint8")).white_xy() == (0.3127, 0.3290)


def test_a_camera_without_a_matrix_is_refused() -> None:
    with pytest.raises(InputError, match="no colour matrix"):
        camera_decoder((2.0, 1.0, 1.5), None).to_working()


# ---------------------------------------------------------------- same bits
@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
@pytest.mark.parametrize("transfer", ["srgb", "gamma", "curve"])
def test_same_bits_on_every_variant_and_window(dtype: str, transfer: str) -> None:
    rng = np.random.default_rng(3)
    codes: Any = rng.uniform(-0.2, 1.3, (4, 200, 301)).astype(np.float32)
    if dtype != "float32":
        codes = rng.integers(0, np.iinfo(dtype).max, (4, 200, 301), dtype=dtype, endpoint=True)
    curve = (tuple(index * index / 4095**2 for index in range(4096)),)
    encoding = Encoding(transfer, "", "", None, 1.8, curve if transfer == "curve" else ())  # type: ignore[arg-type]
    decoder = FrameDecoder.of(info_of(dtype, coverage=True, encoding=encoding))
    whole = decoded(decoder, codes, device=CpuDevice(built_variants()[-1])).array
    for variant in built_variants():
        device = CpuDevice(variant)
        np.testing.assert_array_equal(bits(decoded(decoder, codes, device=device).array), bits(whole), err_msg=variant)
        for wanted in (Window(0, 0, 13, 17), Window(101, 77, 64, 129), Window(199, 300, 1, 1)):
            poisoned = np.full_like(codes, np.nan if dtype == "float32" else np.iinfo(dtype).max)
            poisoned[:, wanted.rows, wanted.cols] = codes[:, wanted.rows, wanted.cols]
            part = decoded(decoder, poisoned, wanted, device).array
            np.testing.assert_array_equal(bits(part), bits(whole[:, wanted.rows, wanted.cols]), err_msg=variant)
