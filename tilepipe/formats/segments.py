"""Reads windows of one TIFF page by decoding only the strips or tiles they touch."""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from typing import Any

import numpy as np
import numpy.typing as npt
from tifffile import TiffPage

from tilepipe.errors import InputError
from tilepipe.geometry import Grid, Shape, Window

Array = npt.NDArray[Any]
CACHE_BYTES = 32 << 20  # per reading thread; chosen here: a row of twenty 512² tiles of 16-bit RGB
LARGEST_SEGMENT_BYTES = 64 << 20  # larger compressed segments are no windows: the picture is then decoded once


class FileBytes:
    """Reads of `(offset, length)` from one open file, safe from many threads."""

    def __init__(self, path: str) -> None:
        self._file = open(path, "rb", buffering=0)  # noqa: SIM115 - closed by close()
        self._lock = threading.Lock()

    def read(self, offset: int, length: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self._file.fileno(), length, offset)
        with self._lock:
            self._file.seek(offset)
            return self._file.read(length)

    def close(self) -> None:
        self._file.close()


class SegmentReader:
    """The samples of one page as planes; `chosen` lists which samples, in which order, become planes."""

    def __init__(self, path: str, page: TiffPage, chosen: tuple[int, ...], dtype: str) -> None:
        self.path, self._page, self._chosen, self._dtype = path, page, chosen, np.dtype(dtype)
        self._threads = threading.local()
        self._separate = page.planarconfig == 2 and page.samplesperpixel > 1
        self._samples = 1 if self._separate else page.samplesperpixel
        picture = Shape(page.imagelength, page.imagewidth)
        rows = page.tilelength if page.is_tiled else min(page.rowsperstrip, page.imagelength)
        self._grid = Grid(picture, rows, page.tilewidth if page.is_tiled else page.imagewidth)
        self._tables, self._decode_segment = page.jpegtables, page.decode
        self._stored_dtype = np.dtype(page.dtype).newbyteorder(page.parent.byteorder)
        self._whole_bytes = self.segment_bytes * len(self._grid) * (page.samplesperpixel if self._separate else 1)
        self._file = FileBytes(path)

    @property
    def segment_bytes(self) -> int:
        """Size of one decoded segment."""
        return self._grid.tile_height * self._grid.tile_width * self._samples * self._stored_dtype.itemsize

    @property
    def plain_rows(self) -> bool:
        """True when strips hold bare rows of samples, so that any part of a row can be read by its offset."""
        page = self._page
        plain = page.compression == 1 and page.predictor == 1 and page.fillorder == 1
        return plain and not page.is_tiled and page.bitspersample == self._stored_dtype.itemsize * 8

    @property
    def small_segments(self) -> bool:
        """True when windows can be read without decoding the whole picture."""
        return self.plain_rows or self.segment_bytes <= LARGEST_SEGMENT_BYTES

    @property
    def by_windows(self) -> bool:
        """True when a window costs little more than its pixels; coded strips always cost whole rows."""
        return self.small_segments and (self.plain_rows or self._page.is_tiled)

    @property
    def thread_bytes(self) -> int:
        """The most that one reading thread keeps between reads, and needs for one segment more."""
        return 0 if self.plain_rows else min(CACHE_BYTES, self._whole_bytes) + self.segment_bytes

    def missing_bytes(self) -> int:
        """How many bytes the file lacks at its end for all segments to be there."""
        pairs = zip(self._page.dataoffsets, self._page.databytecounts, strict=True)
        return max(0, max((offset + count for offset, count in pairs), default=0) - os.path.getsize(self.path))

    def missing_segments(self) -> int:
        wanted = len(self._grid) * (self._page.samplesperpixel if self._separate else 1)
        return max(0, wanted - len(self._page.dataoffsets))

    def read(self, window: Window) -> Array:
        """`(planes, height, width)` of a window inside the picture, in stored orientation."""
        pixels = np.empty((len(self._chosen), window.height, window.width), self._dtype)
        for plane, sample in enumerate(self._chosen) if self._separate else ():
            self._fill(pixels[plane : plane + 1], window, sample * len(self._grid), (0,))
        if not self._separate:
            self._fill(pixels, window, 0, self._chosen)
        return pixels

    def close(self) -> None:
        self._file.close()
        self._threads = threading.local()

    def _fill(self, planes: Array, window: Window, first: int, samples: tuple[int, ...]) -> None:
        for index in self._grid.touching(window):
            segment = self._grid[index]
            part = segment.intersection(window)
            content = self._rows(first + index, segment, part) if self.plain_rows else self._decoded(first + index)
            rows, cols = part.within(part if self.plain_rows else segment)
            target_rows, target_cols = part.within(window)
            try:
                for plane, sample in enumerate(samples):
                    planes[plane, target_rows, target_cols] = content[rows, cols, sample]
            except (IndexError, ValueError) as error:
                raise self._damaged(first + index, f"it decodes to {content.shape}") from error

    def _rows(self, index: int, segment: Window, part: Window) -> Array:
        """The part of an uncompressed strip, row by row (in one read where rows are whole)."""
        pixel_bytes = self._samples * self._stored_dtype.itemsize
        row_bytes, start = segment.width * pixel_bytes, self._page.dataoffsets[index]
        if start == 0 or self._page.databytecounts[index] == 0:
            return np.zeros((part.height, part.width, self._samples), self._stored_dtype)
        first = start + (part.y - segment.y) * row_bytes + part.x * pixel_bytes
        if part.width == segment.width:
            content = self._file.read(first, part.height * row_bytes)
        else:
            starts = range(first, first + part.height * row_bytes, row_bytes)
            content = b"".join(self._file.read(at, part.width * pixel_bytes) for at in starts)
        if len(content) != part.pixels * pixel_bytes:
            raise self._damaged(index, "the file ends inside it")
        return np.frombuffer(content, self._stored_dtype).reshape(part.height, part.width, self._samples)

    def _decoded(self, index: int) -> Array:
        cache: OrderedDict[int, Array] | None = getattr(self._threads, "cache", None)
        if cache is None:
            cache = self._threads.cache = OrderedDict()
        if index in cache:
            cache.move_to_end(index)
            return cache[index]
        segment = self._decode(index)
        room = CACHE_BYTES - segment.nbytes
        while cache and sum(held.nbytes for held in cache.values()) > room:
            cache.popitem(last=False)
        if room >= 0:
            cache[index] = segment
        return segment

    def _decode(self, index: int) -> Array:
        count = self._page.databytecounts[index]
        content = self._file.read(self._page.dataoffsets[index], count) if count else None
        try:
            segment, _, shape = self._decode_segment(content, index, jpegtables=self._tables)
        except Exception as error:  # each codec has its own error class
            raise self._damaged(index, str(error)) from error
        if segment is None:
            return np.zeros(shape[1:], self._dtype)
        pixels: Array = np.asarray(segment)[0]
        return pixels

    def _damaged(self, index: int, reason: str) -> InputError:
        return InputError(
            f"strip or tile {index} cannot be decoded", self.path, found=reason,
            allowed="a complete file", next_step="copy or export the file again",
        )
