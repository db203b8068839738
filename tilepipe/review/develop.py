"""The picture after every step at a reduced size, kept in memory: a change recomputes from the first step that it touches."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.chain import descriptor, with_mask
from tilepipe.plan.job import Job
from tilepipe.recipe.model import Recipe, Step
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.mixing import applied, mask_of, mixed
from tilepipe.run.opening import job_of
from tilepipe.run.proof import UNSCALED, job_on_copies, reduced_frames
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.deep import DeepStage
from tilepipe.store.picture import MemoryPicture

DEEP_LEVEL = 3  # where the deep stages hand over; changes no bit
STRIP_PX = 256  # rows of a strip that one thread makes
JOINED = "joined"  # what the steps after the blend begin with


@dataclass(frozen=True)
class Ground:
    """What the steps after the blend stand on: the frames' reduced copies joined, and what was measured at full size."""

    key: str
    factor: int
    full: Shape  # the base frame's size
    joined: Tile
    frames: tuple[Tile, ...]
    feeds: tuple[FrameFeed, ...]
    facts: Mapping[str, Any]
    job: Job

    def steps(self, recipe: Recipe) -> tuple[Step, ...]:
        """The steps after the blend that change the reduced picture, knowing where the base frame lies."""
        made = job_of(_scaled(recipe), self.feeds, identified=False, full=self.full, factor=self.factor)
        return made.finishing


def ground_key(recipe: Recipe) -> str:
    """All of a recipe that the ground depends on."""
    told = recipe.resolved()
    early = [step.resolved() for step in recipe.active_steps if step.stage.kind in ("measure", "blend")]
    return key_of({"frames": told["frames"], "base": told["base"], "steps": early})


def lay_ground(
    recipe: Recipe, settings: Settings, long_side_px: int, device: Any, listener: Listener | None = None
) -> Ground:
    """Measures the full frames (or recalls it), reduces and joins them; the work folder is held meanwhile."""
    early = tuple(step for step in recipe.steps if step.stage.kind in ("measure", "blend"))
    only = recipe.model_copy(update={"steps": early, "deliver": (), "masks": {}})
    with prepared(only, settings, listener) as run:
        feeds, factor = reduced_frames(run, long_side_px)
        joined = job_on_copies(only, run, feeds, factor)
        tile = _held(read_tile(run.device, joined, joined.shape.whole))
        frames = tuple(_held(feed.tile(run.device, feed.shape.whole)) for feed in feeds)
        facts = {**run.facts, "frames": _reduced_facts(run, factor), "shape": [joined.shape.height, joined.shape.width]}
        copies = tuple(
            dataclasses.replace(feed, codes=MemoryPicture(np.array(feed.codes.read(feed.shape.whole)), ("code",)))
            for feed in feeds
        )
        return Ground(ground_key(recipe), factor, run.job.shape, tile, frames, copies, facts, run.job)


def _reduced_facts(run: Execution, factor: int) -> list[dict[str, Any]]:
    share = 1.0 / (factor * factor)
    return [
        {**frame, "shot": frame["shot"] * share, "read": frame["read"] * share, "reduced": factor}
        for frame in run.facts["frames"]
    ]


def _held(tile: Tile) -> Tile:
    return Tile(np.array(tile.array), tile.window, tile.picture, tile.planes)


def _scaled(recipe: Recipe) -> Recipe:
    steps = tuple(step for step in recipe.steps if step.stage.name not in UNSCALED and step.stage.kind != "measure")
    return recipe.model_copy(update={"steps": steps, "deliver": ()})


@dataclass
class Development:
    """The chain of reduced pictures for the latest recipe; thread-safe, one change at a time."""

    device: Any
    threads: int
    ground: Ground | None = None
    _made: list[tuple[str, str, Tile]] = field(default_factory=list)  # (step id, key, picture)
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _pool: ThreadPoolExecutor | None = None

    def stand_on(self, ground: Ground) -> None:
        with self._lock:
            self.ground, self._made = ground, []

    def pictures(self, recipe: Recipe) -> list[tuple[str, Tile]]:
        """(step id, picture after it) in order, the first is `JOINED`; only what changed is made."""
        with self._lock:
            ground = self.ground
            assert ground is not None
            steps = ground.steps(recipe)
            made: list[tuple[str, str, Tile]] = []
            tile = ground.joined
            for index, (step, (_, key)) in enumerate(zip(steps, self.keys(recipe)[1:], strict=True)):
                known = self._made[index] if index < len(self._made) else None
                if known is None or known[1] != key:
                    known = (step.id, key, self._applied(step, tile, ground.facts))
                made.append((step.id, key, known[2]))
                tile = known[2]
            self._made = made
            return [(JOINED, ground.joined), *((name, picture) for name, _, picture in made)]

    def keys(self, recipe: Recipe) -> list[tuple[str, str]]:
        """(step id, what its pixels depend on) as `pictures` has them; makes no pixel."""
        ground = self.ground
        assert ground is not None
        found = [(JOINED, ground.key)]
        for step in ground.steps(recipe):
            found.append((step.id, key_of({"source": found[-1][1], "step": descriptor(step, ground.facts)})))
        return found

    def picture(self, recipe: Recipe, upto: str | None = None) -> Tile:
        """The picture after a step, `JOINED`, or after all."""
        pictures = self.pictures(recipe)
        return next((tile for name, tile in pictures if name == upto), pictures[-1][1])

    def before(self, recipe: Recipe, step_id: str) -> tuple[Step, Tile]:
        """A step that is at work, and the picture that it is given; KeyError for any other."""
        assert self.ground is not None
        pictures = self.pictures(recipe)
        for index, step in enumerate(self.ground.steps(recipe)):
            if step.id == step_id:
                return step, pictures[index][1]
        raise KeyError(step_id)

    def _applied(self, step: Step, before: Tile, facts: Mapping[str, Any]) -> Tile:
        shape = step.stage.output_shape(before.picture)
        if isinstance(step.stage, DeepStage):
            return self._deep(step, step.stage, before, facts)
        planes = step.stage.output_planes(before.planes, before.picture)
        made = np.empty((len(planes), shape.height, shape.width), np.float32)

        def strip(window: Window) -> None:
            needed = with_mask(step, step.stage.input_window(window, before.picture, facts), window, before.picture, facts)
            tile = applied(self.device, step, before.cut(needed), window, facts)
            made[:, window.rows, window.cols] = self.device.download(tile.array)

        self._strips(shape, strip)
        return Tile(made, shape.whole, shape, planes)

    def _deep(self, step: Step, stage: DeepStage, before: Tile, facts: Mapping[str, Any]) -> Tile:
        shape = before.picture
        level = min(DEEP_LEVEL, max(stage.top(shape) - 1, 1))
        coarse = shape.halved(level)
        handed = stage.down(self.device, [before], coarse.whole, level, facts)
        solved = stage.solve(self.device, handed, level, shape, facts)
        made = np.empty((len(before.planes), shape.height, shape.width), np.float32)

        def strip(window: Window) -> None:
            needed = with_mask(step, stage.up_window(window, level, shape), window, shape, facts)
            given = before.cut(needed)
            part = solved.cut(stage.coarse_window(window, level, shape))
            after = stage.up(self.device, [given], part, window, level, facts)
            tile = mixed(self.device, step, given, after, mask_of(self.device, step, given, window, facts))
            made[:, window.rows, window.cols] = self.device.download(tile.array)

        self._strips(shape, strip)
        return Tile(made, shape.whole, shape, before.planes)

    def _strips(self, shape: Shape, work: Any) -> None:
        windows: Sequence[Window] = list(Grid(shape, STRIP_PX, shape.width))
        if self._pool is None:
            self._pool = ThreadPoolExecutor(self.threads, thread_name_prefix="strip")
        for _ in self._pool.map(work, windows):
            pass
