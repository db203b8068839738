"""Raw files are unpacked without a change, stand upright with their mosaic, and are checked for what cannot be true."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile

from tilepipe.errors import InputError
from tilepipe.formats import open_frame
from tilepipe.formats.frame import CameraInfo
from tilepipe.geometry import Shape, Window

HEIGHT, WIDTH, WHITE = 64, 96, 15000
# Invented camera: a plausible XYZ → camera matrix in ten-thousandths.
MATRIX = (6461, -1164, -857, -3825, 11597, 2534, -416, 1540, 6039)
COLOURS = {"R": 0, "G": 1, "B": 2}


def sensor(height: int = HEIGHT, width: int = WIDTH) -> np.ndarray[Any, Any]:
    """Invented: random 14-bit sensor values."""
    return np.random.default_rng(2).integers(900, WHITE + 200, (height, width), dtype=np.uint16)


def rationals(values: tuple[int, ...], under: int) -> list[int]:
    return [number for value in values for number in (value, under)]


def write_dng(path: Path, pixels: np.ndarray[Any, Any], cell: str = "RGGB", **tags: Any) -> Path:
    """A DNG as in DNG 1.6, chapter 3; `tags` change or, with None, leave out a tag given here by name."""
    side = 6 if len(cell) == 36 else 2
    content: dict[str, Any] = {
        "Make": (271, 2, None, "Invented"), "Model": (272, 2, None, "Invented One"), "Orientation": (274, 3, 1, 1),
        "DNGVersion": (50706, 1, 4, b"\x01\x04\0\0"), "UniqueCameraModel": (50708, 2, None, "Invented One"),
        "CFARepeatPatternDim": (33421, 3, 2, (side, side)),
        "CFAPattern": (33422, 1, side * side, bytes(COLOURS[letter] for letter in cell)),
        "BlackLevel": (50714, 3, 1, 1024), "WhiteLevel": (50717, 4, 1, WHITE),
        "ColorMatrix1": (50721, 10, 9, rationals(MATRIX, 10000)), "CalibrationIlluminant1": (50778, 3, 1, 21),
        "AsShotNeutral": (50728, 5, 3, rationals((500, 1000, 625), 1000)),
        "ExposureTime": (33434, 5, 1, (1, 30)), "FNumber": (33437, 5, 1, (27, 10)), "ISO": (34855, 3, 1, 200),
        "DateTimeOriginal": (36867, 2, None, "2024:05:06 07:08:09"),
    } | tags
    extra = [(*tag, True) for tag in content.values() if tag is not None]
    photometric = "cfa" if pixels.ndim == 2 else "linear_raw"
    tifffile.imwrite(path, pixels, photometric=photometric, extratags=extra)
    return path


def opened(path: Path, **options: Any) -> tuple[Any, CameraInfo, np.ndarray[Any, Any]]:
    frame = open_frame(path, **options)
    pixels = frame.read(frame.info.shape.whole)
    frame.close()
    assert frame.info.camera is not None
    return frame.info, frame.info.camera, pixels


@pytest.mark.parametrize("cell", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_a_mosaic_is_unpacked_unchanged(tmp_path: Path, cell: str) -> None:
    info, camera, pixels = opened(write_dng(tmp_path / "frame.dng", sensor(), cell))
    assert (info.kind, info.dtype, info.channels, info.tiled) == ("mosaic", "uint16", 1, False)
    assert (camera.cfa_pattern, camera.black, camera.white) == (cell, (1024.0,) * 4, WHITE)
    assert (pixels[0] == sensor()).all()
    assert info.exposure is not None
    assert (info.exposure.seconds, info.exposure.f_number, info.exposure.iso) == (1 / 30, 2.7, 200.0)
    assert info.exposure.relative_light == pytest.approx(200 / 30 / 2.7**2, rel=1e-15)
    assert info.timestamp == datetime(2024, 5, 6, 7, 8, 9)
    assert camera.colour_matrix == tuple(tuple(value / 10000 for value in MATRIX[at : at + 3]) for at in (0, 3, 6))
    assert camera.as_shot_neutral == (2.0, 1.0, 1.6)
    assert camera.decoder_version.startswith("LibRaw ")


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("size", [(64, 96), (63, 97), (64, 97)])
def test_the_mosaic_follows_the_orientation(tmp_path: Path, orientation: int, size: tuple[int, int]) -> None:
    """Each upright pixel keeps its colour and its black level: both are written into the values themselves."""
    blacks = np.array([[100, 200], [300, 400]], np.uint16)
    letters = np.array([["R", "G"], ["G", "B"]])
    y, x = np.mgrid[: size[0], : size[1]]
    pixels = (blacks[y % 2, x % 2] + 1000).astype(np.uint16)
    path = write_dng(
        tmp_path / "frame.dng", pixels, Orientation=(274, 3, 1, orientation), BlackLevelRepeatDim=(50713, 3, 2, (2, 2)),
        BlackLevel=(50714, 3, 4, (100, 200, 300, 400)),
    )
    info, camera, upright = opened(path, check=False)
    assert info.shape == (Shape(size[1], size[0]) if orientation > 4 else Shape(*size))
    by_black = {float(black): letter for black, letter in zip(blacks.ravel(), letters.ravel(), strict=True)}
    for index, (letter, black) in enumerate(zip(camera.cfa_pattern, camera.black, strict=True)):
        there = upright[0, index // 2 :: 2, index % 2 :: 2]
        assert (there == black + 1000).all()
        assert by_black[black] == letter


@pytest.mark.parametrize(("top", "left", "cell"), [(0, 0, "RGGB"), (1, 0, "GBRG"), (0, 1, "GRBG"), (3, 5, "BGGR")])
def test_the_mosaic_starts_at_the_active_area(tmp_path: Path, top: int, left: int, cell: str) -> None:
    """The stated cell, RGGB, starts where the active area does (DNG 1.6); LibRaw's picture starts at even positions."""
    area = (top, left, HEIGHT - 2, WIDTH - 4)
    _, camera, pixels = opened(write_dng(tmp_path / "frame.dng", sensor(), ActiveArea=(50829, 4, 4, area)))
    assert (pixels[0] == sensor()[top + top % 2 : HEIGHT - 2, left + left % 2 : WIDTH - 4]).all()
    assert camera.cfa_pattern == cell


def test_windows_of_a_raw_file(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "frame.dng", sensor(), Orientation=(274, 3, 1, 6))
    frame, whole = open_frame(path), np.rot90(sensor(), -1)
    for window in (Window(0, 0, 1, 1), Window(13, 7, 50, 31), frame.info.shape.whole):
        assert (frame.read(window)[0] == whole[window.rows, window.cols]).all()
    frame.close()


def test_linear_dng_is_colour(tmp_path: Path) -> None:
    pixels = np.stack([sensor(), sensor()[::-1], sensor()[:, ::-1]], axis=-1)
    path = write_dng(tmp_path / "frame.dng", pixels, CFAPattern=None, CFARepeatPatternDim=None,
                     BlackLevel=(50714, 3, 3, (1024, 1024, 1024)), WhiteLevel=(50717, 4, 3, (WHITE,) * 3))
    info, camera, decoded = opened(path)
    assert (info.kind, info.channels, camera.cfa_pattern) == ("colour", 3, "")
    assert (decoded == np.moveaxis(pixels, -1, 0)).all()
    assert (camera.black, camera.white) == ((1024.0,) * 3, WHITE)


XTRANS = "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG"


def test_other_mosaics_go_through_libraw_with_its_version_in_the_key(tmp_path: Path) -> None:
    flat = np.full((512, 544), 5000, np.uint16)  # LibRaw refuses to demosaic such a sensor when it is much smaller
    flat[::7, ::5] = 5003
    info, camera, decoded = opened(write_dng(tmp_path / "frame.dng", flat, XTRANS))
    assert (info.kind, info.channels, camera.cfa_pattern, camera.white) == ("colour", 3, "", WHITE)
    assert info.facts_for_key["decoder"] == "LibRaw " + ".".join(map(str, rawpy.libraw_version))
    assert info.notes
    assert decoded.shape == (3, 512, 544)
    # The pedestal is kept and nothing is scaled: interpolation stays between the values that are there.
    assert decoded.min() >= 4990
    assert decoded.max() <= 5013
    assert camera.black == (1024.0,) * 3


def test_the_calibration_nearest_daylight_is_chosen(tmp_path: Path) -> None:
    lamp = tuple(value + 1 for value in MATRIX)
    path = write_dng(
        tmp_path / "frame.dng", sensor(), ColorMatrix1=(50721, 10, 9, rationals(lamp, 10000)),
        CalibrationIlluminant1=(50778, 3, 1, 17), ColorMatrix2=(50722, 10, 9, rationals(MATRIX, 10000)),
        CalibrationIlluminant2=(50779, 3, 1, 21), AnalogBalance=(50727, 5, 3, rationals((2, 1, 1), 1)),
        CameraCalibration2=(50724, 10, 9, rationals((1, 0, 0, 0, 3, 0, 0, 0, 1), 1)),
    )
    _, camera, _ = opened(path)
    first, second, third = (tuple(value / 10000 for value in MATRIX[at : at + 3]) for at in (0, 3, 6))
    assert camera.colour_matrix == (tuple(2 * value for value in first), tuple(3 * value for value in second), third)
    assert "6504 K" in camera.matrix_source


def refused(path: Path, *words: str, **options: Any) -> None:
    with pytest.raises(InputError) as caught:
        open_frame(path, **options)
    text = str(caught.value)
    assert not [word for word in (str(path), *words) if word not in text], text


def test_raw_files_that_are_wrong_though_they_open(tmp_path: Path) -> None:
    path = tmp_path / "frame.dng"
    refused(write_dng(path, np.zeros_like(sensor())), "a single value", "0 everywhere")
    refused(write_dng(path, np.full_like(sensor(), 16383)), "a single value", "16383 everywhere")
    refused(write_dng(path, sensor(), WhiteLevel=(50717, 4, 1, 4000)), "white level cannot be true", "4000", "15199")
    refused(write_dng(path, sensor(), BlackLevel=(50714, 3, 1, 15000)), "levels cannot be true", "black 15000")


def test_a_missing_colour_matrix_can_be_stated(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "frame.dng", sensor(), ColorMatrix1=None, CalibrationIlluminant1=None)
    refused(path, "no colour matrix", "Invented One", "state `colour_matrix`")
    matrix = ((0.6, -0.1, -0.1), (-0.4, 1.2, 0.3), (0.0, 0.2, 0.6))
    _, camera, _ = opened(path, colour_matrix=matrix)
    assert (camera.colour_matrix, camera.matrix_source) == (matrix, "stated")
    refused(path, "not invertible", colour_matrix=((1.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)))


def test_the_encoding_of_a_raw_file_cannot_be_stated(tmp_path: Path) -> None:
    refused(write_dng(tmp_path / "frame.dng", sensor()), "encoding", "sensor values are linear", encoding="srgb")


@pytest.mark.parametrize("share", [0.02, 0.3, 0.999])
def test_truncated_raw_files(tmp_path: Path, share: float, capfd: pytest.CaptureFixture[str]) -> None:
    path = write_dng(tmp_path / "frame.dng", sensor())
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    refused(path, "again")


def test_a_dng_is_known_by_its_content(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "frame.dng", sensor())
    info, _, _ = opened(path.rename(tmp_path / "frame.tif"))
    assert info.kind == "mosaic"
