"""Makes a plan: cuts the steps into passes, sizes tiles to the memory budget, states memory, disk, time, or refuses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    TileWindows,
    UnpackPass,
)
from tilepipe.recipe.model import Step
from tilepipe.stages.blend import Blend
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.fusion import ExposureFusion

TILE_SIZES_PX = (2048, 1024, 512, 256)
TILE_GRAIN_PX = 128  # the digest's block: every tile is made of whole blocks
MIB = 1 << 20
# Host memory beside the tiles, from measured runs (scripts/show_memory.py): the interpreter with all libraries and the
# compiled kernels; a worker's idle buffers; what packing a deliverable takes for each worker and plane, whatever the
# picture's size: 15 to 27 MiB, the most for scene-linear files with their colours changed (JPEG files come on top).
PROCESS_BYTES = 112 * MIB
WORKER_BYTES = 16 * MIB
DELIVER_PLANE_BYTES = 28 * MIB
SURVEY_TILE = Shape(1024, 1024)
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


def make_plan(job: Job, wish: Wish, facts: Mapping[str, Any] | None = None) -> Plan:
    """The passes of a job and what they will take; PlanError with numbers and what to change if it cannot work."""
    facts = facts or {"shape": [job.shape.height, job.shape.width]}
    sizes = (_grained(wish.tile_px),) if wish.tile_px else TILE_SIZES_PX
    tried: list[Plan] = []
    for size in _useful(sizes, job.shape, wish.workers):
        for level in (wish.level,) if wish.level else _levels(size):
            tried.append(_plan_with(job, replace(wish, level=level), size, facts))
            if tried[-1].promise_bytes <= wish.memory_bytes:
                return tried[-1]
    _refuse_memory(job, wish, min(tried, key=lambda plan: plan.promise_bytes), facts)
    raise AssertionError("a refusal always raises")


def _levels(tile_px: int) -> range:
    """Hand-over levels to try: the one whose margins are a quarter of the tile, then deeper ones for less in memory."""
    return range(min(max(2, (tile_px // 32).bit_length() - 1), DEEPEST_LEVEL), DEEPEST_LEVEL + 1)


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
        scratch_disk_bytes=sum(picture_bytes(job, passes).values()), seconds=_seconds(job, passes, wish.workers),
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
        return workers * step.planes * DELIVER_PLANE_BYTES
    return 0


def _survey_bytes(job: Job, workers: int) -> int:
    """The sums of all frames' reduced pictures, and one decoded tile a worker."""
    factor = -(-max(job.shape.height, job.shape.width) // REDUCED_PX)
    sums = len(job.frames) * (job.shape.pixels // (factor * factor)) * REDUCED_BYTES
    tile = SURVEY_TILE.whole.cut(job.shape)
    return sums + workers * (max(_decoding_bytes(frame, tile) for frame in job.frames) + WORKER_BYTES)


def _passes(job: Job, tile_px: int, level: int | None) -> tuple[tuple[Pass, ...], str, str, int]:
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


def _middle_tile(step: PixelPass) -> Window:
    """A tile away from the border, where margins are whole."""
    grid = step.grid
    return grid[(grid.rows // 2) * grid.cols + grid.cols // 2]


def _tile_bytes(job: Job, step: PixelPass, facts: Mapping[str, Any]) -> int:
    """The most that is alive while one tile is made, from its source to what writing it copies."""
    wanted = _middle_tile(step)
    windows = step.windows(wanted, facts)
    planes = max(len(job.planes), len(step.names))
    made = wanted.pixels * step.planes * 4
    if step.source == FRAMES:
        source, given = _frames_bytes(job, windows.source)
    else:
        source = scratch_bytes(step.before, windows.before[-1], planes, facts)
        given = windows.before[-1].pixels * planes * 4
    head = given
    if step.head is not None:
        head += windows.head.pixels * step.planes * 4 + _head_scratch(job, step, windows)
        if step.head.where is not None and step.part == "up":
            head += windows.head.pixels * planes * 4 + step.head.where.scratch_bytes(windows.head)
    after = scratch_bytes(step.after, wanted, step.planes, facts) if step.part != "down" else 0
    return max(source, head, given + after if step.head is None else after, 2 * made)


def _head_scratch(job: Job, step: PixelPass, windows: TileWindows) -> int:
    """What the head keeps beside its input and output, at the hand-over level of this plan."""
    assert step.head is not None
    stage = step.head.stage
    if step.part == "whole":
        return stage.scratch_bytes(windows.head, sum(frame.aligned_planes for frame in job.frames))
    assert isinstance(stage, DeepStage)
    shape, area, covered = step.before.result, windows.head, COVERAGE in step.names
    if step.part == "down":
        scale = 1 << step.level
        area = Window(area.y * scale, area.x * scale, area.height * scale, area.width * scale).cut(shape)
    if not isinstance(stage, Blend):
        return stage.deep_scratch_bytes(area, step.level, shape, covered)
    frames = len(job.frames)
    covered = covered or any(frame.aligned_planes > frame.decoded_planes for frame in job.frames)
    if not isinstance(stage.deep, ExposureFusion):
        return stage.deep.deep_scratch_bytes(area, step.level, shape, covered, frames=frames)
    shown = windows.before[-1].pixels * frames * 4 * (8 if covered else 3)  # covered: some of them once more before that
    return shown + stage.deep.deep_scratch_bytes(area, step.level, shape, covered, frames=frames)


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


def picture_bytes(job: Job, passes: Sequence[Pass]) -> dict[str, int]:
    """The bytes of each working picture, by its name in the working folder."""
    found: dict[str, int] = {}
    for step in passes:
        if isinstance(step, UnpackPass):
            found[step.name] = step.shape.pixels * job.frames[step.frame].pixel_bytes
        elif isinstance(step, PixelPass):
            found[step.output] = step.shape.pixels * step.planes * 4
    return found


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


def size_text(count: float) -> str:
    """A number of bytes as a person reads it."""
    return f"{count / (1 << 30):.2f} GiB" if count >= 1 << 30 else f"{count / MIB:.0f} MiB"


def _refuse_memory(job: Job, wish: Wish, smallest: Plan, facts: Mapping[str, Any]) -> None:
    alone = _plan_with(job, replace(wish, workers=1, level=smallest.level), smallest.tile_px, facts)
    ways = [f"raise --memory to at least {size_text(smallest.promise_bytes)}"]
    if wish.workers > 1:
        ways.append(f"run with --workers 1 (needs {size_text(alone.promise_bytes)})")
    if wish.tile_px and wish.tile_px > TILE_SIZES_PX[-1]:
        ways.append(f"take smaller tiles, --tile {TILE_SIZES_PX[-1]}")
    if len(ways) == 1:
        ways.append("take fewer frames: each one adds its own window to a tile")
    raise PlanError(
        "this job does not fit into the memory it may use", found=f"--memory {size_text(wish.memory_bytes)}",
        allowed=f"{size_text(smallest.promise_bytes)} with {wish.workers} workers and tiles of {smallest.tile_px} px",
        next_step="; or ".join(ways),
    )
