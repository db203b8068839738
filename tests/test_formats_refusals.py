"""Files that cannot be frames get an error that says what, where, found, allowed and what to do next."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import OpenEXR
import pytest
import tifffile

from tilepipe.errors import InputError
from tilepipe.formats import open_frame
from tilepipe.formats.source import count_nonfinite
from tilepipe.geometry import Window

RANDOM = np.random.default_rng(11)
RGB8 = RANDOM.integers(0, 256, (40, 60, 3), dtype=np.uint8)
RGB16 = RANDOM.integers(0, 65536, (40, 60, 3), dtype=np.uint16)
FLOAT = RANDOM.random((40, 60, 3), dtype=np.float32)


def opened(path: Path, read: bool, **options: Any) -> None:
    frame = open_frame(path, **options)
    try:
        if read:
            frame.read(frame.info.shape.whole)
    finally:
        frame.close()


def refused(path: Path, *words: str, read: bool = False, **options: Any) -> InputError:
    """Opens (and reads) the file, and sees that the error names the file and holds all the words."""
    with pytest.raises(InputError) as caught:
        opened(path, read, **options)
    text = str(caught.value)
    assert str(path) in text
    assert not [word for word in words if word not in text], text
    assert caught.value.faults[0].found or "missing" in words
    return caught.value


def test_missing_empty_and_unknown_files(tmp_path: Path) -> None:
    refused(tmp_path / "absent.tif", "cannot be opened", "No such file", "check the path")
    (tmp_path / "empty.dng").write_bytes(b"")
    refused(tmp_path / "empty.dng", "empty", "0 bytes")
    (tmp_path / "words.txt").write_text("no picture")
    refused(tmp_path / "words.txt", "not known", "TIFF", "OpenEXR")
    (tmp_path / "sensor.raw").write_bytes(RGB16.tobytes())
    refused(tmp_path / "sensor.raw", "without a header", "DNG")
    refused(tmp_path, "cannot be opened")


WRITERS: dict[str, bytes] = {
    "png": bytes(imagecodecs.png_encode(RGB16)),
    "jpg": bytes(imagecodecs.jpeg8_encode(RGB8)),
}


@pytest.mark.parametrize("kept", [12, 30, 500, 0.5, 0.99])
@pytest.mark.parametrize("kind", ["tif", "lzw.tif", "png", "jpg", "exr", "hdr"])
def test_truncated_files(tmp_path: Path, kind: str, kept: float) -> None:
    path = tmp_path / f"frame.{kind}"
    if "tif" in kind:
        tifffile.imwrite(path, RGB16, photometric="rgb", rowsperstrip=8, compression="lzw" if "lzw" in kind else None)
    elif kind == "exr":
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        with OpenEXR.File(header, {"RGB": FLOAT}) as file:
            file.write(str(path))
    elif kind == "hdr":
        path.write_bytes(bytes(imagecodecs.rgbe_encode(FLOAT, header=True)))
    else:
        path.write_bytes(WRITERS[kind])
    content = path.read_bytes()
    path.write_bytes(content[: int(kept if kept > 1 else kept * len(content))])
    refused(path, "again", read=True)


def test_a_damaged_strip_is_named(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, RGB16, photometric="rgb", rowsperstrip=8, compression="deflate")
    with tifffile.TiffFile(path) as file:
        offset = file.pages.first.dataoffsets[2]
    content = bytearray(path.read_bytes())
    content[offset : offset + 40] = bytes(40)
    path.write_bytes(content)
    refused(path, "strip or tile 2 cannot be decoded", read=True)


@pytest.mark.parametrize(("options", "words"), [
    ({"photometric": "separated", "extrasamples": []}, ("CMYK", "RGB or grey", "convert")),
    ({"photometric": "rgb", "extrasamples": ["assocalpha"]}, ("associated", "alpha: coverage", "alpha: ignore")),
    ({"photometric": "rgb", "extrasamples": ["unspecified"]}, ("does not say", "alpha: coverage")),
])
def test_four_channels_that_are_no_frame(tmp_path: Path, options: dict[str, Any], words: tuple[str, ...]) -> None:
    path, pixels = tmp_path / "frame.tif", np.concatenate([RGB8, RGB8[..., :1]], axis=2)
    tifffile.imwrite(path, pixels, **options)
    refused(path, *words)
    if options["photometric"] == "rgb":
        for alpha, planes in (("coverage", 4), ("ignore", 3)):
            frame = open_frame(path, alpha=alpha)  # type: ignore[arg-type]
            assert frame.info.planes == planes
            assert frame.info.notes
            assert (frame.read(Window(0, 0, 40, 60)) == np.moveaxis(pixels, -1, 0)[:planes]).all()
            frame.close()


@pytest.mark.parametrize(("pixels", "options", "words"), [
    (RGB8[..., 0], {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)}, ("palette",)),
    (RGB8[..., 0], {"photometric": "miniswhite"}, ("WhiteIsZero",)),
    (RGB8, {"photometric": "cielab"}, ("CIELab",)),
    (RGB8.astype(np.uint32), {"photometric": "rgb"}, ("32 bits, uint32", "16-bit")),
    (RGB8.astype(np.float64), {"photometric": "rgb"}, ("64 bits, float64",)),
    (RGB8[..., 0] > 9, {"photometric": "minisblack"}, ("1 bits",)),
])
def test_tiff_kinds_that_are_no_frame(
    tmp_path: Path, pixels: np.ndarray[Any, Any], options: dict[str, Any], words: tuple[str, ...]
) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, **options)
    refused(path, *words)


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def test_png_kinds_that_are_no_frame(tmp_path: Path) -> None:
    path = tmp_path / "frame.png"
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 2, 1, 8, 3, 0, 0, 0))
    body = chunk(b"PLTE", bytes(6)) + chunk(b"IDAT", zlib.compress(b"\0\0\1")) + chunk(b"IEND", b"")
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + head + body)
    refused(path, "palette", "RGB or grey")
    content = WRITERS["png"]
    path.write_bytes(content[:33] + chunk(b"tRNS", bytes(6)) + content[33:])
    refused(path, "transparent", "alpha channel")
    path.write_bytes(content[:33] + chunk(b"cICP", bytes((9, 16, 0, 1))) + content[33:])
    refused(path, "transfer 16", "H.273")


def test_cmyk_jpeg(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    four = np.concatenate([RGB8, RGB8[..., :1]], axis=2)
    path.write_bytes(bytes(imagecodecs.jpeg8_encode(four, colorspace="cmyk", outcolorspace="cmyk")))
    refused(path, "CMYK", "convert it to RGB")


def test_nonfinite_values_are_counted_and_placed(tmp_path: Path) -> None:
    pixels, path = FLOAT.copy(), tmp_path / "frame.tif"
    pixels[7, 33, 1] = np.nan
    pixels[7, 33, 2] = np.inf
    pixels[30, 2, 0] = -np.inf
    tifffile.imwrite(path, pixels, photometric="rgb", tile=(16, 16))
    frame = open_frame(path)
    assert frame.info.tiled
    assert count_nonfinite(frame) == (3, (7, 33))
    frame.close()
    tifffile.imwrite(path, FLOAT, photometric="rgb", tile=(16, 16))
    frame = open_frame(path)
    assert count_nonfinite(frame) == (0, None)
    frame.close()


def test_nonfinite_values_of_untiled_pictures_are_refused_at_decode(tmp_path: Path) -> None:
    pixels, path = FLOAT.copy(), tmp_path / "frame.exr"
    pixels[7, 33, 1] = np.nan
    with OpenEXR.File({"type": OpenEXR.scanlineimage}, {"RGB": pixels}) as file:
        file.write(str(path))
    refused(path, "1 NaN or infinite value,", "y=7, x=33", read=True)


def test_openexr_with_partial_alpha_or_without_a_picture(tmp_path: Path) -> None:
    path = tmp_path / "frame.exr"
    alpha = np.ones((40, 60), np.float32)
    alpha[5, 9] = 0.25
    colours = {name: np.ascontiguousarray(FLOAT[..., index]) for index, name in enumerate("RGB")}
    with OpenEXR.File({"type": OpenEXR.scanlineimage}, {**colours, "A": alpha}) as file:
        file.write(str(path))
    refused(path, "y=5, x=9: 0.25", "alpha: ignore", read=True)
    frame = open_frame(path, alpha="ignore")
    assert frame.read(Window(5, 9, 1, 1)).ravel().tolist() == FLOAT[5, 9].tolist()
    frame.close()
    with OpenEXR.File({"type": OpenEXR.scanlineimage}, {"Z": alpha}) as file:
        file.write(str(path))
    refused(path, "channels Z", "R, G, B or Y")


def test_stated_values_that_cannot_be(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, RGB16, photometric="rgb")
    refused(path, "unknown encoding", "gamma 2.2", encoding="log")
    refused(path, "unknown encoding", encoding="gamma -1")
    refused(path, "exposure", "t·ISO/N²", exposure=0.0)
    frame = open_frame(path, encoding="gamma 1.8", exposure=0.25)
    assert (frame.info.encoding.transfer, frame.info.encoding.gamma) == ("gamma", 1.8)
    assert frame.info.exposure is not None
    assert frame.info.exposure.relative_light == 0.25
    frame.close()
