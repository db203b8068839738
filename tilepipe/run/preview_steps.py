"""One step after the other on whole pictures in memory: what a preview keeps, so that a late change costs a late step."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.chain import Chain
from tilepipe.plan.passes import FRAMES, Part, PixelPass
from tilepipe.recipe.model import Step
from tilepipe.run.copies import Copies
from tilepipe.run.evaluate import make_tile, read_tile
from tilepipe.stages.blend import Blend
from tilepipe.stages.deep import DeepStage
from tilepipe.store.picture import MemoryPicture

DEEPEST_LEVEL = 4  # hand-over level: strips of a preview are a few hundred rows high; it changes no bit


class Cancelled(Exception):
    """The picture is no longer wanted."""


@dataclass
class StripEngine:
    """Makes pictures in strips on a few threads; between strips it looks whether the picture is still wanted."""

    device: Any
    workers: int

    def __post_init__(self) -> None:
        self._pool = ThreadPoolExecutor(self.workers, thread_name_prefix="preview")

    def close(self) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def picture(self, shape: Shape, make: Callable[[Window], Any], cancel: threading.Event | None) -> MemoryPicture:
        """The picture that `make(window)` gives as tiles."""
        rows = max(-(-shape.height // (2 * self.workers)), 1)
        grid = Grid(shape, rows, shape.width)
        held: dict[str, Any] = {}
        lock = threading.Lock()

        def work(window: Window) -> None:
            if cancel is not None and cancel.is_set():
                raise Cancelled
            tile = make(window)
            pixels = self.device.download(tile.array)
            with lock:
                if "array" not in held:
                    held["array"] = np.empty((len(pixels), shape.height, shape.width), pixels.dtype)
                    held["planes"] = tile.planes
            held["array"][:, window.rows, window.cols] = pixels

        self.each(list(grid), work)
        return MemoryPicture(held["array"], held["planes"])

    def each(self, windows: Sequence[Window], work: Callable[[Window], None]) -> None:
        """`work` on every window; the first fault is raised when all have ended."""
        waiting = [self._pool.submit(work, window) for window in windows]
        faults = [each.exception() for each in waiting]
        for fault in faults:
            if fault is not None:
                raise fault


def after_step(
    engine: StripEngine, copies: Copies, step: Step, source: MemoryPicture | None, cancel: threading.Event | None
) -> MemoryPicture:
    """The whole picture after `step`, made of `source`, or of the frames where the step joins them."""
    given = copies.shape if source is None else source.shape
    if not _is_deep(step):
        head, before = (step, Chain((), given)) if source is None else (None, Chain((step,), given))
        return _made(engine, copies, _pass(before, head, "whole", before.result), source, None, cancel)
    stage: Any = step.stage
    top = (stage.deep if isinstance(stage, Blend) else stage).top(given)
    level, before = min(DEEPEST_LEVEL, top), Chain((), given)
    coarse_shape = given.halved(level)
    down = _pass(before, step, "down", coarse_shape, level)
    coarse = _made(engine, copies, down, source, None, cancel)
    assert isinstance(stage, DeepStage)
    tile = read_tile(engine.device, coarse, coarse.shape.whole)
    solved = stage.solve(engine.device, tile, level, given, copies.facts)
    kept = MemoryPicture(engine.device.download(solved.array), solved.planes)
    return _made(engine, copies, _pass(before, step, "up", given, level), source, kept, cancel)


def _is_deep(step: Step) -> bool:
    return step.stage.kind == "deep" or bool(getattr(step.stage, "is_deep", False))


def _pass(before: Chain, head: Step | None, part: Part, made: Shape, level: int = 0) -> PixelPass:
    source = FRAMES if head is not None and head.stage.kind == "blend" else "before"
    return PixelPass("preview", source, before, head, part, Chain((), made), "after", 0, (), made, level, "solved")


def _made(
    engine: StripEngine, copies: Copies, step: PixelPass, source: MemoryPicture | None, solved: MemoryPicture | None,
    cancel: threading.Event | None,
) -> MemoryPicture:
    known = replace(step, names=copies.planes if source is None else source.planes)

    def make(window: Window) -> Any:
        return make_tile(engine.device, known, window, copies.feeds, source, solved, copies.facts, maps=copies.maps)

    return engine.picture(step.shape, make, cancel)
