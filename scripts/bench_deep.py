"""Times the deep stages in memory, exposure fusion beside OpenCV's: `scripts/bench_deep.py [--small] [--rounds N]`."""

from __future__ import annotations

import argparse
import functools
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape
from tilepipe.stages.blend import Blend
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.extended_fusion import ExtendedFusion
from tilepipe.stages.fusion import ExposureFusion
from tilepipe.stages.local_contrast import LocalContrast
from tilepipe.stages.mask_blend import MaskBlend
from tilepipe.stages.streaming import run_in_memory

THREADS = 2
LEVEL, STRIP_PX, TILE_PX = 4, 1024, 1024
Pixels = npt.NDArray[np.float32]


@dataclass
class Measured:
    """Best wall and processor seconds of one way, and its largest memory beyond inputs and output."""

    pixels: int
    wall_s: list[float] = field(default_factory=list)
    processor_s: list[float] = field(default_factory=list)
    extra_bytes: int = 0

    def add(self, work: Callable[[], object], output_bytes: int) -> None:
        before = _resident_bytes("VmRSS", reset=True)
        wall, processor = time.perf_counter(), time.process_time()
        result = work()
        self.wall_s.append(time.perf_counter() - wall)
        self.processor_s.append(time.process_time() - processor)
        self.extra_bytes = max(self.extra_bytes, _resident_bytes("VmHWM") - before - output_bytes)
        del result

    def row(self, name: str) -> str:
        wall, processor = min(self.wall_s), min(self.processor_s)
        rate = self.pixels / wall / 1e6
        return f"{name:44} {wall:8.3f} {processor:8.3f} {rate:8.1f} {self.extra_bytes / 1e6:9.0f}"


def _resident_bytes(name: str, reset: bool = False) -> int:
    """VmRSS or VmHWM (its peak since the last reset) of this process; Linux only, elsewhere 0."""
    status = Path("/proc/self/status")
    if not status.exists():
        return 0
    if reset:
        Path("/proc/self/clear_refs").write_text("5")
    line = next(line for line in status.read_text().splitlines() if line.startswith(name))
    return int(line.split()[1]) * 1024


def invented_frames(shape: Shape, count: int) -> list[Pixels]:
    """Display-encoded frames `(y, x, 3)` of an invented scene: smooth light, an edge, texture."""
    y, x = np.ogrid[: shape.height, : shape.width]
    light = np.sin(x / 371).astype(np.float32) * np.cos(y / 233).astype(np.float32) - 3 + 3 * (y < shape.height // 2)
    texture = np.random.default_rng(0).random((shape.height, shape.width, 3), np.float32)
    stops = (2 * k - count + 1 for k in range(count))
    return [np.clip(np.exp2((light[..., None] + texture + stop) / 2.2), 0, 1).astype(np.float32) for stop in stops]


def as_tile(array: Pixels) -> Tile:
    """Interleaved pixels `(y, x, 3)` as a tile, without a copy."""
    shape = Shape(*array.shape[:2])
    return Tile(np.moveaxis(array, -1, 0), shape.whole, shape)


def fuse(frames: list[Pixels], stage: ExposureFusion) -> Pixels:
    device = CpuDevice()  # a device of its own, so that no buffers of an earlier round are counted as free
    out = np.empty_like(frames[0])
    tiles = [as_tile(frame) for frame in frames]
    run_in_memory(stage, device, tiles, as_tile(out), threads=THREADS, strip_px=STRIP_PX, level=LEVEL)
    return out


def tone(stage: LocalContrast, tile: Tile) -> Pixels:
    device = CpuDevice()
    out: Pixels = np.empty(tile.array.shape, np.float32)
    made = Tile(out, tile.window, tile.picture)
    run_in_memory(stage, device, [tile], made, threads=THREADS, strip_px=STRIP_PX, level=LEVEL)
    return out


def tile_by_tile(
    stage: DeepStage, tiles: list[Tile], names: tuple[str, ...], facts: Mapping[str, Any] | None = None
) -> Pixels:
    """Two passes over tiles, as an engine runs a picture that memory does not hold."""
    device = CpuDevice()
    shape = tiles[0].picture
    coarse = device.tile(shape.halved(LEVEL).whole, shape.halved(LEVEL), names)
    out = np.empty((3, shape.height, shape.width), np.float32)
    grain = TILE_PX >> LEVEL
    with ThreadPoolExecutor(THREADS) as pool:
        windows = list(Grid(coarse.picture, grain, grain))
        parts = pool.map(lambda w: stage.down(device, tiles, w, LEVEL, facts or {}), windows)
        for window, part in zip(windows, parts, strict=True):
            coarse.array[:, window.rows, window.cols] = part.array
        solved = stage.solve(device, coarse, LEVEL, shape, facts or {})
        wanted = list(Grid(shape, TILE_PX, TILE_PX))
        parts = pool.map(lambda w: stage.up(device, tiles, solved, w, LEVEL, facts or {}), wanted)
        for window, part in zip(wanted, parts, strict=True):
            out[:, window.rows, window.cols] = part.array
    return out


def bench_fusion(shape: Shape, rounds: int) -> list[str]:
    frames = invented_frames(shape, 4)
    ours, tiled, theirs = (Measured(shape.pixels) for _ in range(3))
    stage, output_bytes = ExposureFusion(), frames[0].nbytes
    tiles = [as_tile(frame) for frame in frames]
    merge = cv2.createMergeMertens()
    for _ in range(rounds):
        ours.add(lambda: fuse(frames, stage), output_bytes)
        theirs.add(lambda: merge.process(frames), output_bytes)
        tiled.add(lambda: tile_by_tile(stage, tiles, stage.hand_over_names(tiles)), output_bytes)
    time_ratio = min(theirs.wall_s) / min(ours.wall_s)
    memory = f"{ours.extra_bytes / max(theirs.extra_bytes, 1):.3f} of its memory beyond the output"
    return [
        ours.row("fusion, 4 frames, full depth, in memory"), tiled.row(f"  the same by tiles of {TILE_PX}, two passes"),
        theirs.row("  cv2.createMergeMertens"), f"  {time_ratio:.1f} times faster than cv2, {memory}",
    ]


def bench_extended_fusion(shape: Shape, rounds: int) -> list[str]:
    frames, stage, plain = invented_frames(shape, 4), ExtendedFusion(), ExposureFusion()
    ours, usual, tiled = (Measured(shape.pixels) for _ in range(3))
    tiles = [as_tile(frame) for frame in frames]
    for _ in range(rounds):
        usual.add(lambda: fuse(frames, plain), frames[0].nbytes)
        ours.add(lambda: fuse(frames, stage), frames[0].nbytes)
        tiled.add(lambda: tile_by_tile(stage, tiles, stage.hand_over_names(tiles)), frames[0].nbytes)
    copies = len(stage.middles)
    ratio = min(ours.wall_s) / min(usual.wall_s)
    return [
        ours.row(f"extended fusion, 4 frames, {copies} copies, in memory"),
        tiled.row(f"  the same by tiles of {TILE_PX}, two passes"),
        f"  {ratio:.2f} times fusion's time in the same run, {ratio / copies:.2f} of it for each copy",
    ]


def bench_masks(shape: Shape, rounds: int) -> list[str]:
    """Linear frames two stops apart, peaks as values; beside the merge of the same frames, tile by tile."""
    planes = np.ascontiguousarray(np.moveaxis(invented_frames(shape, 1)[0], -1, 0)) ** 2
    lights = (0.0625, 0.25, 1.0, 4.0)
    tiles = [Tile(np.minimum(planes * np.float32(light), np.float32(1)), shape.whole, shape) for light in lights]
    matrix = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
    rows = [{"light": light, "shot": 1e-4, "read": 1e-7, "clip": 1.0, "to_working": matrix} for light in lights]
    facts = {"base": 2, "frames": rows}
    masks, merge, ours, merged = MaskBlend(), Blend(), Measured(shape.pixels), Measured(shape.pixels)
    device = CpuDevice()
    windows = list(Grid(shape, TILE_PX, TILE_PX))
    for _ in range(rounds):
        ours.add(lambda: tile_by_tile(masks, tiles, masks.hand_over_names(tiles), facts), planes.nbytes)
        with ThreadPoolExecutor(THREADS) as pool:
            merged.add(
                lambda: [0 for _ in pool.map(lambda w: merge.run(device, *tiles, wanted=w, facts=facts), windows)],
                0,
            )
    return [
        ours.row(f"masks, 4 frames, by tiles of {TILE_PX}, two passes"),
        merged.row("  the noise-optimal merge of the same frames"),
    ]


def bench_local_contrast(shape: Shape, rounds: int) -> list[str]:
    stage, rows = LocalContrast(detail=1.3, range=0.5), []
    for name, stops in (("a scene", None), ("noise over 20 EV", 20.0)):
        planes = np.moveaxis(invented_frames(shape, 1)[0], -1, 0) ** 6
        if stops is not None:
            planes = np.exp2(np.random.default_rng(1).random((3, *vars(shape).values()), np.float32) * stops - 14)
        tile = Tile(np.ascontiguousarray(planes, np.float32), shape.whole, shape)
        whole, tiled = Measured(shape.pixels), Measured(shape.pixels)
        for _ in range(rounds):
            names = stage.hand_over_names([tile])
            whole.add(functools.partial(tone, stage, tile), tile.array.nbytes)
            tiled.add(functools.partial(tile_by_tile, stage, [tile], names), tile.array.nbytes)
        rows += [
            whole.row(f"local contrast, {stage.nodes} nodes: {name}"),
            tiled.row(f"  the same by tiles of {TILE_PX}, two passes"),
        ]
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="0.5 MP instead of 24 MP: whether it still runs")
    parser.add_argument("--rounds", type=int, default=3, help="the best of so many")
    chosen = parser.parse_args()
    cv2.setNumThreads(THREADS)
    device, shape = CpuDevice(), Shape(600, 800) if chosen.small else Shape(4000, 6000)
    print(f"{shape.pixels / 1e6:.1f} MP float32, {THREADS} threads, {device.name}; the best of {chosen.rounds} rounds")
    print(f"{'':44} {'wall s':>8} {'proc. s':>8} {'MP/s':>8} {'extra MB':>9}")
    for bench in (bench_fusion, bench_extended_fusion, bench_masks, bench_local_contrast):
        print("\n".join(bench(shape, chosen.rounds)), flush=True)


if __name__ == "__main__":
    main()
