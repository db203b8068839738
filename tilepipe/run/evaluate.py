"""Runs a pass's stages on one tile: the only place where stages meet pixels, for files and for arrays alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np

from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.errors import PixelError
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import Chain
from tilepipe.plan.passes import FRAMES, PixelPass
from tilepipe.run.mixing import applied, mask_of, mixed
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.settle import SettleMaps, settle, settle_window
from tilepipe.store.picture import Picture

NONFINITE = Kernel("nonfinite_count", 1, 0, form="tally", header="mix.h")

Watch = Callable[[str, Tile], None]
Look = Callable[[Any, Sequence[Tile], Window, Mapping[str, Any]], None]


class Feed(Protocol):
    """One frame as a blend takes it: linear light in the base frame's geometry."""

    def tile(self, device: Any, wanted: Window) -> Tile: ...


def read_tile(device: Any, picture: Picture, window: Window) -> Tile:
    """A window of a working picture, in the device's memory."""
    return Tile(device.upload(picture.read(window)), window, picture.shape, picture.planes)


def run_chain(
    device: Any, chain: Chain, tile: Tile, windows: Sequence[Window], facts: Mapping[str, Any], watch: Watch | None = None
) -> Tile:
    """The chain's stages one after the other, each result cut to what the next one needs; `watch` sees each of them."""
    for step, shape, wanted in zip(chain.steps, chain.shapes[1:], windows[1:], strict=True):
        tile = replace(applied(device, step, tile, wanted, facts), picture=shape)
        if watch is not None:
            watch(step.id, tile)
    return tile


def refuse_nonfinite(device: Any, tile: Tile, where: str) -> None:
    """Raises PixelError with the first position if the tile holds a NaN or an infinity."""
    whole = _as_one_plane(device, tile)
    if whole is not None and not device.tally(NONFINITE, [whole], whole, 1)[0]:
        return
    for name, plane in zip(tile.planes, device.planes(tile), strict=True):
        if device.tally(NONFINITE, [plane], plane, 1)[0]:
            bad = np.argwhere(~np.isfinite(device.download(tile.plane(name))))
            y, x = (int(value) for value in bad[0])
            raise PixelError(
                f"{len(bad)} values that are not finite in {name}", where=where,
                found=f"first at pixel (y {tile.window.y + y}, x {tile.window.x + x}), tile {tile.window}",
                next_step="look at the inputs there; if they are sound, this is a fault of the program: please report it",
            )


def _as_one_plane(device: Any, tile: Tile) -> PlaneArgument | None:
    """All planes, one below the other, where they lie so in memory: one look instead of one for each."""
    array, (count, height, width) = tile.array, tile.array.shape
    if 0 in array.shape or (count > 1 and array.strides[0] != height * array.strides[1]):
        return None
    first = device.planes(tile, 1)[0]
    return PlaneArgument(first.p, first.pitch, 0, 0, count * height, width, count * height, width)


def make_tile(
    device: Any, step: PixelPass, wanted: Window, feeds: Sequence[Feed], source: Picture | None,
    solved: Picture | None, facts: Mapping[str, Any], watch: Watch | None = None, maps: SettleMaps | None = None,
    look: Look | None = None,
) -> Tile:
    """The pixels of `wanted` of a pass's picture, from the frames or a working picture.

    `watch` is called with each step's id and the tile it made; `maps` say where frames are settled on one of them; `look`
    is called with the frames as they are joined.
    """
    windows = step.windows(wanted, facts)
    if step.source == FRAMES:
        tiles = frame_tiles(device, feeds, windows.source, step.before.source, facts, maps)
        if look is not None:
            look(device, tiles, windows.head, facts)
    else:
        assert source is not None
        tile = read_tile(device, source, windows.source)
        tiles = [run_chain(device, step.before, tile, windows.before, facts, watch)]
    tile = _head(device, step, tiles, windows.head, windows.solved, solved, facts)
    del tiles  # what follows works in the memory that they leave
    if step.source == FRAMES and step.part != "down":
        tile = first_planes(device, tile, COVERAGE in step.names)
    if watch is not None and step.head is not None:
        watch(step.head.id, tile)
    return run_chain(device, step.after, tile, windows.after, facts, watch)


def frame_tiles(
    device: Any, feeds: Sequence[Feed], wanted: Window, shape: Shape, facts: Mapping[str, Any], maps: SettleMaps | None
) -> list[Tile]:
    """The frames as a blend joins them: aligned, and settled on one of them where something moved."""
    needed = settle_window(maps, wanted, shape)
    return settle(device, [feed.tile(device, needed) for feed in feeds], wanted, facts, maps)


def first_planes(device: Any, tile: Tile, covered: bool) -> Tile:
    """The joined tile with coverage or without, as the picture carries it.

    Without: the base frame covers what alignment uncovers in others. With, though no frame has any: the frame that had
    was left out as shaken, after the picture's planes were settled.
    """
    if not covered:
        return Tile(tile.array[:3], tile.window, tile.picture, tile.planes[:3])
    if tile.has_coverage:
        return tile
    out: Tile = device.tile(tile.window, tile.picture, (*tile.planes, COVERAGE))
    out.array[:-1] = tile.array
    out.array[-1].fill(1.0)
    return out


def _head(
    device: Any, step: PixelPass, tiles: list[Tile], wanted: Window, coarse: Window | None,
    solved: Picture | None, facts: Mapping[str, Any],
) -> Tile:
    if step.head is None:
        return tiles[0]
    stage = step.head.stage
    if step.part == "whole":
        blend: Any = stage  # the one kind of stage that takes several tiles
        made: Tile = blend.run(device, *tiles, wanted=wanted, facts=facts)
        return made
    assert isinstance(stage, DeepStage)
    if step.part == "down":
        return stage.down(device, tiles, wanted, step.level, facts)
    assert solved is not None
    assert coarse is not None
    result = stage.up(device, tiles, read_tile(device, solved, coarse), wanted, step.level, facts)
    return mixed(device, step.head, tiles[0], result, mask_of(device, step.head, tiles[0], wanted, facts))

