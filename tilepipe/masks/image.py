"""A mask that is a grey picture of any size, laid over the whole base frame."""

from __future__ import annotations

import functools
import hashlib
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, PrivateAttr

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.errors import RecipeError
from tilepipe.formats.frame import Frame
from tilepipe.formats.opening import open_frame
from tilepipe.geometry import Shape, Window
from tilepipe.masks.mask import IDENTITY, MOST_SAMPLES, Lie, Mask

IMAGE = Kernel(
    "mask_image", 0, 1, header="image.h",
    params="double m[9]; int samples; Plane source; double across, down; float scale;",
)
_WORTH = {"uint8": 1.0 / 255.0, "uint16": 1.0 / 65535.0, "float32": 1.0}
_BAND_PX = 512


def over_base(device: Any, lie: Lie, read: Any, shape: Shape, worth: float, tile: Tile, wanted: Window) -> Any:
    """float32 `(height, width)` of `wanted` from a grey picture of size `shape` that covers the base frame.

    `read(window)` gives float32 `(height, width)` of a window of it; `worth` is what the value 1 in it stands for.
    """
    across, down = shape.width / lie.base.width, shape.height / lie.base.height
    window = _window(lie, shape, across, down, wanted)
    codes = device.upload(np.ascontiguousarray(read(window)))
    array = device.empty((wanted.height, wanted.width))
    finer = max(across, down) * lie.scale
    samples = min(max(math.ceil(finer - 1e-6), lie.samples, 1), MOST_SAMPLES)
    device.launch(
        IMAGE, [], [device.plane(array, wanted, tile.picture)], m=lie.parameters["m"], samples=samples,
        source=device.plane(codes, window, shape), across=across, down=down, scale=worth,
    )
    del codes
    return array


def _window(lie: Lie, shape: Shape, across: float, down: float, wanted: Window) -> Window:
    """The pixels of the grey picture that `wanted` may read."""
    found = []
    for y in (wanted.y - 0.5, wanted.y_end - 0.5):
        for x in (wanted.x - 0.5, wanted.x_end - 0.5):
            u, v, w = exact.matrix_vector(lie.from_here, (x, y, 1.0))
            found.append(((u / w + 0.5) * across - 0.5, (v / w + 0.5) * down - 0.5))
    xs = [min(max(math.floor(u), 0), shape.width - 1) for u, _ in found]
    ys = [min(max(math.floor(v), 0), shape.height - 1) for _, v in found]
    return Window.between(min(ys) - 1, min(xs) - 1, max(ys) + 3, max(xs) + 3).cut(shape)


@functools.lru_cache(maxsize=16)
def _opened(path: str, changed: int, size: int) -> Frame:
    """The picture's file, opened once as long as it stays what it is."""
    return open_frame(path)


@functools.lru_cache(maxsize=16)
def _pixels(path: str, changed: int, size: int) -> Any:
    """The whole picture `(height, width)`, for files that cannot be read by windows."""
    frame = _opened(path, changed, size)
    whole = np.empty((frame.info.shape.height, frame.info.shape.width), frame.info.dtype)

    def keep(window: Window, codes: Any) -> None:
        whole[window.rows, window.cols] = codes[0]

    frame.decode_all(keep, _BAND_PX)
    return whole


@functools.lru_cache(maxsize=64)
def _digest(path: str, changed: int, size: int) -> str:
    """Of the decoded values: what the mask depends on, whatever the file is called and however it is packed."""
    frame = _opened(path, changed, size)
    shape, found = frame.info.shape, hashlib.blake2b(digest_size=32)
    found.update(f"{shape.height} {shape.width} {frame.info.dtype}".encode())
    for y in range(0, shape.height, _BAND_PX):
        band = Window(y, 0, min(_BAND_PX, shape.height - y), shape.width)
        codes = np.ascontiguousarray(_read(path, changed, size, band))
        found.update(codes.astype(codes.dtype.newbyteorder("<"), copy=False).tobytes())
    return found.hexdigest()


def _read(path: str, changed: int, size: int, window: Window) -> Any:
    frame = _opened(path, changed, size)
    if frame.info.tiled:
        return frame.read(window)[0]
    return _pixels(path, changed, size)[window.rows, window.cols]


class Image(Mask):
    """A grey picture over the whole base frame: white where the step applies, black where it does not."""

    name: ClassVar[str] = "image"

    file: Path = Field(description="A grey TIFF or PNG of the base frame's shape and any size; its values count as stored.")

    _folder: Path = PrivateAttr(default=Path())
    _address: str = PrivateAttr(default="")

    def found_in(self, folder: Path, address: str = "") -> Image:
        """The same mask, its file relative to `folder`; `address` is where faults say that it stands.

        Raises InputError for a file that cannot be read, RecipeError for one that is not grey.
        """
        known = self._copied()
        known._folder, known._address = folder, address
        info = known._frame().info
        if info.kind != "grey":
            raise RecipeError(
                "is not a grey picture", address, found=f"{self.file}: {info.kind}",
                allowed="a picture of one channel", next_step="save it as greyscale, 8 or 16 bits",
            )
        return known

    def _key(self) -> tuple[str, int, int]:
        path = os.path.join(self._folder, self.file)
        try:
            told = os.stat(path)
        except OSError:
            return path, 0, 0
        return path, told.st_mtime_ns, told.st_size

    def _frame(self) -> Frame:
        return _opened(*self._key())

    def located(self, base: Shape, to_here: Any = IDENTITY) -> Image:
        """Raises RecipeError where the picture's shape is not the base frame's."""
        shape = self._frame().info.shape
        apart = abs(shape.width * base.height - shape.height * base.width)
        if apart > max(base.height + base.width, shape.height + shape.width):  # more than rounding to whole pixels
            raise RecipeError(
                "the mask's picture has another shape than the base frame", self._address or str(self.file),
                found=f"{shape}, {shape.width / shape.height:.4f} to 1",
                allowed=f"any size of shape {base.width / base.height:.4f} to 1, as the base frame's {base}",
                next_step="make it from the base frame, before cropping or turning",
            )
        return super().located(base, to_here)

    def scratch_bytes(self, wanted: Window) -> int:
        info = self._frame().info
        held = 0 if info.tiled else info.shape.pixels * info.pixel_bytes
        return 8 * wanted.pixels + held

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        key, info = self._key(), self._frame().info

        def read(window: Window) -> Any:
            return _read(*key, window).astype(np.float32)

        return over_base(device, self.lie(tile.picture), read, info.shape, _WORTH[info.dtype], tile, wanted)

    def _own_parameters(self) -> dict[str, Any]:
        return {"pixels": _digest(*self._key())}
