"""Keys of values and digests of pixels: BLAKE2b-256 over bytes that know neither tile, device nor machine."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.geometry import Grid, Shape, Window

Array = npt.NDArray[Any]

BLOCK_PX = 128  # chosen here: every tile size is a multiple of it, and 128×128×3 float32 fit a processor's second cache
REGION_PX = 512  # chosen here: a receipt holds one digest per region, 4 regions to a megapixel
DIGEST_BYTES = 32
BLOCKS_PER_REGION = REGION_PX // BLOCK_PX


def canonical_json(value: Any) -> bytes:
    """One spelling for one value: sorted keys, no spaces, ASCII, floats as hex strings, tuples as lists.

    Raises ValueError for NaN and infinity, TypeError for what JSON cannot say (arrays, sets, keys that are not text).
    """
    return "".join(_spelled(value)).encode("ascii")


def key_of(value: Any) -> str:
    """BLAKE2b-256 of the canonical JSON of `value`, as 64 hex digits."""
    return _blake(canonical_json(value)).hexdigest()


def block_digests(array: Array, window: Window, picture: Shape) -> list[bytes]:
    """Digests of the canonical 128×128 blocks of `window`, row by row.

    `array`: (planes, height, width) of any real dtype, holding exactly `window` of a picture of size `picture`. The
    window starts on multiples of 128 px and ends on such or at the picture's rim, where blocks are cut.
    A block's bytes are its planes in order, each row by row, little-endian. Raises ValueError for another window.
    """
    _check(array, window, picture, BLOCK_PX)
    little = array.dtype.newbyteorder("<")
    buffer = np.empty((array.shape[0], BLOCK_PX, BLOCK_PX), little)
    return [_block(array, part, buffer) for part in Grid(window.shape, BLOCK_PX, BLOCK_PX)]


def region_digest(blocks: Sequence[bytes]) -> bytes:
    """Digest of a canonical 512×512 region from the digests of its blocks, row by row (fewer at the rim)."""
    return _blake(b"".join(blocks)).digest()


def region_digests(array: Array, window: Window, picture: Shape) -> list[bytes]:
    """Digests of the canonical 512×512 regions of `window`, row by row; the window is aligned as for blocks, to 512."""
    _check(array, window, picture, REGION_PX)
    regions = []
    for part in Grid(window.shape, REGION_PX, REGION_PX):
        there = Window(window.y + part.y, window.x + part.x, part.height, part.width)
        regions.append(region_digest(block_digests(array[:, part.rows, part.cols], there, picture)))
    return regions


def regions_of_blocks(blocks: Mapping[tuple[int, int], bytes], picture: Shape) -> list[bytes]:
    """Digests of all regions of a picture, row by row, from its blocks by (block row, block column), however gathered.

    Raises ValueError naming the first block that is missing.
    """
    grid = Grid(picture, BLOCK_PX, BLOCK_PX)
    return [region_digest([_found(blocks, place) for place in places]) for places in _blocks_by_region(grid)]


def block_places(window: Window) -> list[tuple[int, int]]:
    """The (block row, block column) of each block of an aligned window, in the order of `block_digests`."""
    rows = range(window.y // BLOCK_PX, -(-window.y_end // BLOCK_PX))
    cols = range(window.x // BLOCK_PX, -(-window.x_end // BLOCK_PX))
    return [(row, col) for row in rows for col in cols]


def root_digest(regions: Sequence[bytes], shape: Shape, planes: int, dtype: npt.DTypeLike) -> str:
    """One digest for a whole picture's pixels, 64 hex digits: its size, planes, dtype and region digests in order."""
    expected = len(Grid(shape, REGION_PX, REGION_PX))
    if len(regions) != expected:
        raise ValueError(f"a picture of {shape} has {expected} regions, not {len(regions)}")
    head = {"shape": [shape.height, shape.width], "planes": planes, "dtype": np.dtype(dtype).name}
    return _blake(canonical_json(head) + b"\n" + b"".join(regions)).hexdigest()


def picture_digest(array: Array) -> str:
    """The root digest of a whole picture held in memory, (planes, height, width)."""
    shape = Shape(array.shape[1], array.shape[2])
    return root_digest(region_digests(array, shape.whole, shape), shape, array.shape[0], array.dtype)


def _blake(data: Any) -> hashlib.blake2b:
    return hashlib.blake2b(data, digest_size=DIGEST_BYTES)


def _spelled(value: Any) -> Iterator[str]:
    if value is None or isinstance(value, bool | str):
        yield json.dumps(value)
    elif isinstance(value, int):
        yield str(int(value))
    elif isinstance(value, float):
        yield json.dumps(_hex(value))
    elif isinstance(value, Mapping):
        yield from _spelled_mapping(value)
    elif isinstance(value, list | tuple):
        for index, item in enumerate(value):
            yield "," if index else "["
            yield from _spelled(item)
        yield "]" if value else "[]"
    else:
        raise TypeError(f"{type(value).__name__} has no canonical spelling; use plain JSON values")


def _spelled_mapping(value: Mapping[Any, Any]) -> Iterator[str]:
    if not all(isinstance(key, str) for key in value):
        raise TypeError("the keys of a mapping must be text to have a canonical spelling")
    for index, key in enumerate(sorted(value)):
        yield ("," if index else "{") + json.dumps(key) + ":"
        yield from _spelled(value[key])
    yield "}" if value else "{}"


def _hex(value: float) -> str:
    if not math.isfinite(value):
        raise ValueError(f"{value!r} is not a finite number")
    return float.hex(value)


def _check(array: Array, window: Window, picture: Shape, size_px: int) -> None:
    if array.ndim != 3 or array.shape[1:] != (window.height, window.width):
        raise ValueError(f"an array of shape {array.shape} does not hold (planes, {window.height}, {window.width})")
    starts = window.y % size_px == 0 and window.x % size_px == 0
    ends = all(
        end == limit or (end < limit and end % size_px == 0)
        for end, limit in ((window.y_end, picture.height), (window.x_end, picture.width))
    )
    if not (starts and ends and window.height > 0 and window.width > 0 and picture.whole.contains(window)):
        raise ValueError(f"window {window} of {picture} is not aligned to {size_px} px")


def _block(array: Array, part: Window, buffer: Array) -> bytes:
    block = array[:, part.rows, part.cols]
    if block.shape == buffer.shape:
        np.copyto(buffer, block)
        return _blake(buffer.data).digest()
    return _blake(np.ascontiguousarray(block, buffer.dtype).data).digest()


def _blocks_by_region(grid: Grid) -> Iterator[list[tuple[int, int]]]:
    step = BLOCKS_PER_REGION
    for row in range(0, grid.rows, step):
        for col in range(0, grid.cols, step):
            rows, cols = range(row, min(row + step, grid.rows)), range(col, min(col + step, grid.cols))
            yield [(y, x) for y in rows for x in cols]


def _found(blocks: Mapping[tuple[int, int], bytes], place: tuple[int, int]) -> bytes:
    try:
        return blocks[place]
    except KeyError:
        raise ValueError(f"the digest of block {place} (row, column) is missing") from None
