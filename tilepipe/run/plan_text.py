"""A plan as a table for a person: passes, tiles, margins, and what the job will take."""

from __future__ import annotations

from rich.console import Group
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from tilepipe.plan.passes import DeliverPass, MotionPass, Pass, PixelPass, Plan, SolvePass, SurveyPass
from tilepipe.recipe.model import Recipe


def plan_table(plan: Plan, recipe: Recipe) -> Group:
    """The plan as something that rich prints."""
    table = Table(title=escape(f"plan of {recipe.name}"), title_justify="left")
    for heading in ("pass", "tiles", "of", "margin", "makes"):
        table.add_column(heading)
    for step in plan.passes:
        table.add_row(*map(Text, _row(step)))
    return Group(table, *(Text(f"{what:20} {told}") for what, told in summary(plan)))


def _row(step: Pass) -> tuple[str, str, str, str, str]:
    if isinstance(step, PixelPass):
        tile = f"{step.tile.width}×{step.tile.height}"
        return step.name, str(len(step.grid)), tile, _margin(step), f"{step.output} {step.shape}"
    if isinstance(step, SurveyPass):
        return step.name, "", f"{step.tile.width}×{step.tile.height}", "", "measurements, digests"
    if isinstance(step, MotionPass):
        return step.name, "", f"{step.tile.width}×{step.tile.height}", "", "groups of what moved"
    if isinstance(step, SolvePass):
        return step.name, "1", "whole level", "", f"level {step.level} in memory"
    if isinstance(step, DeliverPass):
        return step.name, "", "", "", f"file, {step.shape}"
    return step.name, "", "", "", ""


def _margin(step: PixelPass) -> str:
    """How far a tile amid the picture reaches into its neighbours, in pixels of the source."""
    grid = step.grid
    wanted = grid[(grid.rows // 2) * grid.cols + grid.cols // 2]
    source = step.windows(wanted, {}).source
    scale = 1 << (step.level if step.part == "down" else 0)
    return f"{max(source.height - wanted.height * scale, source.width - wanted.width * scale, 0) // 2} px"


def summary(plan: Plan) -> list[tuple[str, str]]:
    """What the job takes, as (what, how much)."""
    return [
        ("memory", f"{_gib(plan.promise_bytes)} promised, {_gib(plan.memory_bytes)} allowed"),
        ("scratch and output", f"{_gib(plan.scratch_disk_bytes + plan.output_disk_bytes)} of disk"),
        ("workers", f"{plan.workers}, tiles of {plan.tile_px} px, hand-over level {plan.level}"),
        ("time", f"about {plan.seconds:.0f} s"),
    ]


def _gib(count: int) -> str:
    return f"{count / (1 << 30):.2f} GiB"
