"""The invented scene: same bits for every window and variant, a truth that holds, stated noise, readable files."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile

from tilepipe.demo import camera
from tilepipe.demo.frames import demo_shape, write_demo_frames
from tilepipe.demo.scene import (
    FrameSetting,
    SceneOptions,
    coverage,
    may_move,
    render_truth,
    scene_frames,
    static_truth,
)
from tilepipe.demo.write_dng import write_dng
from tilepipe.demo.write_tiff import linear_profile
from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.errors import InputError
from tilepipe.geometry import Grid, Shape, Window

SHAPE = Shape(231, 347)
FRAMES = scene_frames(SHAPE.height, SHAPE.width)
BASE = FRAMES[2]
HARD = SceneOptions(
    stars=True, shaken=True, ragged=True, haze=2.0, vignetting=0.3, lateral_colour=0.001, glare=1.0,
    light_drift_stops=-0.05,
)


def bits(pixels: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(pixels).view(f"uint{8 * pixels.dtype.itemsize}")


@pytest.mark.parametrize("tile", [(64, 64), (50, 131), (231, 16)])
@pytest.mark.parametrize("number", [0, 3])
def test_windows_of_any_size_give_the_bits_of_the_whole(tile: tuple[int, int], number: int) -> None:
    setting = scene_frames(SHAPE.height, SHAPE.width, HARD if tile[0] == 64 else None)[number]
    whole = render_truth(SHAPE.whole, SHAPE, setting)
    mosaic = camera.expose_mosaic(whole, SHAPE.whole, SHAPE, setting)
    for window in Grid(SHAPE, *tile):
        part = render_truth(window, SHAPE, setting)
        assert np.array_equal(bits(part), bits(whole[:, window.rows, window.cols]))
        assert np.array_equal(camera.expose_mosaic(part, window, SHAPE, setting), mosaic[window.rows, window.cols])


@pytest.mark.parametrize("variant", native.machine_variants())
def test_every_variant_gives_the_same_bits(variant: str) -> None:
    if variant not in native.built_variants():
        pytest.skip(f"{variant} is not built in this checkout")
    window, setting = Window(100, 60, 100, 200), scene_frames(SHAPE.height, SHAPE.width, HARD)[3]
    device = CpuDevice(variant)
    for compared in native.built_variants():
        other = CpuDevice(compared)
        mine, theirs = render_truth(window, SHAPE, setting, device), render_truth(window, SHAPE, setting, other)
        assert np.array_equal(bits(mine), bits(theirs))
        linear = [camera.expose_linear(mine, window, SHAPE, setting, one) for one in (device, other)]
        assert np.array_equal(bits(linear[0]), bits(linear[1]))


@pytest.mark.parametrize(("options", "number", "light", "codes"), [
    (None, 0, "bb1f85a75f3312272b08042040e94395", "9e400a7a1ac419928decab2d882d07dd"),
    (None, 3, "0bb47d4ce0cbdc08ca87a82aa9c4834a", "3289b84d72174330a2bde49d444c4b94"),
    (HARD, 0, "f149dba261d210c4c47f381856b12f80", "3717eb05ef71a8bc40d7553dad852039"),
    (HARD, 3, "63b81f518d8a15c33e87a9ff8f4dbcad", "dc70ee18f460da159476c3aaa97418f7"),
])
def test_the_picture_is_the_one_that_was_last_looked_at(
    options: SceneOptions | None, number: int, light: str, codes: str,
) -> None:
    """Stored digests: they may change only when the scene is meant to change, and then it is looked at again."""
    setting = scene_frames(SHAPE.height, SHAPE.width, options)[number]
    found = (render_truth(SHAPE.whole, SHAPE, setting), camera.shoot_mosaic(SHAPE.whole, SHAPE, setting))
    assert [hashlib.blake2b(bits(pixels).tobytes(), digest_size=16).hexdigest() for pixels in found] == [light, codes]


def test_the_light_spans_more_than_fourteen_stops() -> None:
    shape = Shape(400, 600)
    green = static_truth(shape.whole, shape)[1]
    darkest_tenth = np.sort(green, axis=None)[green.size // 10]
    assert green.min() > 0
    assert np.isfinite(green).all()
    assert green.max() > darkest_tenth * 2**14
    assert green.max() > 2000 * np.median(green[-80:])  # the sun against the foreground


@pytest.mark.parametrize(("options", "share"), [
    (SceneOptions(), 0.75), (SceneOptions(wind=0.0), 0.75), (HARD, 0.75),
    (SceneOptions(drift=0.0, shimmer=0.0), 0.45),  # only the wind: all that a twig may sweep is marked, mostly sky
])
def test_what_is_marked_static_never_changes_and_most_of_the_rest_does(options: SceneOptions, share: float) -> None:
    shape = Shape(300, 460)
    still = replace(options, light_drift_stops=0.0, shaken=False)
    stand = {"shift_y_px": 1.3, "shift_x_px": 0.4, "rotation_degrees": 0.2}
    settings = [replace(frame, **stand) for frame in scene_frames(300, 460, still)]  # type: ignore[arg-type]
    pictures = [bits(render_truth(shape.whole, shape, frame)) for frame in settings]
    moving = may_move(shape.whole, shape, settings[0])
    changed = np.any([np.any(picture != pictures[0], axis=0) for picture in pictures[1:]], axis=0)
    assert not np.any(changed & ~moving)
    assert np.count_nonzero(changed) > share * np.count_nonzero(moving)
    assert np.count_nonzero(~moving) > 0.1 * moving.size


def test_without_movement_nothing_is_marked_or_changes() -> None:
    options = SceneOptions(wind=0.0, drift=0.0, shimmer=0.0)
    first, last = (replace(BASE, options=options, time=time) for time in (0.0, 7.0))
    assert not may_move(SHAPE.whole, SHAPE, first).any()
    assert np.array_equal(bits(render_truth(SHAPE.whole, SHAPE, first)), bits(render_truth(SHAPE.whole, SHAPE, last)))


def test_a_shifted_frame_looks_exactly_where_it_says() -> None:
    shifted = replace(BASE, shift_y_px=-5.0, shift_x_px=3.0)
    base, moved = render_truth(SHAPE.whole, SHAPE, BASE), render_truth(SHAPE.whole, SHAPE, shifted)
    assert np.array_equal(bits(moved[:, 5:, :-3]), bits(base[:, :-5, 3:]))


def test_a_frame_turned_by_a_quarter_looks_exactly_where_it_says() -> None:
    shape = Shape(240, 240)
    quarter = replace(BASE, rotation_degrees=90.0)
    base, turned = static_truth(shape.whole, shape), render_truth(shape.whole, shape, quarter)
    # p = R·q: x of the base is −y of the frame, y of the base is x of the frame.
    back = turned[:, ::-1, :].transpose(0, 2, 1)
    apart = np.abs(np.log2(back) - np.log2(base))
    assert np.median(apart) < 1e-6  # cos 90° is not exactly 0, so bits may differ


def test_the_same_scene_at_any_resolution() -> None:
    small, large = Shape(120, 180), Shape(480, 720)
    coarse = static_truth(small.whole, small)
    fine = static_truth(large.whole, large).astype(np.float64).reshape(3, 120, 4, 180, 4).mean(axis=(2, 4))
    assert np.median(np.abs(np.log2(fine) - np.log2(coarse))) < 0.08


@pytest.mark.parametrize("change", [
    {"stars": True}, {"haze": 2.0}, {"cloud": 0.4}, {"vignetting": 0.3}, {"lateral_colour": 0.002}, {"glare": 1.0},
])
def test_each_switch_changes_the_picture_and_keeps_it_finite(change: dict[str, float]) -> None:
    changed = render_truth(SHAPE.whole, SHAPE, replace(BASE, options=SceneOptions(**change)))  # type: ignore[arg-type]
    assert np.isfinite(changed).all()
    assert changed.min() > 0
    assert not np.array_equal(changed, render_truth(SHAPE.whole, SHAPE, BASE))


def test_drifting_light_is_a_smooth_gain_and_not_one_number() -> None:
    dimmed = render_truth(SHAPE.whole, SHAPE, replace(BASE, light_stops=-1.0))
    ratio = dimmed.astype(np.float64) / render_truth(SHAPE.whole, SHAPE, BASE)
    assert 0.49 < ratio.min() < 0.55
    assert 0.75 < ratio.max() <= 1.0


def test_only_the_longest_exposure_is_shaken() -> None:
    frames = scene_frames(SHAPE.height, SHAPE.width, SceneOptions(shaken=True))
    assert [frame.shake_px != (0.0, 0.0) for frame in frames] == [False, False, False, True]
    still, shaken = replace(frames[3], shake_px=(0.0, 0.0)), replace(frames[3], shake_px=(6.0, -4.0))

    def sharpness(setting: FrameSetting) -> float:
        return float(np.abs(np.diff(np.log2(render_truth(SHAPE.whole, SHAPE, setting)[1]), axis=0)).mean())

    assert sharpness(shaken) < 0.75 * sharpness(still)


def test_ragged_coverage_is_a_rim() -> None:
    covered = coverage(SHAPE.whole, SHAPE, replace(BASE, options=SceneOptions(ragged=True)))
    assert set(np.unique(covered)) == {0.0, 1.0}
    margin = int(0.06 * SHAPE.height)
    assert covered[margin:-margin, margin:-margin].all()
    assert not covered[0].any()
    assert not covered[-1].any()
    assert not covered[:, 0].any()
    assert not covered[:, -1].any()


def test_the_bracket_is_as_stated() -> None:
    assert [frame.seconds for frame in FRAMES] == [Fraction(1, 181), Fraction(1, 32), Fraction(1, 8), Fraction(7, 10)]
    assert [frame.is_base for frame in FRAMES] == [False, False, True, False]
    assert np.allclose(np.log2([frame.gain for frame in FRAMES]), [-4.5, -2.0, 0.0, 2.5], atol=0.02)
    assert (BASE.shift_y_px, BASE.shift_x_px, BASE.rotation_degrees, BASE.time) == (0.0, 0.0, 0.0, 0.0)


def test_the_camera_sees_every_colour_of_the_scene_as_positive_and_white_as_full() -> None:
    matrix = camera.scene_to_camera()
    assert min(value for row in matrix for value in row) > 0.0
    assert abs(sum(matrix[1]) - 1.0) < 1e-15
    white = [sum(row) for row in matrix]
    assert np.allclose(np.array(white) / white[1], camera.neutral(), atol=1e-6)


@pytest.mark.parametrize("level", [0.0, 0.0004, 0.02, 0.6])
def test_noise_of_a_flat_patch_has_the_stated_mean_and_variance(level: float) -> None:
    """Sums of integer code values. Bounds: five standard errors, σ/√n for the mean and σ²·√(2/n) for the variance.

    The noise is short-tailed (excess kurtosis −0.1), so that the variance's true standard error is smaller than that.
    """
    shape = Shape(400, 400)
    plain = replace(BASE, options=SceneOptions(specks=0.0))
    flat = np.full((3, 400, 400), level, np.float32)
    codes = camera.expose_mosaic(flat, shape.whole, shape, plain)[0::2, 1::2].astype(np.int64)
    count, total, squares = codes.size, int(codes.sum()), int((codes * codes).sum())
    scale = camera.WHITE_LEVEL - camera.BLACK_LEVEL
    variance = (camera.PHOTON_NOISE * level + camera.READ_NOISE) * scale * scale + 1.0 / 12.0
    mean, spread = total / count, squares / count - (total / count) ** 2
    assert abs(mean - camera.BLACK_LEVEL - float(np.float32(level)) * scale) < 5.0 * (variance / count) ** 0.5
    assert abs(spread - variance) < 5.0 * variance * (2.0 / count) ** 0.5
    if level == 0.0:
        below = np.count_nonzero(codes < camera.BLACK_LEVEL) / count
        assert 0.47 < below < 0.51  # half of them, less the share that rounds to the pedestal itself


def test_noise_is_independent_between_neighbours_colours_and_frames() -> None:
    shape = Shape(300, 300)
    flat = np.full((3, 300, 300), 0.1, np.float32)
    settings = [replace(frame, base_seconds=frame.seconds) for frame in FRAMES[1:3]]
    first, other = (camera.expose_linear(flat, shape.whole, shape, setting) for setting in settings)

    def correlation(a: np.ndarray, b: np.ndarray) -> float:
        return float(np.corrcoef(a.ravel(), b.ravel())[0, 1])

    bound = 5.0 / 300.0  # five standard errors of a correlation over 90,000 pairs
    assert abs(correlation(first[0, :, 1:], first[0, :, :-1])) < bound
    assert abs(correlation(first[0, 1:], first[0, :-1])) < bound
    assert abs(correlation(first[0], first[1])) < bound
    assert abs(correlation(first[0], other[0])) < bound


def test_linear_frames_keep_noise_below_zero_and_stop_at_full_scale() -> None:
    values = np.repeat(np.float32([0.0, 5.0]), 3000).reshape(1, 60, 100).repeat(3, axis=0)
    shape = Shape(60, 100)
    linear = camera.expose_linear(values, shape.whole, shape, BASE)
    assert (linear[:, :30] < 0).any()
    assert (linear[:, 30:] == 1.0).all()


def test_two_specks_of_dirt_are_fixed_to_the_sensor() -> None:
    shape = Shape(400, 600)
    flat = np.full((3, 400, 600), 0.5, np.float32)
    for setting in FRAMES[:1] + FRAMES[2:3]:
        level = 0.5 * setting.gain
        dirty = camera.expose_linear(flat, shape.whole, shape, setting).mean(axis=0) / level
        assert dirty[72, 346] < 0.85
        assert dirty[105, 473] < 0.9
        assert abs(dirty[300:].mean() - 1.0) < 0.01


def test_a_dng_comes_through_libraw_pixel_for_pixel(tmp_path: Path) -> None:
    shape, setting = Shape(120, 182), FRAMES[3]
    path = write_dng(tmp_path / "frame.dng", shape, setting)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, camera.shoot_mosaic(shape.whole, shape, setting))
        assert raw.black_level_per_channel == [1024] * 4
        assert raw.white_level == 15600
        assert "".join(chr(raw.color_desc[index]) for index in raw.raw_pattern.ravel()) == "RGGB"
        assert abs(raw.other.shutter_speed - 0.7) < 1e-6
        assert raw.other.aperture == 8.0
        assert raw.other.iso_speed == 100.0
        neutral = 1.0 / np.array(raw.camera_whitebalance[:3])
        assert np.allclose(neutral / neutral[1], camera.neutral(), atol=1e-5)
        # LibRaw gives a DNG's ColorMatrix1 as camera → sRGB, each row of its inverse scaled to keep white.
        to_camera = np.array(camera.XYZ_TO_CAMERA) @ [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169],
                                                      [0.019334, 0.119193, 0.950227]]
        expected = np.linalg.inv(to_camera / to_camera.sum(axis=1, keepdims=True))
        assert np.allclose(raw.color_matrix[:, :3], expected, atol=2e-3)


def test_noise_of_a_dark_frame_goes_below_black() -> None:
    codes = camera.shoot_mosaic(SHAPE.whole, SHAPE, FRAMES[0])
    assert 0 < codes.min() < 1024 - 60
    assert codes.max() == 15600


def test_a_dng_states_matrix_neutral_and_shot_in_its_tags(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "frame.dng", Shape(64, 96), FRAMES[0], orientation=6)
    with tifffile.TiffFile(path) as file:
        tags = file.pages[0].tags  # type: ignore[union-attr]
        matrix = np.array(tags["ColorMatrix1"].value, float).reshape(9, 2)
        assert np.array_equal(matrix[:, 0] / matrix[:, 1], np.array(camera.XYZ_TO_CAMERA).ravel())
        assert tags["CalibrationIlluminant1"].value == 21
        assert tags["Orientation"].value == 6
        exif = tags["ExifTag"].value
        assert exif["ExposureTime"] == (1, 181)
        assert exif["FNumber"] == (8, 1)
        assert exif["ISOSpeedRatings"] == 100
        assert exif["DateTimeOriginal"] == "2024:09:21 18:52:10"


def test_a_large_frame_is_a_tiled_bigtiff_of_the_same_pixels(tmp_path: Path) -> None:
    shape, options = Shape(530, 540), SceneOptions(ragged=True)
    paths = write_demo_frames(tmp_path, options=options, kind="tiff", shape=shape)
    assert [path.name for path in paths] == [f"frame_{number}.tif" for number in (1, 2, 3, 4)]
    setting = scene_frames(shape.height, shape.width, options)[1]
    with tifffile.TiffFile(paths[1]) as file:
        page = file.pages[0]
        assert file.is_bigtiff
        assert page.is_tiled
        assert page.shape == (530, 540, 4)
        assert np.array_equal(page.asarray(), camera.shoot_coded(shape.whole, shape, setting))
        assert page.tags["ExifTag"].value["ExposureTime"] == (1, 32)  # type: ignore[union-attr]
        assert page.tags["InterColorProfile"].value == linear_profile()  # type: ignore[union-attr]


def test_the_embedded_profile_is_linear_rec2020_for_littlecms() -> None:
    ramp = np.linspace(0.0, 1.0, 33)
    colours = np.stack([ramp, ramp, ramp], axis=-1)[None]
    spaces = {"colorspace": "rgb", "outcolorspace": "xyz"}
    xyz = imagecodecs.cms_transform(colours, linear_profile(), imagecodecs.cms_profile("xyz"), **spaces)
    assert np.allclose(xyz[0, :, 1], ramp, atol=1e-4)  # luminance follows the code value
    pure = imagecodecs.cms_transform(np.eye(3)[None], linear_profile(), imagecodecs.cms_profile("xyz"), **spaces)
    # Y of Rec.2020's primaries, Bradford-adapted from D65 to D50, by colour-science.
    assert np.allclose(pure[0, :, 1], [0.27904, 0.67534, 0.04561], atol=1e-4)


def test_default_frames_are_three_by_two_and_of_the_size_asked_for() -> None:
    assert demo_shape(6.0) == Shape(2000, 3000)
    assert demo_shape(1.0).pixels <= 1_000_000


def test_another_kind_of_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="dng, tiff"):
        write_demo_frames(tmp_path, kind="jpeg")
    assert not list(tmp_path.iterdir())
