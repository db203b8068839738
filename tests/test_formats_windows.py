"""Windows of every readable kind of file equal the whole picture, in all eight orientations."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import OpenEXR
import pytest
import tifffile

from tilepipe.formats import open_frame, segments
from tilepipe.geometry import Shape, Window

HEIGHT, WIDTH = 75, 103
ORIENTATIONS = range(1, 9)


def picture(dtype: str, samples: int) -> np.ndarray[Any, Any]:
    """Invented: random code values `(height, width, samples)`."""
    random = np.random.default_rng(7)
    if dtype.startswith("float"):
        return random.normal(0.2, 1.0, (HEIGHT, WIDTH, samples)).astype(dtype)
    return random.integers(0, np.iinfo(dtype).max, (HEIGHT, WIDTH, samples), dtype=dtype, endpoint=True)


def turned(pixels: np.ndarray[Any, Any], orientation: int) -> np.ndarray[Any, Any]:
    """The stored picture upright, written from the table of TIFF 6.0, tag 274, not from the code under test."""
    ways: dict[int, Callable[[Any], Any]] = {
        1: lambda p: p,
        2: np.fliplr,
        3: lambda p: np.rot90(p, 2),
        4: np.flipud,
        5: lambda p: np.swapaxes(p, 0, 1),
        6: lambda p: np.rot90(p, -1),
        7: lambda p: np.rot90(np.swapaxes(p, 0, 1), 2),
        8: lambda p: np.rot90(p, 1),
    }
    return np.moveaxis(ways[orientation](pixels), -1, 0)


def check_windows(path: Path, expected: np.ndarray[Any, Any]) -> None:
    """The whole, sixteen random windows, every corner pixel and the bands all give the expected bits."""
    frame = open_frame(path)
    info, random = frame.info, np.random.default_rng(3)
    assert info.shape == Shape(*expected.shape[1:])
    assert (info.planes, info.dtype) == (expected.shape[0], expected.dtype.name)
    windows = [info.shape.whole, Window(0, 0, 1, 1), Window(info.shape.height - 1, info.shape.width - 1, 1, 1)]
    for _ in range(16):
        y, x = random.integers(0, info.shape.height), random.integers(0, info.shape.width)
        height = random.integers(1, info.shape.height - y, endpoint=True)
        width = random.integers(1, info.shape.width - x, endpoint=True)
        windows.append(Window(int(y), int(x), int(height), int(width)))
    for window in windows:
        got = frame.read(window)
        assert got.flags.c_contiguous
        assert got.dtype == expected.dtype
        assert got.tobytes() == expected[:, window.rows, window.cols].tobytes(), window
    written = np.zeros_like(expected)

    def write(window: Window, pixels: np.ndarray[Any, Any]) -> None:
        written[:, window.rows, window.cols] = pixels

    frame.decode_all(write)
    assert written.tobytes() == expected.tobytes()
    frame.close()


TIFF_KINDS: dict[str, dict[str, Any]] = {
    "tiles": {"tile": (16, 32)},
    "tiles deflate": {"tile": (32, 16), "compression": "deflate"},
    "tiles deflate predictor": {"tile": (16, 16), "compression": "deflate", "predictor": True},
    "tiles zstd planar": {"tile": (16, 16), "compression": "zstd", "planarconfig": "separate"},
    "tiles big": {"tile": (48, 48), "bigtiff": True, "compression": "lzw", "predictor": True},
    "strips": {"rowsperstrip": 7},
    "strips planar": {"rowsperstrip": 7, "planarconfig": "separate"},
    "strips big-endian": {"rowsperstrip": 11, "byteorder": ">"},
    "strips lzw": {"rowsperstrip": 7, "compression": "lzw"},
    "strips deflate predictor planar": {
        "rowsperstrip": 9, "compression": "deflate", "predictor": True, "planarconfig": "separate",
    },
    "one strip": {},
}


TIFF_CASES = [(kind, samples) for kind in TIFF_KINDS for samples in (1, 3, 4) if samples > 1 or "planar" not in kind]


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
@pytest.mark.parametrize(("kind", "samples"), TIFF_CASES)
def test_tiff_windows(tmp_path: Path, kind: str, dtype: str, samples: int) -> None:
    pixels, path = picture(dtype, samples), tmp_path / "frame.tif"
    options = TIFF_KINDS[kind]
    stored = np.moveaxis(pixels, -1, 0) if options.get("planarconfig") else np.squeeze(pixels)
    tifffile.imwrite(path, stored, photometric="rgb" if samples > 1 else "minisblack", **options)
    check_windows(path, np.moveaxis(pixels, -1, 0))


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("kind", ["tiles deflate predictor", "strips", "strips planar"])
def test_tiff_orientations(tmp_path: Path, kind: str, orientation: int) -> None:
    pixels, path = picture("uint16", 4), tmp_path / "frame.tif"
    options = TIFF_KINDS[kind]
    stored = np.moveaxis(pixels, -1, 0) if options.get("planarconfig") else pixels
    tifffile.imwrite(path, stored, photometric="rgb", extratags=[(274, 3, 1, orientation, True)], **options)
    check_windows(path, turned(pixels, orientation))


def test_half_float_tiff_is_cast_exactly(tmp_path: Path) -> None:
    pixels, path = picture("float16", 3), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", tile=(16, 16))
    check_windows(path, np.moveaxis(pixels.astype(np.float32), -1, 0))


@pytest.mark.parametrize("orientation", [1, 6])
def test_coded_strips_are_streamed_once(
    tmp_path: Path, orientation: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their windows cost whole rows, so they count as untiled; the bands follow the strips and decode each once."""
    monkeypatch.setattr(segments, "CACHE_BYTES", 2 * 8 * WIDTH * 6)
    pixels, path = picture("uint16", 3), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", compression="lzw", rowsperstrip=8,
                     extratags=[(274, 3, 1, orientation, True)])
    decoded: list[int] = []
    decode = segments.SegmentReader._decode
    monkeypatch.setattr(
        segments.SegmentReader, "_decode", lambda self, index: decoded.append(index) or decode(self, index)
    )
    frame, expected = open_frame(path), turned(pixels, orientation)
    assert not frame.info.tiled
    assert frame.info.thread_bytes == 3 * 8 * WIDTH * 6
    written, starts = np.zeros_like(expected), []

    def write(window: Window, values: np.ndarray[Any, Any]) -> None:
        written[:, window.rows, window.cols] = values
        starts.append(window.x if orientation == 6 else window.y)

    frame.decode_all(write, 16)
    frame.close()
    assert (written == expected).all()
    assert starts == list(range(0, HEIGHT, 16))
    # Turned by a quarter, 75 stored rows end at the band's edge, so one strip lies in two bands and may come twice.
    assert sorted(set(decoded)) == list(range(10))
    assert len(decoded) <= 10 + (orientation == 6) * len(starts)


@pytest.mark.parametrize("colour", ["rgb", "ycbcr"])
def test_jpeg_inside_tiff(tmp_path: Path, colour: str) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, picture("uint8", 3), photometric=colour, tile=(16, 16), compression="jpeg")
    check_windows(path, np.moveaxis(tifffile.imread(path), -1, 0))


def test_a_large_compressed_strip_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(segments, "LARGEST_SEGMENT_BYTES", 1000)
    pixels, path = picture("uint16", 3), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", compression="deflate", rowsperstrip=HEIGHT)
    frame = open_frame(path)
    assert not frame.info.tiled
    frame.close()
    check_windows(path, np.moveaxis(pixels, -1, 0))


def test_the_cache_of_segments_stays_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(segments, "CACHE_BYTES", 3 * 16 * 16 * 6)
    pixels, path = picture("uint16", 3), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", compression="deflate", tile=(16, 16))
    with tifffile.TiffFile(path) as file:
        reader = segments.SegmentReader(str(path), file.pages.first, (0, 1, 2), "uint16")
        reader.read(Window(0, 0, HEIGHT, WIDTH))
        assert sum(held.nbytes for held in reader._threads.cache.values()) <= segments.CACHE_BYTES
        assert len(reader._threads.cache) == 3
        reader.close()


def test_only_touched_segments_are_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pixels, path = picture("uint16", 3), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", compression="deflate", tile=(16, 16))
    decoded: list[int] = []
    decode = segments.SegmentReader._decode
    monkeypatch.setattr(
        segments.SegmentReader, "_decode", lambda self, index: decoded.append(index) or decode(self, index)
    )
    frame = open_frame(path)
    frame.read(Window(20, 20, 5, 20))
    frame.read(Window(20, 20, 5, 20))
    assert decoded == [8, 9]
    frame.close()


def exif_block(orientation: int) -> bytes:
    """An Exif block that holds nothing but the orientation (TIFF structure, one entry)."""
    return b"II*\0\x08\0\0\0" + struct.pack("<HHHII", 1, 274, 3, 1, orientation) + b"\0\0\0\0" + b"\0" * 8


def png_with(content: bytes, name: bytes, body: bytes) -> bytes:
    """A PNG with one chunk more, right after its header."""
    chunk = struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
    return content[:33] + chunk + content[33:]


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize(
    ("dtype", "samples"), [("uint8", 3), ("uint16", 4), ("uint16", 1), ("uint8", 2), ("uint16", 3)]
)
def test_png_windows(tmp_path: Path, dtype: str, samples: int, orientation: int) -> None:
    pixels, path = picture(dtype, samples), tmp_path / "frame.png"
    content = bytes(imagecodecs.png_encode(pixels[..., 0] if samples == 1 else pixels))
    path.write_bytes(png_with(content, b"eXIf", exif_block(orientation)))
    check_windows(path, turned(pixels, orientation))


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("samples", [1, 3])
def test_jpeg_windows(tmp_path: Path, samples: int, orientation: int) -> None:
    pixels, path = picture("uint8", samples), tmp_path / "frame.jpg"
    content = bytes(imagecodecs.jpeg8_encode(pixels[..., 0] if samples == 1 else pixels, level=90))
    body = b"Exif\0\0" + exif_block(orientation)
    path.write_bytes(content[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + content[2:])
    decoded = np.atleast_3d(imagecodecs.jpeg8_decode(content))
    check_windows(path, turned(decoded, orientation))


@pytest.mark.parametrize("half", [True, False])
@pytest.mark.parametrize("names", ["RGB", "RGBA", "Y"])
def test_openexr_windows(tmp_path: Path, names: str, half: bool) -> None:
    pixels, path = picture("float16" if half else "float32", len(names)), tmp_path / "frame.exr"
    if "A" in names:
        pixels[..., 3] = pixels[..., 3] > 0
    channels = {name: np.ascontiguousarray(pixels[..., index]) for index, name in enumerate(names)}
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with OpenEXR.File(header, channels) as file:
        file.write(str(path))
    check_windows(path, np.moveaxis(pixels.astype(np.float32), -1, 0))


# Radiance, "File Formats": the first axis named is the slow one, its sign says where the first scanline lies.
@pytest.mark.parametrize(("line", "orientation"), [
    ("-Y {0} +X {1}", 1), ("-Y {0} -X {1}", 2), ("+Y {0} -X {1}", 3), ("+Y {0} +X {1}", 4),
    ("+X {0} -Y {1}", 5), ("-X {0} -Y {1}", 6), ("-X {0} +Y {1}", 7), ("+X {0} +Y {1}", 8),
])
def test_radiance_windows(tmp_path: Path, line: str, orientation: int) -> None:
    coded = np.random.default_rng(5).integers(0, 256, (HEIGHT, WIDTH, 4), dtype=np.uint8)
    coded[..., 3] = coded[..., 3] // 8 + 120
    coded[0, 0, :2] = 9  # a scanline that starts with 2, 2 would be read as run-length coded
    coded[:, 0, 0] = 9
    coded[3, 4] = 0
    path = tmp_path / "frame.hdr"
    head = f"#?RADIANCE\nSOFTWARE=none\nFORMAT=32-bit_rle_rgbe\n\n{line.format(HEIGHT, WIDTH)}\n"
    path.write_bytes(head.encode() + coded.tobytes())
    scale = np.ldexp(np.float32(1.0), coded[..., 3:].astype(np.int32) - 136)
    expected = np.where(coded[..., 3:] > 0, coded[..., :3].astype(np.float32) * scale, np.float32(0.0))
    check_windows(path, turned(expected.astype(np.float32), orientation))


def test_threads_read_the_same_frame(tmp_path: Path) -> None:
    pixels, path = picture("uint16", 4), tmp_path / "frame.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", tile=(16, 16), compression="deflate")
    frame, expected = open_frame(path), np.moveaxis(pixels, -1, 0)

    def right(y: int) -> bool:
        window = Window(y, 3 * y % 50, 20, 50)
        return frame.read(window).tobytes() == expected[:, window.rows, window.cols].tobytes()

    with ThreadPoolExecutor(4) as threads:
        assert all(threads.map(right, list(range(50)) * 4))
    frame.close()


def test_windows_outside_the_picture_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, picture("uint8", 3), photometric="rgb")
    frame = open_frame(path)
    for window in (Window(0, 0, 0, 5), Window(-1, 0, 5, 5), Window(0, WIDTH - 1, 2, 2)):
        with pytest.raises(ValueError, match="window"):
            frame.read(window)
    frame.close()
