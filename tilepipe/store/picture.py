"""Working pictures: planar zarr v3 arrays `(plane, y, x)`, read by any window, written in whole chunks by one owner each."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import zarr

from tilepipe.errors import StoreError
from tilepipe.geometry import Grid, Shape, Window

Array = npt.NDArray[Any]
CHUNK_PX = 512
# One thread inside the codecs: parallel are the tiles. The Rust pipeline reads and writes 2–4 times faster here.
zarr.config.set({"threading.max_workers": 1, "codec_pipeline.path": "zarrs.ZarrsCodecPipeline"})


class Picture(Protocol):
    """Anything that holds the pixels of one picture: a zarr store or an array in memory."""

    @property
    def shape(self) -> Shape: ...

    @property
    def planes(self) -> tuple[str, ...]: ...

    def read(self, window: Window) -> Array:
        """The pixels `(plane, y, x)` of a window inside the picture."""

    def write(self, window: Window, pixels: Array) -> None:
        """Stores the pixels of one tile."""


@dataclass(frozen=True)
class MemoryPicture:
    """A picture held in memory as `(plane, y, x)`, strided views welcome."""

    array: Array
    planes: tuple[str, ...]

    @property
    def shape(self) -> Shape:
        return Shape(*self.array.shape[1:])

    def read(self, window: Window) -> Array:
        return self.array[:, window.rows, window.cols]

    def write(self, window: Window, pixels: Array) -> None:
        self.array[:, window.rows, window.cols] = pixels


def chunk_for(tile_px: int) -> int:
    """The chunk side of a store whose tiles have this side: whole chunks belong to one tile."""
    return CHUNK_PX if tile_px % CHUNK_PX == 0 else tile_px


class StoredPicture:
    """A working picture on disk: uncompressed chunks of all planes (sensor noise does not compress)."""

    def __init__(self, folder: Path, array: zarr.Array[Any]) -> None:
        self.folder, self._array = folder, array
        self.planes: tuple[str, ...] = tuple(str(name) for name in array.attrs["planes"])  # type: ignore[union-attr]
        self.shape = Shape(array.shape[1], array.shape[2])
        self.dtype = np.dtype(array.dtype)
        self.chunk = Shape(array.chunks[1], array.chunks[2])

    @classmethod
    def create(
        cls, folder: Path, shape: Shape, planes: tuple[str, ...], dtype: npt.DTypeLike, chunk: Shape
    ) -> StoredPicture:
        """A new, empty picture; an existing one in this place is replaced."""
        array = zarr.create_array(
            str(folder), shape=(len(planes), shape.height, shape.width),
            chunks=(len(planes), min(chunk.height, shape.height), min(chunk.width, shape.width)),
            dtype=np.dtype(dtype), compressors=None, filters=None, fill_value=0, zarr_format=3, overwrite=True,
            attributes={"planes": list(planes)}, config={"write_empty_chunks": True},
        )
        return cls(folder, array)

    @classmethod
    def open(cls, folder: Path) -> StoredPicture:
        try:
            return cls(folder, zarr.open_array(str(folder), mode="r+", config={"write_empty_chunks": True}))
        except (OSError, KeyError, ValueError) as cause:
            raise StoreError(
                "the working picture cannot be opened", where=str(folder), found=str(cause),
                next_step="delete this folder; the run makes it anew",
            ) from cause

    def read(self, window: Window) -> Array:
        try:
            return np.asarray(self._array[:, window.rows, window.cols])
        except RuntimeError as cause:  # what the codecs say of a chunk that is cut short
            raise StoreError(
                "the working picture is damaged", where=str(self.folder.parent), found=str(cause),
                next_step="delete this folder; the run makes it anew",
            ) from cause

    def write(self, window: Window, pixels: Array) -> None:
        self._array[:, window.rows, window.cols] = pixels

    def chunk_files(self, window: Window) -> Iterator[Path]:
        """The files that hold a window's chunks."""
        grid = Grid(self.shape, self.chunk.height, self.chunk.width)
        for index in grid.touching(window):
            row, col = divmod(index, grid.cols)
            yield self.folder / "c" / "0" / str(row) / str(col)


def sync_file(path: Path) -> None:
    """Waits until a file or folder is on the disk itself."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
