"""Writes tiled BigTIFF files with reduced copies inside, their tiles packed by many tasks and appended in order."""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import numpy.typing as npt
from tifffile import TiffFile

from tilepipe.formats.write_deflate import deflated
from tilepipe.formats.write_directory import (
    LONG,
    LONG8,
    SHORT,
    Entry,
    directory_bytes,
    numbers,
    rationals,
    text,
    undefined,
)
from tilepipe.formats.write_exif import EXIF_POINTER, ShotTags
from tilepipe.geometry import Grid, Shape, Window

Array = npt.NDArray[Any]
TILE_PX = 512  # chosen here: a canonical region is a tile
_GRAIN_PX = 16  # TIFF 6.0, section 15: a tile's sides are multiples of it
_HEADER = struct.pack("<2sHHHQ", b"II", 43, 8, 0, 0)
_FIRST_DIRECTORY = 8  # where the header names the first directory
_DEFLATE, _RGB, _CONTIGUOUS, _UNASSOCIATED = 8, 2, 1, 2  # TIFF 6.0; deflate: Adobe Photoshop TIFF Technical Notes
_REDUCED = 1  # NewSubfileType: a reduced copy of another picture of this file
_PIXELS_PER_INCH = 300  # chosen here: TIFF 6.0 asks for a resolution of RGB files; it means nothing for the pixels


@dataclass(frozen=True)
class TiffForm:
    """What all pictures of one file share: values per pixel (the fourth is coverage) and their type."""

    samples: int
    dtype: str

    @property
    def predictor(self) -> int:
        """2: horizontal differences (TIFF 6.0); 3: of floating point bytes (Technical Note 3)."""
        return 3 if np.dtype(self.dtype).kind == "f" else 2

    def segment(self, codes: Array, picture: Shape) -> bytes:
        """One tile of a picture of this size, compressed: planar `(samples, height, width)`, filled up with zeros."""
        size = tile_shape(picture)
        tile = np.zeros((size.height, size.width, self.samples), np.dtype(self.dtype).newbyteorder("<"))
        for sample, plane in enumerate(codes):  # plane by plane: three times as fast as one transposed copy
            tile[: plane.shape[0], : plane.shape[1], sample] = plane
        encode = imagecodecs.floatpred_encode if self.predictor == 3 else imagecodecs.delta_encode
        return deflated(np.ascontiguousarray(encode(tile, axis=-2)))


@dataclass(frozen=True)
class Labels:
    """What a file says of itself beside its pixels."""

    description: str
    space: str
    profile: bytes
    shot: ShotTags


def tile_shape(picture: Shape) -> Shape:
    """The tiles of a picture: 512 × 512 px, less where it is smaller itself: some readers refuse it otherwise."""
    height, width = (-(-min(side, TILE_PX) // _GRAIN_PX) * _GRAIN_PX for side in (picture.height, picture.width))
    return Shape(height, width)


def tiles_of(window: Window) -> list[Window]:
    """The tiles of a window of whole tiles, row by row."""
    return [
        Window(window.y + part.y, window.x + part.x, part.height, part.width)
        for part in Grid(window.shape, TILE_PX, TILE_PX)
    ]


def tile_index(tile: Window, shape: Shape) -> int:
    """The number of a tile in its picture."""
    return tile.y // TILE_PX * Grid(shape, TILE_PX, TILE_PX).cols + tile.x // TILE_PX


class BigTiff:
    """A BigTIFF file being written: tiles as they come, then the directories, the header's pointer last of all."""

    def __init__(self, file: BinaryIO, form: TiffForm, shapes: Sequence[Shape]) -> None:
        self._file, self._form, self._shapes = file, form, tuple(shapes)
        counts = [len(Grid(shape, TILE_PX, TILE_PX)) for shape in shapes]
        self._offsets = [np.zeros(count, np.uint64) for count in counts]
        self._sizes = [np.zeros(count, np.uint64) for count in counts]
        self._at = file.write(_HEADER)

    def put(self, level: int, tiles: Sequence[Window], segments: Sequence[bytes]) -> None:
        """Appends compressed tiles of one of the pictures."""
        for tile, segment in zip(tiles, segments, strict=True):
            index = tile_index(tile, self._shapes[level])
            self._offsets[level][index], self._sizes[level][index] = self._at, len(segment)
            self._append(segment)

    def finish(self, labels: Labels) -> None:
        """Writes the directories; only then the file is one."""
        missing = sum(int((sizes == 0).sum()) for sizes in self._sizes)
        if missing:
            raise ValueError(f"{missing} tiles were not written")
        exif = self._directory(labels.shot.exif_directory(labels.space))
        reduced = [self._directory(self._pixels(level)) for level in range(1, len(self._shapes))]
        entries = [
            *self._pixels(0), *labels.shot.first_directory(), text(270, labels.description),
            rationals(282, (_PIXELS_PER_INCH, 1)), rationals(283, (_PIXELS_PER_INCH, 1)), numbers(296, SHORT, 2),
            undefined(34675, labels.profile), numbers(EXIF_POINTER, LONG8, exif),
        ]
        if reduced:
            entries.append(numbers(330, LONG8, *reduced))
        first = self._directory(entries)
        self._file.seek(_FIRST_DIRECTORY)
        self._file.write(struct.pack("<Q", first))
        self._file.flush()

    def _pixels(self, level: int) -> list[Entry]:
        shape, form = self._shapes[level], self._form
        tile = tile_shape(shape)
        bits, kind = np.dtype(form.dtype).itemsize * 8, 3 if form.predictor == 3 else 1
        entries = [
            numbers(254, LONG, _REDUCED if level else 0),
            numbers(256, LONG, shape.width), numbers(257, LONG, shape.height),
            numbers(258, SHORT, *[bits] * form.samples), numbers(259, SHORT, _DEFLATE), numbers(262, SHORT, _RGB),
            numbers(277, SHORT, form.samples), numbers(284, SHORT, _CONTIGUOUS), numbers(317, SHORT, form.predictor),
            numbers(322, LONG, tile.width), numbers(323, LONG, tile.height),
            numbers(339, SHORT, *[kind] * form.samples),
            _table(324, self._offsets[level]), _table(325, self._sizes[level]),
        ]
        return [*entries, numbers(338, SHORT, _UNASSOCIATED)] if form.samples == 4 else entries

    def _directory(self, entries: Sequence[Entry]) -> int:
        self._append(b"\0" * (self._at % 2))
        at = self._at
        self._append(directory_bytes(entries, at, big=True))
        return at

    def _append(self, content: bytes) -> None:
        self._at += self._file.write(content)


def _table(tag: int, values: npt.NDArray[np.uint64]) -> Entry:
    return Entry(tag, LONG8, len(values), values.astype("<u8").tobytes())


class TiffCheck:
    """A file that was just written, opened again by another library's reader of its structure."""

    def __init__(self, path: Path) -> None:
        self._file = TiffFile(path)
        self._handle = os.open(path, os.O_RDONLY)
        first = self._file.pages.first
        self.pages: list[Any] = [first, *(first.pages or ())]

    def close(self) -> None:
        os.close(self._handle)
        self._file.close()

    @property
    def profile(self) -> bytes:
        """The embedded ICC profile."""
        return bytes(self.pages[0].tags.valueof(34675) or b"")

    def shape(self, level: int) -> Shape:
        """The size of one of the pictures."""
        return Shape(self.pages[level].imagelength, self.pages[level].imagewidth)

    def codes(self, level: int, tile: Window) -> Array:
        """One tile's values, planar `(samples, height, width)`; safe from any thread."""
        page = self.pages[level]
        index = tile_index(tile, self.shape(level))
        packed = os.pread(self._handle, page.databytecounts[index], page.dataoffsets[index])
        values: Array = page.decode(packed, index)[0]
        return np.ascontiguousarray(values[0, : tile.height, : tile.width].transpose(2, 0, 1))
