"""Makes a plan: sizes tiles to the memory budget, states memory, disk and time, or refuses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from tilepipe.errors import PlanError
from tilepipe.geometry import Shape
from tilepipe.plan.costs import PROCESS_BYTES, pass_bytes, picture_bytes, seconds_of, size_text
from tilepipe.plan.cutting import cut_into_passes
from tilepipe.plan.job import Job
from tilepipe.plan.passes import Plan

TILE_SIZES_PX = (2048, 1024, 512, 256)
TILE_GRAIN_PX = 128  # the digest's block: every tile is made of whole blocks
DEEPEST_LEVEL = 7


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
    passes, result, linear, level = cut_into_passes(job, tile_px, wish.level)
    cached = wish.workers * sum(frame.thread_bytes for frame in job.frames)
    peak = max(pass_bytes(job, step, wish.workers, facts) for step in passes)
    return Plan(
        passes=passes, result=result, linear=linear, tile_px=tile_px, level=level, workers=wish.workers,
        memory_bytes=wish.memory_bytes, promise_bytes=PROCESS_BYTES + cached + peak,
        scratch_disk_bytes=sum(picture_bytes(job, passes).values()), seconds=seconds_of(job, passes, wish.workers),
    )


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
