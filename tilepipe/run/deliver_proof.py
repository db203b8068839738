"""Writes and checks one PNG or JPEG deliverable, reduced in linear light where the recipe asks for a smaller one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tilepipe.colour.deliverable import icc_profile
from tilepipe.digest import BLOCK_PX, block_digests, block_places, picture_digest, regions_of_blocks, root_digest
from tilepipe.formats import write_jpeg, write_png
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.recipe.deliver import Deliverable
from tilepipe.run.deliver_order import run_in_order
from tilepipe.run.deliver_written import Written, refuse_differing
from tilepipe.store.pyramid_store import fitted_shape, level_count

if TYPE_CHECKING:
    from tilepipe.run.deliver_source import Array, Source

BAND_PX = 1 << 20  # chosen here: a band of rows to be packed has about this many pixels
READ_COLS = 2048
Blocks = dict[tuple[int, int], bytes]


def write_png_file(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes a PNG file under the name `path` and reads it back; returns its size and digest."""
    shape = proof_shape(item, source.shape)
    form = write_png.PngForm(shape, len(source.planes), item.bits)
    profile, exif = icc_profile(item.space), source.shot.block(item.space)
    rows = list(Grid(shape, _band_rows(shape), shape.width))
    found: Blocks = {}

    def make(number: int) -> write_png.Band:
        codes = _coded_rows(source, item, rows[number], shape)
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


def _coded_rows(source: Source, item: Deliverable, rows: Window, shape: Shape) -> Array:
    codes = np.empty((len(source.planes), rows.height, rows.width), f"uint{item.bits}")
    for x in range(0, rows.width, READ_COLS):
        part = Window.between(rows.y, x, rows.y_end, min(x + READ_COLS, rows.width))
        codes[:, :, part.cols] = source.codes(item, source.fitted_tile(part, shape))
    return codes


def write_jpeg_file(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes a JPEG file under the name `path` and reads it back; its digest is of the pixels that it gives."""
    shape = proof_shape(item, source.shape)
    rows = list(Grid(shape, _band_rows(shape), shape.width))
    pixels = np.empty((shape.height, shape.width, 3), np.uint8)

    def fill(number: int) -> None:
        window = rows[number]
        pixels[window.rows] = _coded_rows(source, item, window, shape)[:3].transpose(1, 2, 0)

    source.run.engine.run_bag(f"write {item.file_name}", range(len(rows)), fill)
    content = write_jpeg.encoded(pixels, item.quality or 92, icc_profile(item.space), source.shot.block(item.space))
    path.write_bytes(content)
    again = path.read_bytes()
    refuse_differing(item, again == content, "its bytes")
    given = write_jpeg.decoded(again)
    refuse_differing(item, given.shape == pixels.shape, "the picture's size")
    return Written(len(content), picture_digest(np.ascontiguousarray(given.transpose(2, 0, 1))), shape)


def proof_shape(item: Deliverable, shape: Shape) -> Shape:
    """The size in which a picture is delivered: its own, or reduced to the longer side that is asked for."""
    if item.long_side_px is None or item.long_side_px >= max(shape.height, shape.width):
        return shape
    return fitted_shape(shape, item.long_side_px)


def levels_under(item: Deliverable, shape: Shape) -> int:
    """How many levels lead to the last one that is at least as large as the proof."""
    proof = proof_shape(item, shape)
    return max(level_count(shape, max(proof.height, proof.width) - 1) - 1, 0)
