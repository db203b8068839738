"""Writes and checks one TIFF deliverable: encoded for viewing, or scene-linear float32."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from tilepipe.colour.deliverable import icc_profile
from tilepipe.digest import block_digests, region_digest
from tilepipe.formats.write_tiff import TILE_PX, BigTiff, Labels, TiffCheck, TiffForm, tiles_of
from tilepipe.geometry import Grid, Window
from tilepipe.recipe.deliver import Deliverable
from tilepipe.run.deliver_order import run_in_order
from tilepipe.run.deliver_written import Found, Written, refuse_differing
from tilepipe.run.digests import region_places, root_of

if TYPE_CHECKING:
    from tilepipe.run.deliver_source import Source

TASK_TILES = 4  # chosen here: 512 × 2048 px a task, 13 MB as float32


def write_tiff(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes the file under the name `path` and reads it back; returns its size and digest."""
    form = TiffForm(len(source.planes), "float32" if item.bits == 32 else f"uint{item.bits}")
    shapes = [level.shape for level in source.levels]
    grids = [Grid(shape, TILE_PX, TILE_PX * TASK_TILES) for shape in shapes]
    tasks = [(level, window) for level, grid in enumerate(grids) for window in grid]
    found: Found = [{} for _ in shapes]

    def make(number: int) -> list[bytes]:
        level, window = tasks[number]
        codes = source.codes(item, source.tile(level, window))
        segments = []
        for tile in tiles_of(window):
            part = codes[:, *tile.within(window)]
            found[level][region_places(tile)[0]] = region_digest(block_digests(part, tile, shapes[level]))
            segments.append(form.segment(part, shapes[level]))
        return segments

    labels = _labels(source, item)
    with path.open("wb", buffering=1 << 20) as file:
        tiff = BigTiff(file, form, shapes)
        run_in_order(
            source.run.engine, f"write {item.file_name}", len(tasks), make,
            lambda number, segments: tiff.put(tasks[number][0], tiles_of(tasks[number][1]), segments),
        )
        tiff.finish(labels)
    with closing(TiffCheck(path)) as check:
        refuse_differing(item, check.profile == labels.profile, "the profile")
        source.run.engine.run_bag(f"check {item.file_name}", range(len(tasks)), _checking(tasks, check, found, item))
    return Written(path.stat().st_size, root_of(found[0], shapes[0], form.samples, form.dtype), shapes[0])


def _checking(
    tasks: list[tuple[int, Window]], check: TiffCheck, found: Found, item: Deliverable
) -> Callable[[int], None]:
    def work(number: int) -> None:
        level, window = tasks[number]
        for tile in tiles_of(window):
            digest = region_digest(block_digests(check.codes(level, tile), tile, check.shape(level)))
            refuse_differing(item, digest == found[level][region_places(tile)[0]], f"tile {tile} of level {level}")

    return work


def _labels(source: Source, item: Deliverable) -> Labels:
    linear = item.bits == 32
    return Labels(description(item), item.space, icc_profile(item.space, linear=linear), source.shot)


def description(item: Deliverable) -> str:
    """One sentence in the file on what its values are."""
    if item.bits == 32:
        return f"scene-linear light in the primaries of {item.space}; 1.0 is the base frame's diffuse white"
    return f"encoded for viewing: {item.space}, {item.bits} bits"
