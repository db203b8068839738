"""Real files of several cameras and programs open as what they are; skipped where those files are absent."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import pytest
import rawpy

from tilepipe.errors import InputError
from tilepipe.formats import open_frame
from tilepipe.formats.folder import find_brackets
from tilepipe.geometry import Shape, Window

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="needs the real pictures in ../shared/data")


def whole(path: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.generic]]:
    frame = open_frame(path)
    pixels = frame.read(frame.info.shape.whole)
    frame.close()
    return pixels


def test_night_skyline_exposures() -> None:
    found = find_brackets(DATA / "brackets" / "st_louis_arch")
    assert len(found) == 1
    exposures = [frame.exposure for frame in found[0].frames]
    assert [exposure.seconds for exposure in exposures if exposure] == [1 / 30, 1 / 4, 2.5, 15.0]
    assert {exposure.f_number for exposure in exposures if exposure} == {2.7}
    assert {exposure.note for exposure in exposures if exposure} == {"the file states no ISO (taken as 100)"}
    assert all(frame.shape == Shape(2112, 2816) for frame in found[0].frames)


def test_window_bracket_is_one_set_of_twelve() -> None:
    (found,) = find_brackets(DATA / "brackets" / "window")
    seconds = [frame.exposure.seconds for frame in found.frames if frame.exposure]
    assert len(seconds) == 12
    assert (seconds[0], seconds[-1]) == (1 / 1000, 2.0)
    assert seconds == sorted(seconds)


@pytest.mark.parametrize("folder", ["merianos_Rovinia", "merianos_SeaRock", "merianos_SecretBeach"])
def test_brackets_without_exif(folder: str) -> None:
    (found,) = find_brackets(DATA / "brackets" / folder)
    assert [Path(frame.path).stem[-1] for frame in found.frames] == ["1", "2", "3"]
    assert all(frame.exposure is None for frame in found.frames)


def test_the_rotated_linear_dng_stands_upright() -> None:
    plain, rotated = (whole(DATA / "raw" / "skia" / f"sample_1mp{name}.dng") for name in ("", "_rotated"))
    assert (plain.shape, rotated.shape) == ((3, 338, 600), (3, 600, 338))
    # Orientation 8: the stored top row is the upright left column, read upwards.
    assert (rotated == np.rot90(plain, 1, axes=(1, 2))).all()
    frame = open_frame(DATA / "raw" / "skia" / "sample_1mp.dng")
    info = frame.info
    assert info.kind == "colour"
    assert info.exposure is not None
    assert (info.exposure.seconds, info.exposure.f_number, info.exposure.iso) == (1 / 2000, 1.8, 50.0)
    assert info.camera is not None
    assert info.camera.as_shot_neutral == pytest.approx((1 / 0.515625, 1.0, 1 / 0.65625), rel=1e-12)
    assert (info.lens, info.model) == ("4.42 mm", "LG-H815")
    window = Window(300, 10, 37, 200)
    assert (frame.read(window) == plain[:, window.rows, window.cols]).all()
    frame.close()


def test_the_colour_chart_is_unpacked_unchanged() -> None:
    path = DATA / "raw" / "colorchart" / "colorchart.dng"
    frame = open_frame(path)
    info, camera = frame.info, frame.info.camera
    pixels = frame.read(info.shape.whole)
    frame.close()
    with rawpy.imread(str(path)) as raw:
        assert (pixels[0] == raw.raw_image_visible).all()
    assert (info.kind, info.shape) == ("mosaic", Shape(1156, 1734))
    assert camera is not None
    assert (camera.cfa_pattern, camera.black, camera.white) == ("RGGB", (2056.0,) * 4, 15000)
    # LibRaw hands on no matrix for this file; the file itself has the tag ColorMatrix1.
    assert camera.colour_matrix is not None
    assert camera.colour_matrix[0] == (0.6461, -0.1164, -0.0857)
    assert camera.matrix_source == "DNG colour matrix for an unstated light"
    assert info.exposure is None


@pytest.mark.parametrize("name", ["dawn", "forest", "park"])
def test_radiance_pictures_equal_opencv(name: str) -> None:
    path = DATA / "hdr_truth" / f"{name}.hdr"
    theirs = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert theirs is not None
    assert (whole(path) == np.moveaxis(theirs[..., ::-1], -1, 0)).all()


@pytest.mark.parametrize("name", ["Tree", "MtTamWest"])
def test_openexr_pictures(name: str) -> None:
    path = DATA / "hdr_truth" / f"{name}.exr"
    with OpenEXR.File(str(path)) as file:
        theirs = np.moveaxis(file.channels()["RGBA"].pixels.astype(np.float32), -1, 0)
        assert (whole(path) == theirs).all()
    frame = open_frame(path)
    assert (frame.info.channels, frame.info.has_coverage, frame.info.encoding.transfer) == (3, True, "linear")
    frame.close()


def test_luminance_and_chroma_openexr_is_refused() -> None:
    with pytest.raises(InputError, match="BY, RY, Y"):
        open_frame(DATA / "hdr_truth" / "CrissyField.exr")


def test_headerless_sensor_data_is_refused() -> None:
    with pytest.raises(InputError, match="convert it to DNG"):
        open_frame(DATA / "raw" / "bayer_orders" / "DSC_1339_768x512_rggb.raw")


@pytest.mark.parametrize("name", ["Kleiber_by_Lukas_Baubkus", "aitzgorri_by_Aitzol_Berasategi"])
def test_large_jpegs_in_bands(name: str) -> None:
    path = DATA / "large" / f"{name}.jpg"
    frame = open_frame(path)
    info, seen, total = frame.info, [], 0

    def write(window: Window, pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> None:
        nonlocal total
        seen.append(window)
        total += int(pixels.sum(dtype=np.int64))

    frame.decode_all(write)
    frame.close()
    assert [window.y for window in seen] == [0, *(window.y_end for window in seen[:-1])]
    assert seen[-1].y_end == info.shape.height
    theirs = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert theirs is not None
    assert total == int(theirs.sum(dtype=np.int64))
