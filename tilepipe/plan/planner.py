"""Makes a plan: cuts the steps into passes, sizes tiles to the memory budget, states memory, disk and time, or refuses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from tilepipe.errors import PlanError
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import Chain, Step, scratch_bytes, split
from tilepipe.plan.job import Job
from tilepipe.plan.passes import (
    FRAMES, DeliverPass, Pass, PixelPass, Plan, RefinePass, SolvePass, SurveyPass, UnpackPass,
)
from tilepipe.stages.deep import DeepStage

TILE_SIZES_PX = (2048, 1024, 512, 256)
TILE_GRAIN_PX = 128  # the digest's block: every tile is made of whole blocks
MIB = 1 << 20
# Host memory beside the tiles, chosen from measured runs (scripts/measure_memory.py): interpreter with all libraries
# and the compiled kernels, then what zarr, the codecs and the allocator keep per worker.
PROCESS_BYTES = 230 * MIB
WORKER_BYTES = 24 * MIB
MARGIN_WASTE = 0.25  # above this share of extra pixels a smaller hand-over level is taken
# Nanoseconds per pixel and worker, measured on two cores of a server processor; they only feed the estimate of time.
NANOSECONDS = {"unpack": 25.0, "mosaic": 45.0, "colour": 12.0, "point": 6.0, "deep": 60.0, "deliver": 60.0, "survey": 15.0}


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
    plans = [_plan_with(job, wish, size, facts) for size in _useful(sizes, job.shape, wish.workers)]
    fitting = [plan for plan in plans if plan.promise_bytes <= wish.memory_bytes]
    if not fitting:
        _refuse_memory(job, wish, plans[-1], facts)
    plan = fitting[0]
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
    tile_bytes = max((_tile_bytes(job, step, facts) for step in passes if isinstance(step, PixelPass)), default=0)
    solve_bytes = max((_solve_bytes(step) for step in passes if isinstance(step, SolvePass)), default=0)
    fixed = PROCESS_BYTES + solve_bytes + _thread_bytes(job, wish.workers)
    return Plan(
        passes=passes, result=result, linear=linear, tile_px=tile_px, level=level, workers=wish.workers,
        memory_bytes=wish.memory_bytes, promise_bytes=fixed + wish.workers * tile_bytes,
        scratch_disk_bytes=_disk_bytes(job, passes), seconds=_seconds(job, passes, wish.workers),
    )


def _passes(job: Job, tile_px: int, level: int | None) -> tuple[tuple[Pass, ...], str, str, int]:
    tile = Shape(tile_px, tile_px)
    passes: list[Pass] = [
        UnpackPass(f"unpack-{index}", index, frame.shape)
        for index, frame in enumerate(job.frames) if not frame.windowed
    ]
    if job.identified or job.measured:
        passes.append(SurveyPass("survey", job.shape, Shape(1024, 1024), len(job.frames)))
    if "align" in job.measured:
        passes.append(RefinePass("refine"))
    deepest = 0
    blend = job.blend
    assert blend is not None
    start, source = Chain((), job.shape), FRAMES
    if getattr(blend.stage, "is_deep", False):
        deepest = _hand_over(job.shape, tile_px, level)
        passes += _deep_passes(job, start, blend, source, "blended", tile, deepest, Chain((), job.shape), len(job.frames))
    else:
        passes.append(
            PixelPass("blend", source, start, blend, "whole", Chain((), job.shape), "blended", len(job.planes), tile)
        )
    source = "blended"
    parts = split(job.finishing, job.shape)
    for number, (before, deep) in enumerate(parts):
        if deep is None:
            break
        after = Chain((), before.result)
        if number == len(parts) - 2 and not (job.linear_master and _displays(parts[-1][0])):
            after = parts[-1][0]
        deepest = max(deepest, _hand_over(before.result, tile_px, level))
        name = "result" if after.steps or number == len(parts) - 2 and not parts[-1][0].steps else f"{deep.id}"
        passes += _deep_passes(
            job, before, deep, source, name, tile, _hand_over(before.result, tile_px, level), after, 1
        )
        source = name
    tail = parts[-1][0]
    if source != "result":
        passes.append(PixelPass("finish", source, tail, None, "whole", Chain((), tail.result), "result", len(job.planes), tile))
    linear = "result"
    if job.linear_master and _displays(tail):
        plain = Chain(tuple(step for step in tail.steps if step.stage.name != "display"), tail.source)
        passes.append(PixelPass("linear", source, plain, None, "whole", Chain((), plain.result), "linear", len(job.planes), tile))
        linear = "linear"
    shape = tail.result
    passes += [DeliverPass(f"deliver-{index}", index, "result", shape) for index in range(job.deliverables)]
    return tuple(passes), "result", linear, deepest


def _displays(tail: Chain) -> bool:
    return any(step.stage.name == "display" for step in tail.steps)


def _hand_over(shape: Shape, tile_px: int, wished: int | None) -> int:
    """The hand-over level: margins stay small against the tile, and the level in memory small against the picture."""
    level = wished if wished is not None else {2048: 6, 1024: 5, 512: 4}.get(tile_px, 3 if tile_px < 512 else 5)
    return max(1, min(level, shape.depth))


def _deep_passes(
    job: Job, before: Chain, deep: Step, source: str, output: str, tile: Shape, level: int, after: Chain, frames: int
) -> list[Pass]:
    stage = deep.stage if isinstance(deep.stage, DeepStage) else getattr(deep.stage, "deep", None)
    assert isinstance(stage, DeepStage)
    head = replace(deep, stage=stage)
    shape = before.result
    count = stage.coarse_planes(frames, job.coverage, {})
    coarse, solved = f"{deep.id}-coarse", f"{deep.id}-solved"
    level_tile = Shape(max(tile.height >> level, 1), max(tile.width >> level, 1))
    whole_level = Chain((), shape.halved(level))
    return [
        PixelPass(f"{deep.id}-down", source, before, head, "down", whole_level, coarse, count, level_tile, level),
        SolvePass(f"{deep.id}-solve", head, coarse, solved, level, shape, count),
        PixelPass(f"{deep.id}-up", source, before, head, "up", after, output, len(job.planes), tile, level, solved),
    ]


def _middle_tile(step: PixelPass) -> Window:
    """A tile away from the border, where margins are whole."""
    grid = step.grid
    return grid[(grid.rows // 2) * grid.cols + grid.cols // 2]


def _tile_bytes(job: Job, step: PixelPass, facts: Mapping[str, Any]) -> int:
    wanted = _middle_tile(step)
    windows = step.windows(wanted, facts)
    planes = len(job.planes)
    if step.source == FRAMES:
        source = sum(_frame_bytes(job, index, windows.source) for index in range(len(job.frames)))
        chain = 0
    else:
        source = windows.source.pixels * planes * 4
        chain = scratch_bytes(step.before, windows.before[-1], planes, facts)
    given = windows.before[-1].pixels * planes * 4
    head = windows.head.pixels * step.planes * 4
    if step.head is not None:
        head += step.head.stage.scratch_bytes(windows.head, planes)
    after = scratch_bytes(step.after, wanted, planes, facts) if step.part != "down" else 0
    return max(source + chain, source + given + head, head + after) + WORKER_BYTES


def _frame_bytes(job: Job, index: int, wanted: Window) -> int:
    frame = job.frames[index]
    padded = wanted.padded(frame.margin_px).cut(frame.shape)
    decoded = wanted.pixels * frame.tile_planes * 4
    working = padded.pixels * (frame.pixel_bytes + 4 * (frame.tile_planes + frame.scratch_planes))
    last = index == len(job.frames) - 1
    return decoded + (working if last else 0)


def _thread_bytes(job: Job, workers: int) -> int:
    return workers * sum(frame.thread_bytes for frame in job.frames)


def _solve_bytes(step: SolvePass) -> int:
    return step.shape.halved(step.level).pixels * step.planes * 4 * 3


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
    alone = _plan_with(job, replace(wish, workers=1), smallest.tile_px, facts)
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
