"""Makes the folder of an OME-Zarr 0.5 picture: its description, and one sharded array per level for tasks to fill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import zarr
from zarr.codecs import ZstdCodec

from tilepipe.device.tile import COVERAGE
from tilepipe.formats.write_shard import ZSTD_LEVEL, ShardForm
from tilepipe.geometry import Grid, Shape, Window

SHARD_PX = 2048  # a shard is one task's own
INNER_ROWS, INNER_COLS = 256, 512
VERSION = "0.5"
ATTRIBUTE = "tilepipe"
_COLOURS = {"red": "FF0000", "green": "00FF00", "blue": "0000FF", COVERAGE: "FFFFFF"}


def create(
    folder: Path, name: str, shapes: Sequence[Shape], planes: Sequence[str], dtype: str, told: Mapping[str, Any]
) -> None:
    """A new OME-Zarr folder with its arrays `(c, y, x)`, full size first, as yet without shards.

    `told`: our own group of attributes.
    """
    group = zarr.create_group(
        str(folder), zarr_format=3, overwrite=True,
        attributes={"ome": _ome(name, shapes, planes, dtype), ATTRIBUTE: dict(told)},
    )
    for level, shape in enumerate(shapes):
        group.create_array(
            str(level), shape=(len(planes), shape.height, shape.width), dtype=dtype, chunks=(1, INNER_ROWS, INNER_COLS),
            shards=(len(planes), *_shard(shape)), compressors=ZstdCodec(level=ZSTD_LEVEL), fill_value=0,
            dimension_names=("c", "y", "x"), config={"write_empty_chunks": True},
        )


def open_levels(folder: Path) -> tuple[dict[str, Any], list[zarr.Array[Any]]]:
    """The attributes and the arrays of a picture written here, found by way of its own description."""
    group = zarr.open_group(str(folder), mode="r")
    told: dict[str, Any] = dict(group.attrs)
    paths = [str(item["path"]) for item in told["ome"]["multiscales"][0]["datasets"]]
    return told, [zarr.open_array(str(folder / path), mode="r") for path in paths]


def shard_grid(shape: Shape) -> Grid:
    """The shards of one level: each is written whole by one task."""
    return Grid(shape, *_shard(shape))


def shard_form(shape: Shape, planes: int, dtype: str) -> ShardForm:
    """How the shards of one level are made up."""
    rows, cols = _shard(shape)
    return ShardForm(planes, rows // INNER_ROWS, cols // INNER_COLS, INNER_ROWS, INNER_COLS, dtype)


def shard_path(folder: Path, level: int, shape: Shape, window: Window) -> Path:
    """The file of the shard that holds `window` of a level (zarr v3, default chunk key encoding)."""
    rows, cols = _shard(shape)
    return folder / str(level) / "c" / "0" / str(window.y // rows) / str(window.x // cols)


def _shard(shape: Shape) -> tuple[int, int]:
    rows, cols = -(-shape.height // INNER_ROWS) * INNER_ROWS, -(-shape.width // INNER_COLS) * INNER_COLS
    return min(rows, SHARD_PX), min(cols, SHARD_PX)


def _ome(name: str, shapes: Sequence[Shape], planes: Sequence[str], dtype: str) -> dict[str, Any]:
    """The `ome` attributes (OME-NGFF 0.5: multiscales, omero): a level's pixels cover 2^level pixels of full size."""
    axes = [{"name": "c", "type": "channel"}, {"name": "y", "type": "space"}, {"name": "x", "type": "space"}]
    return {
        "version": VERSION,
        "multiscales": [{
            "name": name, "axes": axes, "type": "mean of 2×2 pixels in linear light",
            "datasets": [_dataset(level) for level in range(len(shapes))],
        }],
        "omero": {"channels": [_channel(plane, dtype) for plane in planes], "rdefs": {"model": "color"}},
    }


def _dataset(level: int) -> dict[str, Any]:
    """Scale first, then the shift by which the middle of a coarse pixel lies off the middle of a fine one."""
    factor = float(1 << level)
    moves: list[dict[str, Any]] = [{"type": "scale", "scale": [1.0, factor, factor]}]
    if level:
        moves.append({"type": "translation", "translation": [0.0, (factor - 1) / 2, (factor - 1) / 2]})
    return {"path": str(level), "coordinateTransformations": moves}


def _channel(plane: str, dtype: str) -> dict[str, Any]:
    full = 65535.0 if dtype == "uint16" else 255.0
    window = {"start": 0.0, "end": full, "min": 0.0, "max": full}
    return {"label": plane, "color": _COLOURS.get(plane, "FFFFFF"), "active": plane != COVERAGE, "window": window}
