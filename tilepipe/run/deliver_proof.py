"""Writes and checks one PNG or JPEG deliverable, reduced in linear light where the recipe asks for a smaller one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tilepipe.colour.deliverable import icc_profile
from tilepipe.device.tile import Tile
from tilepipe.digest import BLOCK_PX, block_digests, block_places, picture_digest, regions_of_blocks, root_digest
from tilepipe.formats import write_jpeg, write_png
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.recipe.deliver import Deliverable
from tilepipe.run.deliver_order import run_in_order
from tilepipe.run.deliver_written import Written, refuse_differing
from tilepipe.stages.resize import Resize
from tilepipe.store.pyramid_store import level_count
from tilepipe.units import Length

if TYPE_CHECKING:
    from tilepipe.run.deliver_source import Array, Source

BAND_PX = 1 << 20  # chosen here: a band of rows to be packed has about this many pixels
Blocks = dict[tuple[int, int], bytes]


def write_png_file(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes a PNG file under the name `path` and reads it back; returns its size and digest."""
    reduction = Reduction.of(item, source.shape)
    shape = reduction.shape
    form = write_png.PngForm(shape, len(source.planes), item.bits)
    profile, exif = icc_profile(item.space), source.shot.block(item.space)
    rows = list(Grid(shape, _band_rows(shape), shape.width))
    found: Blocks = {}

    def make(number: int) -> write_png.Band:
        codes = _coded_rows(source, item, reduction, rows[number])
        found.update(zip(block_places(rows[number]), block_digests(codes, rows[number], shape), strict=True))
        return write_png.packed_band(form, codes, last=number == len(rows) - 1)

    with path.open("wb") as file:
        png = write_png.PngFile(file, form, profile, exif)
        run_in_order(
            source.run.engine, f"write {item.file_name}", len(rows), make,
            lambda number, band: png.put(band, last=number == len(rows) - 1),
        )
    source.run.engine.run_bag(f"check {item.file_name}", [0], lambda _: _check_png(path, form, found, item, profile))
    root = root_digest(regions_of_blocks(found, shape), shape, form.samples, f"uint{item.bits}")
    return Written(path.stat().st_size, root, shape)


def _check_png(path: Path, form: write_png.PngForm, found: Blocks, item: Deliverable, profile: bytes) -> None:
    before, bands = write_png.read_back(path, form)
    refuse_differing(item, before[b"IHDR"] == form.header(), "the header")
    refuse_differing(item, write_png.profile_of(before) == profile, "the profile")
    for window, codes in _placed(bands, form.shape):
        for place, digest in zip(block_places(window), block_digests(codes, window, form.shape), strict=True):
            refuse_differing(item, digest == found[place], f"block {place}")


def _placed(bands: Iterator[Array], shape: Shape) -> Iterator[tuple[Window, Array]]:
    y = 0
    for codes in bands:
        yield Window(y, 0, codes.shape[1], shape.width), codes
        y += codes.shape[1]


def _band_rows(shape: Shape) -> int:
    """Rows of a band: whole blocks."""
    return max(BAND_PX // shape.width // BLOCK_PX, 1) * BLOCK_PX


def _coded_rows(source: Source, item: Deliverable, reduction: Reduction, rows: Window) -> Array:
    codes = np.empty((len(source.planes), rows.height, rows.width), f"uint{item.bits}")
    for part in Grid(rows.shape, *reduction.read_tile):
        window = Window(rows.y + part.y, part.x, part.height, part.width)
        codes[:, part.rows, part.cols] = source.codes(item, reduction.tile(source, window))
    return codes


def write_jpeg_file(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes a JPEG file under the name `path` and reads it back; its digest is of the pixels that it gives."""
    reduction = Reduction.of(item, source.shape)
    shape = reduction.shape
    rows = list(Grid(shape, _band_rows(shape), shape.width))
    pixels = np.empty((shape.height, shape.width, 3), np.uint8)

    def fill(number: int) -> None:
        window = rows[number]
        pixels[window.rows] = _coded_rows(source, item, reduction, window)[:3].transpose(1, 2, 0)

    source.run.engine.run_bag(f"write {item.file_name}", range(len(rows)), fill)
    content = write_jpeg.encoded(pixels, item.quality or 92, icc_profile(item.space), source.shot.block(item.space))
    path.write_bytes(content)
    again = path.read_bytes()
    refuse_differing(item, again == content, "its bytes")
    given = write_jpeg.decoded(again)
    refuse_differing(item, given.shape == pixels.shape, "the picture's size")
    return Written(len(content), picture_digest(np.ascontiguousarray(given.transpose(2, 0, 1))), shape)


@dataclass(frozen=True)
class Reduction:
    """How a proof is made of a picture: from which of its levels, by which stage (None: as it is), to which size."""

    level: int
    stage: Resize | None
    shape: Shape

    @classmethod
    def of(cls, item: Deliverable, picture: Shape) -> Reduction:
        """From the last level that is at least twice as large, so that its boxes do not show; never an enlargement."""
        if item.long_side_px is None or item.long_side_px >= max(picture.height, picture.width):
            return cls(0, None, picture)
        level = max(level_count(picture, 2 * item.long_side_px - 1) - 1, 0)
        stage = Resize(long_side=Length(item.long_side_px, "px"))
        return cls(level, stage, stage.output_shape(picture.halved(level)))

    @property
    def read_tile(self) -> tuple[int, int]:
        """Height and width of what is made at once: up to four times as many pixels on a side are read for it."""
        return (256, 512) if self.stage else (512, 2048)

    def tile(self, source: Source, window: Window) -> Tile:
        """The light of a window of the proof, float32."""
        if self.stage is None:
            return source.tile(self.level, window)
        given = source.tile(self.level, self.stage.input_window(window, source.levels[self.level].shape, {}))
        return self.stage.run(source.run.device, given, window, {})
