"""Whether the disks hold what a run will write, given what an earlier run has left there already."""

from __future__ import annotations

import dataclasses
import os
import shutil
from pathlib import Path

from tilepipe.errors import Fault, PlanError
from tilepipe.plan.costs import picture_bytes, size_text
from tilepipe.plan.job import Job
from tilepipe.plan.passes import PixelPass, Plan
from tilepipe.recipe.model import Recipe
from tilepipe.run.deliver import file_bytes, reduced_bytes
from tilepipe.run.workspace import missing_bytes


def existing(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    while not folder.exists():
        folder = folder.parent
    return folder


def with_outputs(plan: Plan, recipe: Recipe) -> Plan:
    """The plan with the room that its deliverables and their reduced copies take."""
    last = _last(plan)
    copies = sum(_copies(plan, recipe).values())
    files = sum(file_bytes(item, last.shape, last.planes) for item in recipe.deliver)
    return dataclasses.replace(
        plan, scratch_disk_bytes=plan.scratch_disk_bytes + copies, output_disk_bytes=files
    )


def refuse_full_disks(recipe: Recipe, job: Job, plan: Plan, work: Path, out: Path | None) -> None:
    """Raises PlanError, with numbers, where the file systems of `work` and `out` cannot hold what is still to be written.

    What lies in the folders under the names of this job's pictures and files is taken as written. `out` is None where
    nothing is delivered: then the finished picture is not kept either.
    """
    pictures = picture_bytes(job, plan.passes)
    if out is None:
        kept = {step.output for step in plan.way} - {plan.result}
        pictures = {name: size for name, size in pictures.items() if name in kept or name.startswith("unpack-")}
    else:
        pictures |= _copies(plan, recipe)
    needed = [(work, missing_bytes(work, pictures), "--work")]
    if out is not None:
        needed.append((out, _missing_files(recipe, plan, out), "--out"))
    faults = [fault for place in _by_disk(needed) if (fault := _fault(place)) is not None]
    if faults:
        raise PlanError(faults=faults)


def _last(plan: Plan) -> PixelPass:
    return next(step for step in plan.passes if isinstance(step, PixelPass) and step.output == plan.result)


def _copies(plan: Plan, recipe: Recipe) -> dict[str, int]:
    last = _last(plan)
    return reduced_bytes(recipe, last.shape, last.planes, plan.result, plan.linear)


def _missing_files(recipe: Recipe, plan: Plan, out: Path) -> int:
    last = _last(plan)
    return sum(
        max(file_bytes(item, last.shape, last.planes) - _size_of(out / item.file_name), 0) for item in recipe.deliver
    )


def _size_of(path: Path) -> int:
    files = path.rglob("*") if path.is_dir() else [path]
    return sum(file.stat().st_size for file in files if file.is_file())


Place = tuple[Path, int, str]


def _by_disk(places: list[Place]) -> list[Place]:
    """Folders on one file system share its room."""
    found: dict[int, Place] = {}
    for folder, size, option in places:
        disk = os.stat(existing(folder)).st_dev
        before = found.get(disk)
        found[disk] = (before[0], before[1] + size, f"{before[2]} or {option}") if before else (folder, size, option)
    return list(found.values())


def _fault(place: Place) -> Fault | None:
    folder, size, option = place
    free = shutil.disk_usage(existing(folder)).free
    if size <= free:
        return None
    return Fault(
        "the disk is too small for what this job writes", str(folder), f"{size_text(free)} free",
        f"{size_text(size)} more needed", f"free some space, or name another folder with {option}",
    )
