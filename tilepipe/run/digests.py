"""Digests of a whole stored picture, taken tile by tile by the engine's workers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tilepipe.digest import REGION_PX, region_digests, root_digest
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.run.engine import Engine
from tilepipe.store.picture import Picture

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

TASK_PX = 2048  # chosen here: four regions on a side, so that a task is worth its overhead


def picture_digests(engine: Engine, picture: Picture, name: str = "digests") -> tuple[list[str], str]:
    """Digests of all canonical 512×512 regions of a picture, row by row, and its root digest, as hex."""
    grid = Grid(picture.shape, TASK_PX, TASK_PX)
    found: dict[tuple[int, int], bytes] = {}

    def work(index: int) -> None:
        for band in bands(grid[index]):
            digests = region_digests(picture.read(band), band, picture.shape)
            found.update(zip(region_places(band), digests, strict=True))

    engine.run_bag(name, range(len(grid)), work)
    regions = [found[place] for place in region_places(picture.shape.whole)]
    dtype = picture.read(Window(0, 0, 1, 1)).dtype
    root = root_digest(regions, picture.shape, len(picture.planes), dtype)
    return [digest.hex() for digest in regions], root


def result_digests(run: Execution) -> tuple[list[str], str]:
    """The digests of a run's finished picture; taken once for each picture and then remembered in the workspace."""
    name = run.plan.result
    known: Any = run.workspace.recall("digests", run.keys[name])
    if known is None:
        known = picture_digests(run.engine, run.pictures[name])
        run.workspace.remember("digests", run.keys[name], list(known))
    return list(known[0]), str(known[1])


def bands(window: Window) -> list[Window]:
    """A window cut into bands one region high, from top to bottom, so that only one is in memory."""
    return [
        Window.between(y, window.x, min(y + REGION_PX, window.y_end), window.x_end)
        for y in range(window.y, window.y_end, REGION_PX)
    ]


def region_places(window: Window) -> list[tuple[int, int]]:
    """The (region row, region column) of each region of an aligned window, in the order of `region_digests`."""
    rows = range(window.y // REGION_PX, -(-window.y_end // REGION_PX))
    cols = range(window.x // REGION_PX, -(-window.x_end // REGION_PX))
    return [(row, col) for row in rows for col in cols]


def root_of(found: dict[tuple[int, int], bytes], shape: Shape, planes: int, dtype: str) -> str:
    """The root digest from region digests by place."""
    return root_digest([found[place] for place in region_places(shape.whole)], shape, planes, dtype)
