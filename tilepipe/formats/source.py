"""What all readers share: upright windows over stored ones, whole pictures read by window, and the finite check."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.errors import InputError
from tilepipe.formats.frame import Frame, FrameInfo
from tilepipe.formats.upright import stored_window, turn_upright, upright_shape
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
BAND_BYTES = 16 << 20  # chosen here: large enough to stream well, small beside any memory budget


class UprightFrame:
    """A frame whose pixels come from `read_stored(window) -> (planes, height, width)` in stored orientation."""

    def __init__(self, info: FrameInfo, read_stored: Callable[[Window], Array], close: Callable[[], None]) -> None:
        self.info = info
        self._stored = upright_shape(info.shape, info.orientation)
        self.read_stored = read_stored
        self._close = close

    def read(self, window: Window) -> Array:
        """The raw code values of `window`; raises ValueError unless it lies inside the picture and holds a pixel."""
        if window.height < 1 or window.width < 1 or not self.info.shape.whole.contains(window):
            raise ValueError(f"window {window} is empty or not inside the picture of {self.info.shape}")
        stored = stored_window(window, self._stored, self.info.orientation)
        return turn_upright(self.read_stored(stored), self.info.orientation)

    def decode_all(self, write: Callable[[Window, Array], None], band_px: int | None = None) -> None:
        """Hands the whole picture to `write`, each pixel once, in bands that begin at multiples of `band_px`."""
        standing = not self.info.tiled and self._stored != self.info.shape
        for window in bands(self.info, band_px, standing=standing):
            write(window, self.read(window))

    def close(self) -> None:
        self._close()

    def __enter__(self) -> UprightFrame:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class WholePicture:
    """Pixels that can only be decoded all at once: decoded at the first read, kept until closed."""

    def __init__(self, decode: Callable[[], Array], info: FrameInfo) -> None:
        self._decode = decode
        self._info = info
        self._lock = threading.Lock()
        self._pixels: Array | None = None

    def read(self, window: Window) -> Array:
        return self._whole()[:, window.rows, window.cols]

    def close(self) -> None:
        with self._lock:
            self._pixels = None

    def _whole(self) -> Array:
        with self._lock:
            if self._pixels is None:
                self._pixels = self._checked(self._decode())
            return self._pixels

    def _checked(self, pixels: Array) -> Array:
        stored = upright_shape(self._info.shape, self._info.orientation)
        expected = (self._info.planes, stored.height, stored.width)
        if pixels.shape != expected or pixels.dtype.name != self._info.dtype:
            raise InputError(
                "the decoder gave another picture than the file announces", self._info.path,
                found=f"{pixels.dtype.name} {pixels.shape}", allowed=f"{self._info.dtype} {expected}",
                next_step="the file is damaged or unusual: save it again as TIFF or PNG",
            )
        if pixels.dtype.kind == "f":
            _refuse_nonfinite(pixels, stored, self._info)
        return pixels


def whole_frame(info: FrameInfo, decode: Callable[[], Array], close: Callable[[], None] = lambda: None) -> UprightFrame:
    """A frame over a picture that can only be decoded all at once, in stored orientation."""
    picture = WholePicture(decode, info)

    def close_both() -> None:
        picture.close()
        close()

    return UprightFrame(info, picture.read, close_both)


def decode_bytes(picture_bytes: int, other_bytes: int = 0) -> int:
    """What `decode_all` holds: the picture, what the decoder needs beside it, a band being read, turned, written."""
    return picture_bytes + other_bytes + 3 * BAND_BYTES


def bands(info: FrameInfo, band_px: int | None = None, *, standing: bool = False) -> list[Window]:
    """Windows `band_px` high over the full width (or as wide, over the full height); about `BAND_BYTES` by default."""
    height, width = info.shape.height, info.shape.width
    step = band_px or max(1, BAND_BYTES // max(1, (height if standing else width) * info.pixel_bytes))
    if standing:
        return [Window(0, x, height, min(step, width - x)) for x in range(0, width, step)]
    return [Window(y, 0, min(step, height - y), width) for y in range(0, height, step)]


def count_nonfinite(frame: Frame) -> tuple[int, tuple[int, int] | None]:
    """How many values of the frame are NaN or infinite, and the first such pixel `(y, x)` in reading order."""
    count, first = 0, None
    if frame.info.dtype != "float32":
        return 0, None
    for window in bands(frame.info):
        bad = ~np.isfinite(frame.read(window))
        found = int(np.count_nonzero(bad))
        if found and first is None:
            y, x = divmod(int(np.flatnonzero(bad.any(axis=0))[0]), window.width)
            first = (window.y + y, window.x + x)
        count += found
    return count, first


def nonfinite_error(path: str, count: int, first: tuple[int, int]) -> InputError:
    """The error for a float picture with NaN or infinite values."""
    return InputError(
        "not every value is a finite number", path, allowed="finite numbers only",
        found=f"{count} NaN or infinite value{'s' * (count != 1)}, the first at y={first[0]}, x={first[1]}",
        next_step="save the picture again without them; pixels that hold nothing belong in an alpha channel of 0",
    )


def _refuse_nonfinite(pixels: Array, stored: Shape, info: FrameInfo) -> None:
    finite = UprightFrame(info, lambda window: pixels[:, window.rows, window.cols], lambda: None)
    count, first = count_nonfinite(finite)
    if first is not None:
        raise nonfinite_error(info.path, count, first)
