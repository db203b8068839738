"""Writes and checks one OME-Zarr deliverable: every task fills whole shards of one level."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tilepipe.digest import region_digests
from tilepipe.formats import write_ome_zarr
from tilepipe.formats.write_shard import write_shard
from tilepipe.geometry import Window
from tilepipe.recipe.deliver import Deliverable
from tilepipe.run.deliver_written import Found, Written, refuse_differing
from tilepipe.run.digests import bands, region_places, root_of

if TYPE_CHECKING:
    from tilepipe.run.deliver_source import Array, Source

TRANSFER = {
    "srgb": "IEC 61966-2-1", "display-p3": "IEC 61966-2-1", "rec2020": "ITU-R BT.2020-2", "romm": "ISO 22028-2",
}


def write_ome_zarr_folder(source: Source, item: Deliverable, path: Path) -> Written:
    """Writes the folder under the name `path` and reads it back; returns its size and digest."""
    shapes, dtype, engine = [level.shape for level in source.levels], f"uint{item.bits}", source.run.engine
    told = {
        "space": item.space, "transfer": TRANSFER[item.space], "levels": "reduced from float32 linear light",
        "result_root": source.root,
    }
    write_ome_zarr.create(path, item.name, shapes, source.planes, dtype, told)
    grids = [write_ome_zarr.shard_grid(shape) for shape in shapes]
    tasks = [(level, window) for level, grid in enumerate(grids) for window in grid]
    found: Found = [{} for _ in shapes]

    def coded(level: int, window: Window) -> Iterator[Array]:
        for band in bands(window):
            codes = source.codes(item, source.tile(level, band))
            found[level].update(zip(region_places(band), region_digests(codes, band, shapes[level]), strict=True))
            yield codes

    def write(number: int) -> None:
        level, window = tasks[number]
        form = write_ome_zarr.shard_form(shapes[level], len(source.planes), dtype)
        write_shard(write_ome_zarr.shard_path(path, level, shapes[level], window), form, coded(level, window))

    engine.run_bag(f"write {item.file_name}", range(len(tasks)), write)
    attributes, again = write_ome_zarr.open_levels(path)
    refuse_differing(item, attributes[write_ome_zarr.ATTRIBUTE] == told, "the attributes")

    def check(number: int) -> None:
        level, window = tasks[number]
        for band in bands(window):
            codes = np.asarray(again[level][:, band.rows, band.cols])
            for place, digest in zip(region_places(band), region_digests(codes, band, shapes[level]), strict=True):
                refuse_differing(item, digest == found[level][place], f"region {place} of level {level}")

    engine.run_bag(f"check {item.file_name}", range(len(tasks)), check)
    size = sum(file.stat().st_size for file in path.rglob("*") if file.is_file())
    return Written(size, root_of(found[0], shapes[0], len(source.planes), dtype), shapes[0])

