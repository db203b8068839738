"""Makes a plan: cuts the steps into passes, sizes tiles to the memory budget, states memory, disk and time, or refuses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from tilepipe.device.tile import COVERAGE
from tilepipe.errors import PlanError
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import Chain, scratch_bytes, split
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.plan.passes import (
    FRAMES,
    DeliverPass,
    Pass,
    PixelPass,
    Plan,
    RefinePass,
    SolvePass,
    SurveyPass,
    UnpackPass,
)
from tilepipe.recipe.model import Step
from tilepipe.stages.deep import DeepStage

TILE_SIZES_PX = (2048, 1024, 512, 256)
TILE_GRAIN_PX = 128  # the digest's block: every tile is made of whole blocks
MIB = 1 << 20
# Host memory beside the tiles, from measured runs (scripts/show_memory.py): the interpreter with all libraries and the
# compiled kernels; a worker's idle buffers; what packing a deliverable takes for each worker and plane.
PROCESS_BYTES = 112 * MIB
WORKER_BYTES = 16 * MIB
DELIVER_PLANE_BYTES = 28 * MIB
SURVEY_TILE_PX = 1024
REDUCED_PX, REDUCED_BYTES = 1500, 26  # the survey's sums: three int64 planes per frame, and two of uint16 made of them
DEEPEST_LEVEL = 7
SOLVE_PLANES = 12  # of the hand-over level that solving local contrast keeps beside it
# Nanoseconds per pixel and worker, from the demo's pass times in its receipt (6 MP × 4 raw, two cores of a server
# processor); they only feed the estimate of time.
NANOSECONDS = {
    "unpack": 30.0, "survey": 270.0, "mosaic": 160.0, "colour": 60.0, "point": 35.0, "deep": 120.0, "deliver": 200.0,
}
REFINE_SECONDS = 3.0  # of one worker, for each bracket that is aligned


@dataclass(frozen=True)
class Wish:
    """What the user fixes; None lets the planner choose."""

    memory_bytes: int
    workers: int
    tile_px: int | None = None
    level: int | None = None
    free_disk_bytes: int | None = None


def make_plan(job: Job, wish: Wish, facts: Mapping[str, Any] | None = None) -> Plan:
    """The passes of a job and what they will take; PlanError with numbers and two ways out if it cannot work."""
    facts = facts or {"shape": [job.shape.height, job.shape.width]}
    sizes = (_grained(wish.tile_px),) if wish.tile_px else TILE_SIZES_PX
    tried: list[Plan] = []
    for size in _useful(sizes, job.shape, wish.workers):
        for level in (wish.level,) if wish.level else _levels(size):
            tried.append(_plan_with(job, replace(wish, level=level), size, facts))
            if tried[-1].promise_bytes <= wish.memory_bytes:
                return _with_disk(tried[-1], wish)
    _refuse_memory(job, wish, min(tried, key=lambda plan: plan.promise_bytes), facts)
    raise AssertionError("a refusal always raises")


def _levels(tile_px: int) -> range:
    """Hand-over levels to try: the one whose margins are a quarter of the tile, then deeper ones for less in memory."""
    return range(min(max(2, (tile_px // 32).bit_length() - 1), DEEPEST_LEVEL), DEEPEST_LEVEL + 1)


def _with_disk(plan: Plan, wish: Wish) -> Plan:
    if wish.free_disk_bytes is not None and plan.scratch_disk_bytes > wish.free_disk_bytes:
        raise PlanError(
            "the disk is too small for what this job writes", found=f"{_size(wish.free_disk_bytes)} free",
            allowed=f"{_size(plan.scratch_disk_bytes)} needed",
            next_step="free some space, or name another folder with --work",
        )
    return plan


def _grained(tile_px: int) -> int:
    return max(-(-tile_px // TILE_GRAIN_PX) * TILE_GRAIN_PX, TILE_GRAIN_PX)


def _useful(sizes: tuple[int, ...], shape: Shape, workers: int) -> tuple[int, ...]:
    """Sizes that leave every worker something to do; the smallest is always kept."""
    def tiles(size: int) -> int:
        return -(-shape.height // size) * -(-shape.width // size)

    busy = tuple(size for size in sizes if tiles(size) >= 2 * workers)
    return busy or sizes[-1:]


def _plan_with(job: Job, wish: Wish, tile_px: int, facts: Mapping[str, Any]) -> Plan:
    passes, result, linear, level = _passes(job, tile_px, wish.level)
    cached = wish.workers * sum(frame.thread_bytes for frame in job.frames)
    peak = max(_pass_bytes(job, step, wish.workers, facts) for step in passes)
    return Plan(
        passes=passes, result=result, linear=linear, tile_px=tile_px, level=level, workers=wish.workers,
        memory_bytes=wish.memory_bytes, promise_bytes=PROCESS_BYTES + cached + peak,
        scratch_disk_bytes=_disk_bytes(job, passes), seconds=_seconds(job, passes, wish.workers),
    )


def _pass_bytes(job: Job, step: Pass, workers: int, facts: Mapping[str, Any]) -> int:
    """What a pass takes beside the process itself and what reading threads keep."""
    if isinstance(step, UnpackPass):
        return job.frames[step.frame].decode_bytes
    if isinstance(step, SurveyPass):
        return _survey_bytes(job, workers)
    if isinstance(step, PixelPass):
        return workers * (_tile_bytes(job, step, facts) + WORKER_BYTES)
    if isinstance(step, SolvePass):
        return _solve_bytes(step)
    if isinstance(step, DeliverPass):
        return workers * len(job.planes) * DELIVER_PLANE_BYTES
    return 0


def _survey_bytes(job: Job, workers: int) -> int:
    """The sums of all frames' reduced pictures, and one decoded tile a worker."""
    factor = -(-max(job.shape.height, job.shape.width) // REDUCED_PX)
    sums = len(job.frames) * (job.shape.pixels // (factor * factor)) * REDUCED_BYTES
    tile = Window(0, 0, SURVEY_TILE_PX, SURVEY_TILE_PX).cut(job.shape)
    return sums + workers * (max(_decoding_bytes(frame, tile) for frame in job.frames) + WORKER_BYTES)


def _passes(job: Job, tile_px: int, level: int | None) -> tuple[tuple[Pass, ...], str, str, int]:
    """All passes in order, the names of the finished and of the scene-linear picture, the deepest hand-over level."""
    sizes = _Sizes(job, Shape(tile_px, tile_px), level)
    passes: list[Pass] = [
        UnpackPass(f"unpack-{index}", index, frame.shape)
        for index, frame in enumerate(job.frames) if not frame.windowed
    ]
    if job.identified or job.measured:
        passes.append(SurveyPass("survey", job.shape, Shape(1024, 1024), len(job.frames)))
    if "align" in job.measured:
        passes.append(RefinePass("refine"))
    finishing = _finishing_passes(sizes)
    passes += [*_blend_passes(sizes, "blended" if finishing else "result"), *finishing]
    linear = "linear" if any(isinstance(step, PixelPass) and step.output == "linear" for step in passes) else "result"
    shape = next(step.shape for step in passes if isinstance(step, PixelPass) and step.output == "result")
    passes += [DeliverPass(f"deliver-{index}", index, "result", shape) for index in range(job.deliverables)]
    deepest = max((step.level for step in passes if isinstance(step, PixelPass)), default=0)
    return tuple(passes), "result", linear, deepest


@dataclass(frozen=True)
class _Sizes:
    """A job with the tile size and hand-over level of this attempt."""

    job: Job
    tile: Shape
    level: int | None

    def hand_over(self, shape: Shape) -> int:
        """The hand-over level: margins small against the tile, the level in memory small against the picture."""
        assert self.level is not None
        return max(1, min(self.level, shape.depth, (self.tile.height & -self.tile.height).bit_length() - 1))

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
    """Everything after the blend: each deep stage in two halves, what follows the last one fused with it."""
    job = sizes.job
    *deeps, (tail, _) = split(job.finishing, job.shape)
    apart = job.linear_master and any(step.stage.name == "display" for step in tail.steps)
    passes: list[Pass] = []
    source, given = "blended", job.planes
    for number, (before, deep) in enumerate(deeps):
        assert deep is not None
        fused = number == len(deeps) - 1 and not apart
        output = "result" if fused else f"{deep.id}-made"
        passes += _deep_passes(sizes, before, deep, source, output, tail if fused else Chain((), before.result), given)
        source, given = output, before.planes(given)
    if source != "result" and (tail.steps or deeps or apart):
        passes.append(sizes.pixels("finish", source, tail, None, "result", given))
    if apart:
        plain = Chain(tuple(step for step in tail.steps if step.stage.name != "display"), tail.source)
        passes.append(sizes.pixels("linear", source, plain, None, "linear", given))
    return passes


def _deep_passes(
    sizes: _Sizes, before: Chain, deep: Step, source: str, output: str, after: Chain, given: tuple[str, ...]
) -> list[Pass]:
    """The two halves of a deep stage and what lies between them; `given` are the planes of the source."""
    job, stage, shape = sizes.job, deep.stage, before.result
    assert isinstance(stage, DeepStage)
    names = before.planes(given)
    level = sizes.hand_over(shape)
    count = stage.coarse_planes(len(job.frames) if source == FRAMES else 1, COVERAGE in names, {})
    coarse, solved = f"{deep.id}-coarse", f"{deep.id}-solved"
    level_tile = Shape(sizes.tile.height >> level, sizes.tile.width >> level)
    whole_level, made = Chain((), shape.halved(level)), after.planes(names)
    return [
        PixelPass(f"{deep.id}-down", source, before, deep, "down", whole_level, coarse, count, names, level_tile, level),
        SolvePass(f"{deep.id}-solve", deep, coarse, solved, level, shape, count),
        PixelPass(
            f"{deep.id}-up", source, before, deep, "up", after, output, len(made), made, sizes.tile, level, solved
        ),
    ]


def _middle_tile(step: PixelPass) -> Window:
    """A tile away from the border, where margins are whole."""
    grid = step.grid
    return grid[(grid.rows // 2) * grid.cols + grid.cols // 2]


def _tile_bytes(job: Job, step: PixelPass, facts: Mapping[str, Any]) -> int:
    """The most that is alive while one tile is made, from its source to what writing it copies."""
    wanted = _middle_tile(step)
    windows = step.windows(wanted, facts)
    planes = len(job.planes)
    made = wanted.pixels * step.planes * 4
    if step.source == FRAMES:
        source, given = _frames_bytes(job, windows.source)
        given_planes = sum(frame.aligned_planes for frame in job.frames)
    else:
        source = scratch_bytes(step.before, windows.before[-1], planes, facts)
        given, given_planes = windows.before[-1].pixels * planes * 4, planes
    head = given
    if step.head is not None:
        head += windows.head.pixels * step.planes * 4 + step.head.stage.scratch_bytes(windows.head, given_planes)
    after = scratch_bytes(step.after, wanted, step.planes, facts) if step.part != "down" else 0
    return max(source, head, given + after if step.head is None else after, 2 * made)


def _frames_bytes(job: Job, wanted: Window) -> tuple[int, int]:
    """(The most while the frames are read one by one, what all of them are at the end); the base stays as decoded."""
    results = [
        wanted.pixels * 4 * (frame.decoded_planes if index == job.base else frame.aligned_planes)
        for index, frame in enumerate(job.frames)
    ]
    total = sum(results)
    reading = [
        total - made + max(_decoding_bytes(frame, wanted), _decoded(frame, wanted) + made)
        for frame, made in zip(job.frames, results, strict=True)
    ]
    return max(reading), total


def _decoded(frame: FrameSketch, wanted: Window) -> int:
    return wanted.padded(frame.margin_px).cut(frame.shape).pixels * 4 * frame.decoded_planes


def _decoding_bytes(frame: FrameSketch, wanted: Window) -> int:
    padded = wanted.padded(frame.margin_px).cut(frame.shape).pixels
    return padded * (frame.pixel_bytes + 4 * (frame.decoded_planes + frame.scratch_planes))


def _solve_bytes(step: SolvePass) -> int:
    """The level itself, and what solving it keeps beside: a few planes, or as much again where frames are fused."""
    beside = step.planes * 2 if step.head.stage.kind == "blend" else step.planes // 5 + SOLVE_PLANES
    return step.shape.halved(step.level).pixels * (step.planes + beside) * 4


def _disk_bytes(job: Job, passes: tuple[Pass, ...]) -> int:
    total = 0
    for step in passes:
        if isinstance(step, UnpackPass):
            total += step.shape.pixels * job.frames[step.frame].pixel_bytes
        elif isinstance(step, PixelPass):
            total += step.shape.pixels * step.planes * 4
        elif isinstance(step, DeliverPass):
            total += step.shape.pixels * 6 * 4 // 3
    return total


def _seconds(job: Job, passes: tuple[Pass, ...], workers: int) -> float:
    total = 0.0
    for step in passes:
        if isinstance(step, UnpackPass):
            total += step.shape.pixels * NANOSECONDS["unpack"]
        elif isinstance(step, SurveyPass):
            total += step.shape.pixels * step.frames * NANOSECONDS["survey"]
        elif isinstance(step, PixelPass):
            total += _pass_nanoseconds(job, step)
        elif isinstance(step, DeliverPass):
            total += step.shape.pixels * NANOSECONDS["deliver"]
        elif isinstance(step, RefinePass):
            total += REFINE_SECONDS * 1e9
    return total / workers / 1e9


def _pass_nanoseconds(job: Job, step: PixelPass) -> float:
    pixels = step.before.result.pixels if step.part == "down" else step.shape.pixels
    each = NANOSECONDS["point"] * (1 + len(step.before.steps) + len(step.after.steps))
    if step.source == FRAMES:
        each += sum(NANOSECONDS["mosaic" if frame.mosaic else "colour"] for frame in job.frames)
    if step.part != "whole":
        each += NANOSECONDS["deep"]
    return pixels * each


def _size(count: float) -> str:
    return f"{count / (1 << 30):.2f} GiB" if count >= 1 << 30 else f"{count / MIB:.0f} MiB"


def _refuse_memory(job: Job, wish: Wish, smallest: Plan, facts: Mapping[str, Any]) -> None:
    alone = _plan_with(job, replace(wish, workers=1, level=smallest.level), smallest.tile_px, facts)
    ways = [f"raise --memory to at least {_size(smallest.promise_bytes)}"]
    if wish.workers > 1:
        ways.append(f"run with --workers 1 (needs {_size(alone.promise_bytes)})")
    if wish.tile_px and wish.tile_px > TILE_SIZES_PX[-1]:
        ways.append(f"take smaller tiles, --tile {TILE_SIZES_PX[-1]}")
    if len(ways) == 1:
        ways.append("take fewer frames: each one adds its own window to a tile")
    raise PlanError(
        "this job does not fit into the memory it may use", found=f"--memory {_size(wish.memory_bytes)}",
        allowed=f"{_size(smallest.promise_bytes)} with {wish.workers} workers and tiles of {smallest.tile_px} px",
        next_step="; or ".join(ways),
    )
