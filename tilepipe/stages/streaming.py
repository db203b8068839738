"""Argument tables, buffers and whole-picture runs of the row-streaming drivers of the deep stages (CPU)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.stages.pyramid import Levels

STREAM_PARAMS = (
    "const int* spans; int coarsest; const int64_t* views; int sources; int handed; int solved; int kept; int targets; "
    "char* arena; int64_t arena_bytes; int64_t* used; "
)
_RING_ROWS, _COLLAPSED_ROWS = 6, 4  # as in streaming.h
_FIELDS = 8

Views = list[tuple[int, ...]]


def streams(device: Any) -> bool:
    """True on a device that runs drivers; others go level by level."""
    return hasattr(device, "drive")


def view(array: npt.NDArray[Any], window: Window) -> tuple[int, ...]:
    """One channel `(y, x)` of any strides, float32 or uint16 (65535 = 1), as the drivers read it."""
    if array.dtype not in (np.float32, np.uint16):
        raise TypeError(f"a channel is float32 or uint16, not {array.dtype}")
    steps = tuple(stride // array.itemsize for stride in array.strides)
    sixteen = int(array.dtype == np.uint16)
    return (array.ctypes.data, *steps, window.y, window.x, window.height, window.width, sixteen)


def views_of(tile: Tile, count: int | None = None) -> Views:
    """The first `count` planes of a tile (all by default)."""
    return [view(channel, tile.window) for channel in tile.array[: len(tile.planes) if count is None else count]]


def _span_rows(levels: Levels) -> npt.NDArray[np.int32]:
    rows = [
        (shape.height, shape.width, made.y, made.y_end, made.x, made.x_end, sums.y, sums.y_end, sums.x, sums.x_end)
        for shape, made, sums in zip(levels.shapes, levels.made, levels.sums, strict=True)
    ]
    return np.array(rows, np.int32)


def _ring_bytes(planes: int, rows: int, width_px: int) -> int:
    return 4 * 16 * (((width_px + 31) // 16) | 1) * rows * planes


def arena_bytes(
    levels: Levels, planes: int, sum_planes: int, spare_rows: int,
    *, coverage: bool = False, sums: bool = False, collapse: bool = False, margin_px: int = 0, spare_bytes: int = 0,
) -> int:
    """Bytes of rings that a driver needs for these levels: the layout of `RowStream::lay_out` (streaming.h)."""
    carried, coarsest = sum_planes + coverage, levels.coarsest
    level_0_px = levels.made[0].width + 2 * margin_px
    total = sum(_ring_bytes(planes, _RING_ROWS, width) for width in [level_0_px, *(w.width for w in levels.made[1:])])
    if sums:
        total += sum(
            _ring_bytes(carried, (4 << (coarsest - level)) + 6, levels.sums[level].width) for level in range(coarsest)
        )
    if collapse:
        total += sum(_ring_bytes(carried, _COLLAPSED_ROWS, window.width) for window in levels.sums)
    widest = max(level_0_px, levels.sums[0].width)
    return total + _ring_bytes(spare_rows, 1, widest) + spare_bytes + 128


def stream(
    device: Any, driver: Kernel, levels: Levels, bytes_needed: int,
    *, sources: Views, handed: Views = (), solved: Views = (), kept: Views = (), targets: Views = (), **params: Any,  # type: ignore[assignment]
) -> None:
    """Runs a driver over `levels`; every array behind the views must outlive the call."""
    groups: tuple[Sequence[tuple[int, ...]], ...] = (sources, handed, solved, kept, targets)
    table = np.array([row for group in groups for row in group], np.int64).reshape(-1, _FIELDS)
    spans, used = _span_rows(levels), np.zeros(1, np.int64)
    arena = device.empty((bytes_needed,), np.uint8)
    device.drive(
        driver, spans=spans.ctypes.data, coarsest=levels.coarsest, views=table.ctypes.data, sources=len(sources),
        handed=len(handed), solved=len(solved), kept=len(kept), targets=len(targets), arena=arena.ctypes.data,
        arena_bytes=bytes_needed, used=used.ctypes.data, **params,
    )
    if used[0] > bytes_needed - 64:
        raise RuntimeError(f"{driver.name} needs {used[0]} bytes of rings, {bytes_needed} were given")


class Keeps(Protocol):
    """A deep stage that can leave its Laplacian sums in memory instead of making them again in pass 2."""

    def top(self, shape: Shape) -> int: ...

    def kept_planes(self) -> int: ...

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]: ...

    def keep(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, coarse: Tile, sums: Sequence[Tile],
        facts: Mapping[str, Any],
    ) -> None: ...

    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile: ...

    def finish(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, sums: Sequence[Tile], solved: Tile,
        out: Tile,
    ) -> None: ...


def run_in_memory(
    stage: Keeps, device: Any, tiles: Sequence[Tile], out: Tile, *, threads: int = 1, strip_px: int = 1024,
    level: int = 4, facts: Mapping[str, Any] | None = None,
) -> None:
    """A deep stage over whole pictures in memory, one pass over the pixels: same bits as tile by tile in two passes.

    `tiles`: whole pictures without coverage, `(3, y, x)` of any strides; `out`: such a tile for the result. The sums of
    level 0 wait in `out` itself, those of the other levels (a third of it, `kept_planes` of 3) in memory of their own.
    `strip_px`, a multiple of 2^level: width of the column strips that the threads take.
    """
    shape = tiles[0].picture
    level = min(level, stage.top(shape))
    sizes = [shape.halved(times) for times in range(level + 1)]
    kept = [Tile(out.array[: stage.kept_planes()], shape.whole, shape, out.planes[: stage.kept_planes()])]
    kept += [device.tile(size.whole, size, kept[0].planes) for size in sizes[1:level]]
    coarse: Tile = device.tile(sizes[-1].whole, sizes[-1], stage.hand_over_names(tiles))
    strips = list(Grid(shape, shape.height, strip_px))
    kept = kept[:level]
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(lambda strip: stage.keep(device, tiles, strip, level, coarse, kept, facts or {}), strips))
        solved = stage.solve(device, coarse, level, shape, facts or {})
        list(pool.map(lambda strip: stage.finish(device, tiles, strip, level, kept, solved, out), strips))
