"""Cuts a job's steps into passes, for one size of tiles and one hand-over level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tilepipe.device.tile import COVERAGE
from tilepipe.geometry import Shape
from tilepipe.measure.motion import TILE_PX
from tilepipe.plan.chain import Chain, split
from tilepipe.plan.costs import SURVEY_TILE
from tilepipe.plan.job import Job
from tilepipe.plan.passes import (
    FRAMES,
    DeliverPass,
    MotionPass,
    Pass,
    PixelPass,
    RefinePass,
    SolvePass,
    SurveyPass,
    UnpackPass,
)
from tilepipe.recipe.model import Step
from tilepipe.stages.blend import Blend
from tilepipe.stages.deep import DeepStage


def cut_into_passes(job: Job, tile_px: int, level: int | None) -> tuple[tuple[Pass, ...], str, str, int]:
    """All passes in order, the names of the finished and of the scene-linear picture, the deepest hand-over level."""
    sizes = _Sizes(job, Shape(tile_px, tile_px), level)
    passes: list[Pass] = [
        UnpackPass(f"unpack-{index}", index, frame.shape)
        for index, frame in enumerate(job.frames) if not frame.windowed
    ]
    if job.identified or job.measured:
        passes.append(SurveyPass("survey", job.shape, SURVEY_TILE, len(job.frames)))
    if "align" in job.measured:
        passes.append(RefinePass("refine"))
    if "motion" in job.measured and len(job.frames) > 1:
        passes.append(MotionPass("motion", job.shape, Shape(TILE_PX, TILE_PX)))
    finishing = _finishing_passes(sizes)
    passes += [*_blend_passes(sizes, "blended" if finishing else "result"), *finishing]
    linear = "linear" if any(isinstance(step, PixelPass) and step.output == "linear" for step in passes) else "result"
    last = next(step for step in passes if isinstance(step, PixelPass) and step.output == "result")
    passes += [
        DeliverPass(f"deliver-{index}", index, "result", last.shape, last.planes) for index in range(job.deliverables)
    ]
    deepest = max((step.level for step in passes if isinstance(step, PixelPass)), default=0)
    return tuple(passes), "result", linear, deepest


@dataclass(frozen=True)
class _Sizes:
    """A job with the tile size and hand-over level of this attempt."""

    job: Job
    tile: Shape
    level: int | None

    def hand_over(self, stage: DeepStage, shape: Shape) -> int:
        """The hand-over level: margins small against the tile, the level in memory small against the picture."""
        assert self.level is not None
        top = (stage.deep if isinstance(stage, Blend) else stage).top(shape)
        return min(self.level, top, (self.tile.height & -self.tile.height).bit_length() - 1)

    def pixels(
        self, name: str, source: str, chain: Chain, head: Step | None, output: str, given: tuple[str, ...]
    ) -> PixelPass:
        """A pass with no half of a deep stage in it, from a picture with the planes `given`."""
        names = chain.planes(given)
        return PixelPass(name, source, chain, head, "whole", Chain((), chain.result), output, len(names), names, self.tile)


def _blend_passes(sizes: _Sizes, output: str) -> list[Pass]:
    blend, start = sizes.job.blend, Chain((), sizes.job.shape)
    assert blend is not None
    if getattr(blend.stage, "is_deep", False):
        return _deep_passes(sizes, start, blend, FRAMES, output, start, sizes.job.planes)
    return [sizes.pixels("blend", FRAMES, start, blend, output, sizes.job.planes)]


def _finishing_passes(sizes: _Sizes) -> list[Pass]:
    """Everything after the blend; a scene-linear master leaves out the display, so it goes its own way from there."""
    job = sizes.job
    if not job.finishing:
        return []
    parts = split(job.finishing, job.shape)
    shown = [number for number, (chain, _) in enumerate(parts) if any(map(_is_display, chain.steps))]
    if not (job.linear_master and shown):
        return _branch(sizes, parts, "blended", job.planes, "finish", "result")
    passes: list[Pass] = []
    source, given = "blended", job.planes
    for before, deep in parts[: shown[0]]:
        assert deep is not None
        output = f"{deep.id}-made"
        passes += _deep_passes(sizes, before, deep, source, output, Chain((), before.result), given)
        source, given = output, before.planes(given)
    rest = parts[shown[0] :]
    plain = [
        (Chain(tuple(step for step in chain.steps if not _is_display(step)), chain.source), deep) for chain, deep in rest
    ]
    passes += _branch(sizes, rest, source, given, "finish", "result")
    return passes + _branch(sizes, plain, source, given, "linear", "linear", "linear-")


def _is_display(step: Step) -> bool:
    return step.stage.name == "display"


def _branch(
    sizes: _Sizes, parts: Sequence[tuple[Chain, Step | None]], source: str, given: tuple[str, ...], name: str,
    output: str, prefix: str = "",
) -> list[Pass]:
    """From `source` to `output`: each deep stage in two halves, what follows the last one fused with it."""
    *deeps, (tail, _) = parts
    if not deeps:
        return [sizes.pixels(name, source, tail, None, output, given)]
    passes: list[Pass] = []
    for number, (before, deep) in enumerate(deeps, 1):
        assert deep is not None
        fused = number == len(deeps)
        made = output if fused else f"{prefix}{deep.id}-made"
        after = tail if fused else Chain((), before.result)
        passes += _deep_passes(sizes, before, deep, source, made, after, given, prefix)
        source, given = made, before.planes(given)
    return passes


def _deep_passes(
    sizes: _Sizes, before: Chain, deep: Step, source: str, output: str, after: Chain, given: tuple[str, ...],
    prefix: str = "",
) -> list[Pass]:
    """The two halves of a deep stage and what lies between them; `given` are the planes of the source."""
    job, stage, shape = sizes.job, deep.stage, before.result
    assert isinstance(stage, DeepStage)
    names = before.planes(given)
    level = sizes.hand_over(stage, shape)
    count = stage.coarse_planes(len(job.frames) if source == FRAMES else 1, COVERAGE in names, {})
    name = f"{prefix}{deep.id}"
    coarse, solved = f"{name}-coarse", f"{name}-solved"
    level_tile = Shape(sizes.tile.height >> level, sizes.tile.width >> level)
    whole_level, made = Chain((), shape.halved(level)), after.planes(names)
    return [
        PixelPass(f"{name}-down", source, before, deep, "down", whole_level, coarse, count, names, level_tile, level),
        SolvePass(f"{name}-solve", deep, coarse, solved, level, shape, count),
        PixelPass(
            f"{name}-up", source, before, deep, "up", after, output, len(made), made, sizes.tile, level, solved
        ),
    ]
