"""Reduced copies, tags of the shot, checksums: the parts of deliverables that need no run."""

from __future__ import annotations

import io
import zlib
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
from PIL import Image

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.formats import open_frame
from tilepipe.formats.frame import Encoding, Exposure, FrameInfo
from tilepipe.formats.write_deflate import joined_adler
from tilepipe.formats.write_exif import shot_tags
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.store.pyramid_store import finer_window, halved_tile, level_count

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
SHAPES = (Shape(75, 103), Shape(64, 32), Shape(1, 9), Shape(7, 1), Shape(1, 1))


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def picture(shape: Shape, coverage: str = "") -> Tile:
    """Invented: random light of wide range; coverage all ones or ragged with fractions, wild values beyond the edge."""
    random = np.random.default_rng(5)
    light = random.lognormal(-2, 2, (3, shape.height, shape.width)).astype(np.float32)
    light *= random.choice(np.array([1, 1, 1, -1], np.float32), light.shape)
    if not coverage:
        return Tile(light, shape.whole, shape)
    share = np.ones((1, shape.height, shape.width), np.float32)
    if coverage == "ragged":
        share[:] = random.choice(np.array([0, 0.25, 0.7, 1], np.float32), share.shape)
        light[np.broadcast_to(share, light.shape) == 0] = 1e30
    return Tile(np.concatenate([light, share]), shape.whole, shape, (*COLOUR, COVERAGE))


def padded(plane: Any) -> Any:
    """The rim repeated where a side is odd, so that the mean over 2×2 is one over what is there."""
    return np.pad(plane, ((0, plane.shape[0] % 2), (0, plane.shape[1] % 2)), mode="edge")


def four(plane: Any) -> tuple[Any, Any, Any, Any]:
    whole = padded(plane)
    return whole[::2, ::2], whole[::2, 1::2], whole[1::2, ::2], whole[1::2, 1::2]


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_halving_is_the_mean_of_four(device: CpuDevice, shape: Shape) -> None:
    tile = picture(shape)
    made = halved_tile(device, tile).array
    for plane, expected in zip(made, tile.array, strict=True):
        a, b, c, d = four(expected)
        assert (plane.view(np.uint32) == (((a + b) + (c + d)) * np.float32(0.25)).view(np.uint32)).all()


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_full_coverage_changes_no_bit(device: CpuDevice, shape: Shape) -> None:
    plain, covered = halved_tile(device, picture(shape)), halved_tile(device, picture(shape, "full"))
    assert (covered.array[:3].view(np.uint32) == plain.array.view(np.uint32)).all()
    assert (covered.array[3] == 1).all()


def test_what_is_not_covered_does_not_bleed(device: CpuDevice) -> None:
    """Against Σcv / Σc in float64; beyond the ragged edge stand values of 1e30 that must not show."""
    tile = picture(SHAPES[0], "ragged")
    made = halved_tile(device, tile).array
    shares = [part.astype(np.float64) for part in four(tile.array[3])]
    assert (made[3] == np.mean(shares, axis=0).astype(np.float32)).all()
    for plane, source in zip(made[:3], tile.array[:3], strict=True):
        parts = [np.where(share > 0, part, 0) for share, part in zip(shares, four(source), strict=True)]
        sums = sum(share * part for share, part in zip(shares, parts, strict=True))
        size = sum(share * abs(part) for share, part in zip(shares, parts, strict=True))
        whole = sum(shares)
        expected = np.divide(sums, whole, where=whole > 0, out=np.zeros_like(whole))
        bound = np.divide(size, whole, where=whole > 0, out=np.zeros_like(whole)) * 2.0**-22
        assert (abs(plane - expected) <= bound).all()


@pytest.mark.parametrize("coverage", ["", "ragged"])
def test_levels_know_no_tiles(device: CpuDevice, coverage: str) -> None:
    tile = picture(SHAPES[0], coverage)
    whole, coarser = halved_tile(device, tile).array, tile.picture.halved()
    for size in (1, 8, 19, 32):
        for window in Grid(coarser, size, size):
            part = halved_tile(device, tile.cut(finer_window(window, tile.picture)))
            assert part.window == window
            assert (part.array.view(np.uint32) == whole[:, window.rows, window.cols].view(np.uint32)).all()


def test_how_many_levels() -> None:
    assert [level_count(Shape(side, 3)) for side in (1, 512, 513, 1024, 1025, 6000)] == [0, 0, 1, 1, 2, 4]


def test_checksums_join() -> None:
    """Against zlib's checksum of the whole."""
    content = bytes(np.random.default_rng(1).integers(0, 256, 200_000, np.uint8))
    for cut in (0, 1, 65520, 65521, 65522, 131072, len(content)):
        first, second = content[:cut], content[cut:]
        assert joined_adler(zlib.adler32(first), zlib.adler32(second), len(second)) == zlib.adler32(content)


INFO = FrameInfo(
    path="/no/such/file.dng", shape=Shape(700, 1100), kind="colour", dtype="uint16", channels=3, has_coverage=False,
    encoding=Encoding("linear", "rec2020", "invented"), exposure=Exposure(1 / 125, 8.0, 200.0), orientation=6,
    camera=None, tiled=True, timestamp=datetime(2024, 9, 21, 18, 52, 10, 250_000), bytes_on_disk=1, facts_for_key={},
    make="Invented", model="Landscape 1", lens="Wide 24 mm",
)


def read_elsewhere(block: bytes) -> dict[str, str]:
    """The block as the package `exifread` and Pillow read it; both must agree on the camera."""
    told = {name: str(value) for name, value in exifread.process_file(io.BytesIO(block), details=False).items()}
    pillow = Image.Exif()
    pillow.load(b"Exif\0\0" + block)
    assert pillow.get(272, "") == told.get("Image Model", "")
    return told


def test_what_was_understood_is_carried_over() -> None:
    told = read_elsewhere(shot_tags(INFO).block("srgb"))
    assert told["Image Make"] == "Invented"
    assert told["EXIF ExposureTime"] == "1/125"
    assert told["EXIF FNumber"] == "8"
    assert told["EXIF ISOSpeedRatings"] == "200"
    assert told["EXIF DateTimeOriginal"] == "2024:09:21 18:52:10"
    assert told["EXIF SubSecTimeOriginal"] == "25"
    assert told["EXIF LensModel"] == "Wide"
    assert told["EXIF FocalLength"] == "24"
    assert told["Image Orientation"] == "Horizontal (normal)"
    assert told["EXIF ColorSpace"] == "sRGB"
    assert told["Image Software"].startswith("tilepipe ")


def test_nothing_that_was_assumed_is_told() -> None:
    by_hand = read_elsewhere(shot_tags(replace(INFO, exposure=Exposure.stated(0.25))).block("romm"))
    assert not {"EXIF ExposureTime", "EXIF FNumber", "EXIF ISOSpeedRatings"} & set(by_hand)
    assert by_hand["EXIF ColorSpace"] == "Uncalibrated"
    note = "the file states no f-number (taken as 1) and no ISO (taken as 100)"
    partly = read_elsewhere(shot_tags(replace(INFO, exposure=Exposure(2.0, note=note))).block("srgb"))
    assert partly["EXIF ExposureTime"] == "2"
    assert not {"EXIF FNumber", "EXIF ISOSpeedRatings"} & set(partly)
    bare = replace(INFO, exposure=None, timestamp=None, make="", model="", lens="")
    assert "EXIF DateTimeOriginal" not in read_elsewhere(shot_tags(bare).block("srgb"))


def test_tags_of_a_real_raw_file_stay_as_they_are() -> None:
    path = DATA / "raw" / "skia" / "sample_1mp.dng"
    if not path.exists():
        pytest.skip(f"needs {path}")
    frame = open_frame(path)
    told = read_elsewhere(shot_tags(frame.info).block("srgb"))
    frame.close()
    with path.open("rb") as file:
        own = {name: str(value) for name, value in exifread.process_file(file, details=False).items()}
    tags = ("ExposureTime", "FNumber", "ISOSpeedRatings", "FocalLength", "DateTimeOriginal")
    names = ["Image Make", "Image Model", *(f"EXIF {tag}" for tag in tags)]
    assert {name: told[name] for name in names} == {name: own[name] for name in names}


def test_windows_of_levels() -> None:
    assert finer_window(Window(3, 5, 2, 2), Shape(9, 13)) == Window(6, 10, 3, 3)
    assert finer_window(Window(0, 0, 5, 7), Shape(9, 13)) == Shape(9, 13).whole
