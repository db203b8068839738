"""Demosaicing against a published implementation, in all four Bayer orders, by windows and variants."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.mosaic import DEMOSAIC_REACH_PX, Pattern, demosaic, first_red
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.errors import InputError
from tilepipe.formats.frame import CameraInfo, Encoding
from tilepipe.geometry import Shape, Window

ORDERS = ("RGGB", "BGGR", "GRBG", "GBRG")
CAPTURES = Path(__file__).resolve().parent.parent.parent / "shared" / "data" / "raw" / "bayer_orders"


def decoder_of(
    pattern: str, black: tuple[float, ...] = (0.0,) * 4, white: int = 16383,
    as_shot: tuple[float, float, float] | None = None,
) -> FrameDecoder:
    camera = CameraInfo(black, white, pattern, None, as_shot, "", "", "")
    return FrameDecoder("mosaic", "uint16", 1, False, 65535.0, Encoding("linear", "camera", ""), camera, True)


def demosaiced(device: CpuDevice, codes: Any, pattern: str, wanted: Window | None = None, **levels: Any) -> Any:
    shape = Shape(*codes.shape)
    decoder = decoder_of(pattern, **levels)
    wanted = wanted or shape.whole
    window = decoder.input_window(wanted, shape)
    return decoder.run(device, codes[None, window.rows, window.cols], window, shape, wanted).array


def published(codes: Any, pattern: str) -> Any:
    """Our kernels without the balance of colours: the published method alone."""
    device, shape = CpuDevice(), Shape(*codes.shape)
    out = device.tile(shape.whole, shape, decoder_of(pattern).planes)
    source = device.plane(codes, shape.whole, shape)
    demosaic(device, source, out, (0.0,) * 4, Pattern(*first_red(pattern), 16383.0), None)
    return out.array[:3]


def capture(order: str) -> Any:
    path = CAPTURES / f"DSC_1339_768x512_{order.lower()}.raw"
    if not path.exists():
        pytest.skip(f"{path} is absent")
    return np.fromfile(path, "<u2").reshape(512, 768)


def invented(height: int, width: int) -> Any:
    """Edges in all directions, a gradient and noise, 14 bits."""
    y, x = np.mgrid[:height, :width].astype(float)
    light = 3000 + 2500 * np.sin(x / 9 + y / 23) + 4000 * ((x - y) % 31 > 15) + 2000 * (np.hypot(x - 60, y - 40) < 25)
    return np.clip(light + np.random.default_rng(4).normal(0, 60, (height, width)), 0, 16383).astype(np.uint16)


def reference(codes: Any, pattern: str) -> Any:
    """Menon, Andriani, Calvagno 2007 by the package colour-demosaicing, float64, planar."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour_demosaicing import demosaicing_CFA_Bayer_Menon2007

        picture = demosaicing_CFA_Bayer_Menon2007(codes.astype(np.float64), pattern)
    return np.moveaxis(picture, -1, 0) / 16383.0


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


# ---------------------------------------------------------------- the published method
@pytest.mark.parametrize("pattern", ORDERS)
@pytest.mark.parametrize(("height", "width"), [(120, 173), (37, 40), (6, 9)])
def test_equals_the_published_implementation(pattern: str, height: int, width: int) -> None:
    """Interior and border, up to float32: largest difference ≤ 1e-5 of the clipping level."""
    codes = invented(height, width)
    ours = published(codes, pattern)
    assert np.abs(ours - reference(codes, pattern)).max() <= 1e-5


def test_equals_it_on_random_codes() -> None:
    codes = np.random.default_rng(1).integers(0, 16384, (90, 131)).astype(np.uint16)
    assert np.abs(published(codes, "GRBG") - reference(codes, "GRBG")).max() <= 1e-5


@pytest.mark.parametrize("pattern", ORDERS)
def test_equals_it_on_a_real_capture(pattern: str) -> None:
    codes = np.ascontiguousarray(capture(pattern)[120:320, 200:500])
    assert np.abs(published(codes, pattern) - reference(codes, pattern)).max() <= 1e-5


# ---------------------------------------------------------------- the four orders
@pytest.mark.parametrize(("pattern", "down", "right"), [("GRBG", 0, 1), ("GBRG", 1, 0), ("BGGR", 1, 1)])
def test_a_picture_that_starts_one_pixel_later_is_the_same(pattern: str, down: int, right: int) -> None:
    """Cutting a row or a column off one mosaic gives the other orders: away from the rim not a bit changes."""
    codes = invented(90, 110)
    whole = demosaiced(CpuDevice(), codes, "RGGB")
    later = demosaiced(CpuDevice(), np.ascontiguousarray(codes[down:, right:]), pattern)
    reach = DEMOSAIC_REACH_PX
    inner = later[:, reach:-reach, reach:-reach]
    np.testing.assert_array_equal(bits(inner), bits(whole[:, down + reach : -reach, right + reach : -reach]))


def test_one_capture_in_four_orders_is_one_picture() -> None:
    """The four files hold the same samples, placed differently within each 2×2 cell.

    So the pictures agree exactly at every cell's own samples, and, as means over 2×2 cells, up to the displacement of
    the samples by up to one pixel: half of all cells by less than 1 %, 19 of 20 by less than 13 %.
    """
    means, own = {}, {}
    for pattern in ORDERS:
        picture = demosaiced(CpuDevice(), capture(pattern), pattern)[:3].astype(np.float64)
        means[pattern] = picture.reshape(3, 256, 2, 384, 2).mean(axis=(2, 4))[:, 8:-8, 8:-8]
        red, blue = pattern.index("R"), pattern.index("B")
        own[pattern] = (picture[0, red // 2 :: 2, red % 2 :: 2], picture[2, blue // 2 :: 2, blue % 2 :: 2])
    for pattern in ORDERS[1:]:
        for ours, theirs in zip(own[pattern], own["RGGB"], strict=True):
            np.testing.assert_array_equal(ours, theirs)
        difference = np.abs(means[pattern] / means["RGGB"] - 1.0)
        assert np.median(difference) < 0.01
        assert np.quantile(difference, 0.95) < 0.13


# ---------------------------------------------------------------- levels and peaks
def test_pedestals_of_the_four_sites() -> None:
    black = (100.0, 110.0, 120.0, 130.0)
    codes = np.tile(np.array([[100, 110], [120, 130]], np.uint16), (10, 12))
    tile = demosaiced(CpuDevice(), codes + np.uint16(500), "GBRG", black=black, white=1130)
    np.testing.assert_array_equal(tile, np.float32(0.5))


@pytest.mark.parametrize("as_shot", [None, (2.1, 1.0, 1.5)])
@pytest.mark.parametrize("level", [0, 30, 100, 300, 1000])
def test_noise_stays_unbiased_below_and_above_the_pedestal(level: int, as_shot: Any) -> None:
    """Read noise as is typical at ISO 100 (30 of 15383 codes): means are right within 1 code, a thirtieth of the noise."""
    codes = np.rint(np.random.default_rng(2).normal(1000.0 + level, 30.0, (400, 400))).astype(np.uint16)
    tile = demosaiced(CpuDevice(), codes, "RGGB", black=(1000.0,) * 4, white=16383, as_shot=as_shot)
    if level == 0:
        assert (tile[:3] < 0).mean() == pytest.approx(0.5, abs=0.02)
    assert np.abs(tile[:3].mean(axis=(1, 2)) * 15383.0 - level).max() < 1.0


def test_peaks_are_the_largest_sample_within_two_pixels() -> None:
    codes = np.full((21, 21), 1000, np.uint16)
    codes[10, 9] = 16383
    peaks = demosaiced(CpuDevice(), codes, "RGGB")[3:]
    assert (peaks[:, 8:13, 7:12] == 1.0).all()
    assert (peaks == 1.0).sum() == 3 * 25


def test_samples_beyond_the_peak_plane_enter_little() -> None:
    """Farther than 2 px away a sample moves a value by no more than a fifth of its own change, whatever the picture."""
    rng, device = np.random.default_rng(0), CpuDevice()
    y, x = np.mgrid[:41, :41]
    for trial in range(40):
        codes = rng.integers(2000, 12000, (41, 41)).astype(np.uint16)
        site = (20 + trial % 2, 20 + trial // 2 % 2)
        pushed = codes.copy()
        pushed[site] += 1  # so little that no direction changes
        moved = np.abs(demosaiced(device, pushed, "RGGB")[:3] - demosaiced(device, codes, "RGGB")[:3])
        far = np.maximum(np.abs(y - site[0]), np.abs(x - site[1])) > 2
        assert moved[:, far].max() < 0.2 / 16383


@pytest.mark.parametrize("pattern", ORDERS)
def test_what_was_sensed_is_kept_bit_by_bit(pattern: str) -> None:
    codes = invented(60, 70)
    found = demosaiced(CpuDevice(), codes, pattern, as_shot=(2.1, 1.0, 1.5))
    sensed = codes.astype(np.float32) / np.float32(16383)
    for index, colour in enumerate(pattern):
        y, x = divmod(index, 2)
        plane = found["RGB".index(colour)]
        np.testing.assert_array_equal(bits(plane[y::2, x::2]), bits(sensed[y::2, x::2]))


def test_other_mosaics_are_refused() -> None:
    with pytest.raises(InputError, match="mosaic"):
        demosaiced(CpuDevice(), invented(20, 20), "RYYB")


# ---------------------------------------------------------------- same bits
@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
def test_same_bits_on_every_variant_and_window(pattern: str) -> None:
    codes = invented(197, 301)
    shape, levels = Shape(197, 301), {"black": (64.0, 65.0, 66.0, 67.0), "as_shot": (2.1, 1.0, 1.5)}
    whole = demosaiced(CpuDevice(built_variants()[-1]), codes, pattern, **levels)
    for variant in built_variants():
        device = CpuDevice(variant)
        np.testing.assert_array_equal(bits(demosaiced(device, codes, pattern, **levels)), bits(whole), err_msg=variant)
        for wanted in (Window(0, 0, 64, 64), Window(61, 33, 50, 97), Window(190, 290, 7, 11), Window(3, 140, 1, 1)):
            decoder = decoder_of(pattern, **levels)
            needed = decoder.input_window(wanted, shape)
            given = needed.padded(5).cut(shape)
            poisoned = np.full((1, given.height, given.width), 65535, np.uint16)
            rows, cols = needed.within(given)
            poisoned[0, rows, cols] = codes[needed.rows, needed.cols]
            tile: Tile = decoder.run(device, poisoned, given, shape, wanted)
            np.testing.assert_array_equal(bits(tile.array), bits(whole[:, wanted.rows, wanted.cols]), err_msg=variant)
