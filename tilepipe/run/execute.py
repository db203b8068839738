"""Carries out a plan pass by pass: the same steps for files in a working folder and for arrays in memory."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np

from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.digest import key_of
from tilepipe.formats.frame import Frame
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.chain import descriptor, frames_for_key
from tilepipe.plan.job import Job
from tilepipe.plan.passes import FRAMES, MotionPass, Pass, PixelPass, Plan, RefinePass, SolvePass, SurveyPass, UnpackPass
from tilepipe.run.checks import BlendLook
from tilepipe.run.engine import Engine
from tilepipe.run.evaluate import make_tile, read_tile, refuse_nonfinite
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.fitting import Fitting
from tilepipe.run.measuring import Measured, measure_frames, plain_facts, refine_frames
from tilepipe.run.motion import find_motion, motion_for_key
from tilepipe.run.workspace import Place, Workspace
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.settle import SettleMaps
from tilepipe.store.picture import CHUNK_PX, MemoryPicture, Picture

FORMAT = 1  # of the working pictures; a change makes every key new


@dataclass
class Execution:
    """One run of a plan: what is known so far, and the pictures made."""

    plan: Plan
    job: Job
    feeds: list[FrameFeed]
    device: Any
    engine: Engine
    workspace: Workspace
    identities: list[Any]  # what tells one frame's file from another before its pixels are read
    stated: dict[str, Any] = field(default_factory=dict)  # what the recipe states of the frames, by measurement
    facts: dict[str, Any] = field(default_factory=dict)
    pictures: dict[str, Picture] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)
    times: dict[str, float] = field(default_factory=dict)
    measured: Measured | None = None
    maps: SettleMaps | None = None  # where frames are settled on one of them
    checks: dict[str, Any] = field(default_factory=dict)  # what there is to look at, for the receipt
    sets: tuple[str, ...] = ()
    feeds_as_given: list[FrameFeed] = field(default_factory=list)  # in the recipe's order, shaken ones included

    def run(self, finish: bool = True, linear: bool = True) -> None:
        """All passes up to the finished picture; delivering is not part of it.

        Without `finish` the last pass is left out: `window` then makes any part of the finished picture. Without `linear`
        so is all that leads to the linear picture only.
        """
        if not any(isinstance(step, SurveyPass) for step in self.plan.passes):
            self._take(self.measured or plain_facts(self))
        left_out = self._beside(self.plan.way[:-1] if not finish else self.plan.way) if not (finish and linear) else ()
        for step in self.plan.passes:
            if step not in left_out:
                self._run(step)

    def measure(self) -> None:
        """The measuring passes alone: afterwards `facts` and the aligned `feeds` are known."""
        for step in self.plan.passes:
            if isinstance(step, UnpackPass | SurveyPass | RefinePass | MotionPass):
                self._run(step)

    def _run(self, step: Pass) -> None:
        runners: dict[type, Callable[[Any], None]] = {
            UnpackPass: self._unpack, SurveyPass: self._survey, RefinePass: self._refine,
            MotionPass: self._motion, PixelPass: self._pixels, SolvePass: self._solve,
        }
        if type(step) in runners:
            started = time.monotonic()
            runners[type(step)](step)
            self.device.trim()
            self.times[step.name] = time.monotonic() - started

    def _take(self, measured: Measured) -> None:
        self.measured, self.feeds, self.facts = measured, measured.feeds, dict(measured.facts)

    @property
    def finishing_pass(self) -> PixelPass:
        """The pass that makes the finished picture."""
        return next(
            step for step in self.plan.passes if isinstance(step, PixelPass) and step.output == self.plan.result
        )

    def run_up_to(self, output: str) -> None:
        """The passes up to the one that makes the picture `output`."""
        for step in self.plan.passes:
            self._run(step)
            if isinstance(step, PixelPass) and step.output == output:
                return

    def finish_from(self, blended: Picture, key: str) -> None:
        """The passes after the blend, on a joined picture that was made elsewhere; `key` stands for it."""
        self._take(self.measured or plain_facts(self))
        self.pictures["blended"], self.keys["blended"] = blended, key
        before = next(
            index for index, step in enumerate(self.plan.passes)
            if isinstance(step, PixelPass) and step.output == "blended"
        )
        for step in self.plan.passes[before + 1 :]:
            self._run(step)

    def _beside(self, needed: Sequence[Pass]) -> list[Pass]:
        """The passes that make pictures and are not among the needed ones."""
        return [step for step in self.plan.passes if isinstance(step, PixelPass | SolvePass) and step not in needed]

    def window(self, wanted: Window) -> Any:
        """The final pixels `(plane, y, x)` of any window of the finished picture, computed for it alone, tile by tile."""
        step = self.finishing_pass
        pixels = np.empty((len(step.names), wanted.height, wanted.width), np.float32)
        for part in Grid(wanted.shape, step.tile.height, step.tile.width):
            tile = Window(wanted.y + part.y, wanted.x + part.x, part.height, part.width)
            pixels[:, part.rows, part.cols] = self._window_tile(step, tile)
        return pixels

    def _window_tile(self, step: PixelPass, wanted: Window) -> Any:
        source, solved = self.pictures.get(step.source), self.pictures.get(step.solved)
        tile = make_tile(self.device, step, wanted, self.feeds, source, solved, self.facts, maps=self.maps)
        self._refuse_nonfinite(step, tile, wanted, source, solved)
        return self.device.download(tile.array)

    # ------------------------------------------------------------ frames
    def _unpack(self, step: UnpackPass) -> None:
        """Decodes a whole-file frame into a working picture that can be read by windows."""
        feed = self.feeds[step.frame]
        info = feed.info
        names = tuple(f"code {index}" for index in range(info.planes))
        key = key_of({"format": FORMAT, "unpack": info.facts_for_key, "file": self.identities[step.frame]})
        place = self.workspace.place(step.name, key, info.shape, names, info.dtype, Shape(CHUNK_PX, CHUNK_PX))
        frame = cast(Frame, feed.codes)  # what is not read by windows is a file, never a working picture

        def work(index: int) -> None:
            frame.decode_all(place.picture.write, CHUNK_PX)
            frame.close()
            for chunk, window in enumerate(Grid(info.shape, CHUNK_PX, CHUNK_PX)):
                place.done(chunk, window)  # so that "complete" is only noted once the chunks are on the disk

        self._bag(step.name, place, [] if place.complete else [0], work, 1)
        self.feeds[step.frame] = dataclasses.replace(feed, codes=place.picture)

    def _survey(self, step: SurveyPass) -> None:
        self.feeds_as_given = list(self.feeds)
        self._take(measure_frames(self, step))

    def _refine(self, step: RefinePass) -> None:
        assert self.measured is not None
        self.feeds, self.facts = refine_frames(self, self.measured)

    def _motion(self, step: MotionPass) -> None:
        found, self.maps = find_motion(self, step)
        self.facts = {**self.facts, **found}

    # ------------------------------------------------------------ pictures
    def _key(self, step: PixelPass) -> str:
        """All that a pass's pixels depend on; never the device, the tile, the workers – nor, but for a hand-over, the level."""
        source: Any = self.keys[step.source] if step.source != FRAMES else self.frames_key()
        parts: dict[str, Any] = {
            "format": FORMAT, "source": source, "shape": [step.shape.height, step.shape.width],
            "before": [descriptor(each, self.facts) for each in step.before.steps],
            "head": descriptor(step.head, self.facts) if step.head else None, "part": step.part,
            "after": [descriptor(each, self.facts) for each in step.after.steps],
        }
        if step.part == "down":
            parts["level"] = step.level
        return key_of(parts)

    def frames_key(self) -> Any:
        """All that the aligned, decoded frames depend on."""
        return [
            {**frame, "decoder": feed.decoder.facts(), "warp": feed.warp.facts() if feed.warp else None,
             **({"fade": feed.fade.facts()} if feed.fade else {})}
            for frame, feed in zip(frames_for_key(self.facts), self.feeds, strict=True)
        ] + [self.facts["base"], *motion_for_key(self.facts)]

    def _pixels(self, step: PixelPass) -> None:
        key = self.keys[step.output] = self._key(step)
        planes = self._plane_names(step)
        place = self.workspace.place(step.output, key, step.shape, planes, "float32", step.tile)
        step = dataclasses.replace(step, tile=place.tile)
        source = self.pictures.get(step.source)
        solved = self.pictures.get(step.solved)
        grid, look = step.grid, BlendLook.of(self, step)
        missing = [index for index in range(len(grid)) if index not in place.finished]

        fitting = Fitting(self.device, self.engine, step.name, step.level if step.part == "down" else 0)

        def part(window: Window) -> None:
            tile = make_tile(self.device, step, window, self.feeds, source, solved, self.facts, maps=self.maps, look=look)
            self._refuse_nonfinite(step, tile, window, source, solved)
            place.take(window, self.device, tile.array)

        def work(index: int) -> None:
            window = grid[index]
            fitting.run(window, part)
            place.done(index, window)

        self._bag(step.name, place, [] if place.complete else missing, work, len(grid))
        self.pictures[step.output] = place.picture
        if look is not None:
            self.checks["blend"] = look.finish(self, step)

    def _refuse_nonfinite(
        self, step: PixelPass, tile: Any, window: Window, source: Picture | None, solved: Picture | None
    ) -> None:
        """A bad value is looked for at the pass's end; where there is one, the tile is made again stage by stage."""
        try:
            refuse_nonfinite(self.device, tile, step.name)
        except Exception:
            make_tile(
                self.device, step, window, self.feeds, source, solved, self.facts, maps=self.maps,
                watch=lambda name, made: refuse_nonfinite(self.device, made, name),
            )
            raise

    def _bag(self, name: str, place: Place, missing: Sequence[int], work: Callable[[int], None], total: int) -> None:
        finished = False
        try:
            self.engine.run_bag(name, missing, work, total)
            finished = True
        finally:
            place.close(complete=finished)

    def _plane_names(self, step: PixelPass) -> tuple[str, ...]:
        """The planes of a pass's picture; a deep stage names those that it hands over itself."""
        if step.part != "down":
            return step.names
        assert step.head is not None
        stage = step.head.stage
        handing: Any = stage
        frames = step.source == FRAMES
        covered = any(feed.has_coverage for feed in self.feeds) if frames else COVERAGE in step.names
        names: tuple[str, ...] = handing.hand_over_names([_empty_tile(covered)] * (len(self.feeds) if frames else 1))
        return names

    def _solve(self, step: SolvePass) -> None:
        """Solves the whole hand-over level in memory, where the second half of the deep stage reads it."""
        stage, level = step.head.stage, step.shape.halved(step.level)
        assert isinstance(stage, DeepStage)
        solved: list[Tile] = []

        def work(index: int) -> None:
            coarse = read_tile(self.device, self.pictures[step.source], level.whole)
            solved.append(stage.solve(self.device, coarse, step.level, step.shape, self.facts))

        self.engine.run_bag(step.name, [0], work, 1)
        self.pictures[step.output] = MemoryPicture(self.device.settled(solved[0].array), solved[0].planes)


def _empty_tile(covered: bool) -> Tile:
    """A tile of no pixels, with the planes that a stage gets."""
    planes = (*COLOUR, COVERAGE) if covered else COLOUR
    nothing = Window(0, 0, 0, 0)
    return Tile(np.empty((len(planes), 0, 0), np.float32), nothing, nothing.shape, planes)
