"""Times what the engine adds to a tile: scheduling, reading, writing, ledger, beside the pixels' own work."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from tilepipe.geometry import Grid, Shape, Window
from tilepipe.run.engine import Engine
from tilepipe.run.workspace import FolderWorkspace, MemoryWorkspace, Workspace

PLANES = ("red", "green", "blue")


def milliseconds_a_tile(workspace: Workspace, shape: Shape, tile_px: int, workers: int) -> float:
    """Wall time per tile and worker of a pass whose tiles are handed out, written and noted, but not computed."""
    place = workspace.place("empty", "00" * 32, shape, PLANES, "float32", Shape(tile_px, tile_px))
    grid = Grid(shape, tile_px, tile_px)
    pixels = np.ones((3, tile_px, tile_px), np.float32)

    def work(index: int) -> None:
        window: Window = grid[index]
        place.write(index, window, pixels[:, : window.height, : window.width])

    with Engine(workers) as engine:
        started = time.perf_counter()
        engine.run_bag("empty", range(len(grid)), work)
        place.close(complete=True)
        passed = time.perf_counter() - started
    return 1000.0 * passed * workers / len(grid)


def scheduling_milliseconds(tiles: int, workers: int) -> float:
    """Wall time per task that does nothing at all."""
    with Engine(workers) as engine:
        started = time.perf_counter()
        engine.run_bag("nothing", range(tiles), lambda index: None)
        return 1000.0 * (time.perf_counter() - started) / tiles


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tiles", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    side = int(chosen.tiles**0.5)
    print(f"{'scheduling alone':44} {scheduling_milliseconds(chosen.tiles, chosen.workers):8.3f} ms a tile")
    shape = Shape(128 * side, 128 * side)
    memory = milliseconds_a_tile(MemoryWorkspace(), shape, 128, chosen.workers)
    print(f"{'128 px tiles into memory':44} {memory:8.3f} ms a tile and worker")
    with tempfile.TemporaryDirectory() as folder:
        workspace = FolderWorkspace(Path(folder))
        stored = milliseconds_a_tile(workspace, shape, 128, chosen.workers)
        workspace.close()
    print(f"{'128 px tiles into a store, synced, noted':44} {stored:8.3f} ms a tile and worker")


if __name__ == "__main__":
    main()
