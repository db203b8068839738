"""Reduced copies of a run's frames, or of the picture that they join to: what previews and large proofs work on."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device.tile import COLOUR, COVERAGE
from tilepipe.digest import key_of
from tilepipe.formats.frame import Encoding, FrameInfo
from tilepipe.geometry import Grid, Shape
from tilepipe.plan import planner
from tilepipe.plan.job import Job
from tilepipe.plan.reduced import on_copies
from tilepipe.recipe.model import Recipe
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.measuring import Measured
from tilepipe.run.opening import job_of, steps_of
from tilepipe.stages.proof_copy import full_window, reduced_shape, reduced_tile
from tilepipe.stages.settle import SettleMaps
from tilepipe.store.picture import Picture


@dataclass(frozen=True)
class Copies:
    """Frames reduced by `factor` from the size `full`, dark → bright, and all that was measured of them at full size.

    `key` stands for all that their pixels and facts depend on.
    """

    feeds: tuple[FrameFeed, ...]
    factor: int
    full: Shape
    facts: Mapping[str, Any]
    maps: SettleMaps | None
    coverage: bool
    key: str

    @property
    def shape(self) -> Shape:
        return self.feeds[0].shape

    @property
    def planes(self) -> tuple[str, ...]:
        """The planes of the joined picture."""
        return (*COLOUR, COVERAGE) if self.coverage else COLOUR

    def job(self, recipe: Recipe) -> Job:
        """The steps after the measurements, on these copies."""
        plain = recipe.model_copy(update={"deliver": (), "base": None})
        job = job_of(plain, self.feeds, identified=False)
        steps = on_copies(steps_of(plain), self.full, self.factor)
        return dataclasses.replace(job, steps=steps, coverage=self.coverage, base=int(self.facts["base"]))


def reduced_frames(run: Execution, long_side_px: int) -> Copies:
    """Copies of all frames, aligned, their longer side at most about `long_side_px`; kept in the working folder."""
    longer = max(run.job.shape.height, run.job.shape.width)
    factor = max(1, -(-longer // long_side_px))
    run.measure()
    feeds = tuple(_reduced(run, index, factor) for index in range(len(run.feeds)))
    maps = dataclasses.replace(run.maps, factor=factor) if run.maps else None
    key = key_of({"frames": run.frames_key(), "factor": factor})
    return Copies(feeds, factor, run.job.shape, _facts(run, feeds[0].shape, factor), maps, run.job.coverage, key)


def _facts(run: Execution, shape: Shape, factor: int) -> dict[str, Any]:
    """The run's facts for copies: a box's mean has its pixels' noise over their number."""
    share = 1.0 / (factor * factor)
    frames = [
        {**frame, "shot": frame["shot"] * share, "read": frame["read"] * share, "reduced": factor}
        for frame in run.facts["frames"]
    ]
    return {**run.facts, "frames": frames, "shape": [shape.height, shape.width]}


def _reduced(run: Execution, index: int, factor: int) -> FrameFeed:
    """One frame's reduced copy in the base frame's geometry, kept in the working folder for the next proof."""
    feed = run.feeds[index]
    shape = reduced_shape(feed.shape, factor)
    names = COLOUR + ((COVERAGE,) if feed.has_coverage else ())
    key = key_of({"proof": 2, "frames": run.frames_key(), "frame": index, "factor": factor})
    side = max(1024 // factor, 64)
    place = run.workspace.place(f"proof-frame-{index}", key, shape, names, "float32", Shape(side, side))
    grid = Grid(shape, place.tile.height, place.tile.width)

    def work(number: int) -> None:
        window = grid[number]
        tile = feed.tile(run.device, full_window(window, factor, feed.shape))
        place.write(number, window, run.device.download(reduced_tile(run.device, tile, window, factor).array))

    missing = [] if place.complete else [number for number in range(len(grid)) if number not in place.finished]
    finished = False
    try:
        run.engine.run_bag(f"reduce-{index}", missing, work, len(grid))
        finished = True
    finally:
        place.close(complete=finished)
    info = _linear_info(feed.info, shape, feed.has_coverage)
    return dataclasses.replace(
        feed, info=info, codes=place.picture, decoder=FrameDecoder.of(info), warp=None, fade=None, veils=()
    )


def _linear_info(info: FrameInfo, shape: Shape, covered: bool) -> FrameInfo:
    encoding = Encoding("linear", info.encoding.space, "reduced copy", info.encoding.to_xyz_d50)
    return dataclasses.replace(
        info, shape=shape, kind="colour", dtype="float32", channels=3, encoding=encoding, tiled=True, coverage_full=1.0,
        has_coverage=covered, thread_bytes=0,
    )


def job_on_copies(recipe: Recipe, run: Execution, copies: Copies) -> Picture:
    """The steps after the measurements on reduced frames, within the memory of the run; pictures lie in its folder."""
    job = copies.job(recipe)
    plan = planner.make_plan(job, planner.Wish(run.plan.memory_bytes, run.plan.workers))
    proof = Execution(
        plan, job, list(copies.feeds), run.device, run.engine, run.workspace, [], {},
        measured=Measured(list(copies.feeds), dict(copies.facts)), maps=copies.maps,
    )
    proof.run()
    return proof.pictures[plan.result]


def finished_small(recipe: Recipe, run: Execution, factor: int) -> Execution:
    """The frames joined at full size, as the run does it and keeps it; that picture reduced, and finished small.

    What merging and settling decide pixel by pixel is thus decided as in the run. Needs a step after the blend.
    """
    run.run_up_to("blended")
    copy = _joined_copy(run, factor)
    full = run.job.shape
    plain = recipe.model_copy(update={"deliver": (), "base": None})
    small = dataclasses.replace(run.feeds[0].info, shape=copy.shape)
    feeds = [dataclasses.replace(feed, info=small) for feed in run.feeds]
    job = dataclasses.replace(
        job_of(plain, feeds, identified=False), steps=on_copies(steps_of(plain), full, factor), coverage=run.job.coverage
    )
    plan = planner.make_plan(job, planner.Wish(run.plan.memory_bytes, run.plan.workers))
    made = Execution(
        plan, job, list(feeds), run.device, run.engine, run.workspace, [], {},
        measured=Measured(list(feeds), _facts(run, copy.shape, factor)), maps=None,
    )
    made.finish_from(copy, key_of({"joined": run.keys["blended"], "factor": factor}))
    return made


def _joined_copy(run: Execution, factor: int) -> Picture:
    """The joined picture reduced, kept in the working folder."""
    joined = run.pictures["blended"]
    shape, side = reduced_shape(joined.shape, factor), max(1024 // factor, 64)
    key = key_of({"proof": 3, "joined": run.keys["blended"], "factor": factor})
    place = run.workspace.place("proof-joined", key, shape, joined.planes, "float32", Shape(side, side))
    grid = Grid(shape, place.tile.height, place.tile.width)

    def work(number: int) -> None:
        window = grid[number]
        tile = read_tile(run.device, joined, full_window(window, factor, joined.shape))
        place.write(number, window, run.device.download(reduced_tile(run.device, tile, window, factor).array))

    missing = [] if place.complete else [number for number in range(len(grid)) if number not in place.finished]
    finished = False
    try:
        run.engine.run_bag("reduce-joined", missing, work, len(grid))
        finished = True
    finally:
        place.close(complete=finished)
    return place.picture


__all__: Sequence[str] = ("Copies", "finished_small", "job_on_copies", "reduced_frames")
