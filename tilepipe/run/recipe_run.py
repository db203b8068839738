"""The job of a recipe from end to end: plan, run, deliver, receipt."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tilepipe.device.choose import open_device
from tilepipe.device.cores import usable_cores
from tilepipe.device.memory import usable_memory_bytes
from tilepipe.errors import PlanError
from tilepipe.formats.write_pending import writing_to
from tilepipe.plan import planner
from tilepipe.plan.job import Job
from tilepipe.plan.passes import Plan
from tilepipe.recipe.model import Recipe
from tilepipe.run.deliver import check_deliverables, deliver_all
from tilepipe.run.engine import Engine, Listener
from tilepipe.run.execute import Execution
from tilepipe.run.looked import look_at_all
from tilepipe.run.opening import open_recipe
from tilepipe.run.receipt import write_receipt
from tilepipe.run.room import existing, refuse_full_disks, with_outputs
from tilepipe.run.spots import write_spots
from tilepipe.run.workspace import FolderWorkspace

DEFAULT_SHARE = 0.5  # of the memory that this process may use, where --memory is not given


@dataclass(frozen=True)
class Settings:
    """How a run may use the machine; None lets the planner choose. Nothing here changes a bit of the result."""

    memory_bytes: int | None = None
    workers: int | None = None
    tile_px: int | None = None
    level: int | None = None
    device: str = "auto"
    work: Path | None = None
    out: Path | None = None

    def wish(self) -> planner.Wish:
        """The machine's share that the planner may use."""
        memory = int(usable_memory_bytes() * DEFAULT_SHARE) if self.memory_bytes is None else self.memory_bytes
        workers = usable_cores() if self.workers is None else self.workers
        return planner.Wish(memory, workers, self.tile_px, self.level)

    def work_folder(self, recipe: Recipe) -> Path:
        return self.work or recipe.folder / "work" / recipe.name

    def out_folder(self, recipe: Recipe) -> Path:
        return self.out or recipe.folder / "out" / recipe.name


def make_plan(recipe: Recipe, settings: Settings | None = None) -> Plan:
    """What a run of this recipe would do; opens the frames' headers, reads no pixel.

    Raises InputError for frames that cannot be used and PlanError, with numbers, for what cannot work.
    """
    settings = settings or Settings()
    with closing(open_recipe(recipe)) as opened:
        return _planned(recipe, opened.job, settings, delivers=True)


def _planned(recipe: Recipe, job: Job, settings: Settings, delivers: bool) -> Plan:
    plan = with_outputs(planner.make_plan(job, settings.wish()), recipe)
    out = settings.out_folder(recipe) if delivers else None
    refuse_full_disks(recipe, job, plan, settings.work_folder(recipe), out)
    return plan


def run_plan(recipe: Recipe, settings: Settings | None = None, listener: Listener | None = None) -> Path:
    """Runs a recipe at full size and writes its deliverables; returns the path of the receipt.

    An interrupted run of the same recipe goes on where it stopped. Raises TilepipeError for what a person must mend.
    """
    settings = settings or Settings()
    out = settings.out_folder(recipe)
    started = time.time()
    with prepared(recipe, settings, listener, delivers=True) as run:
        faults = check_deliverables(recipe, run.finishing_pass.shape, run.plan.memory_bytes)
        if faults:  # said before hours of work, not after them
            raise PlanError(faults=faults)
        run.run()
        look_at_all(run)
        delivered = deliver_all(run, recipe, out)
        receipt = write_receipt(run, recipe, out, delivered, started)
        write_spots(run, out / f"{recipe.name}.spots.txt")
        run.workspace.drop_unused()
        run.engine.tell("finished", receipt=str(receipt), seconds=round(time.time() - started, 3))
    return receipt


@contextmanager
def prepared(
    recipe: Recipe, settings: Settings, listener: Listener | None = None, delivers: bool = False
) -> Iterator[Execution]:
    """A run of a recipe, ready to start: frames open, planned, working folder held; all released at the end.

    `delivers`: it will write the recipe's deliverables, so there must be room for them.
    """
    _refuse_unwritable(settings.out_folder(recipe))
    work = settings.work_folder(recipe)
    _refuse_unwritable(work)
    with writing_to(work, "name another folder with --work"), closing(open_recipe(recipe)) as opened:
        plan = _planned(recipe, opened.job, settings, delivers)
        with closing(FolderWorkspace(work)) as workspace, Engine(plan.workers, listener) as engine:
            engine.tell("plan", tiles=plan.tiles, promise_bytes=plan.promise_bytes, seconds=round(plan.seconds, 1))
            device = open_device(settings.device, lambda text: engine.tell("device", text=text))
            yield Execution(
                plan, opened.job, list(opened.feeds), device, engine, workspace,
                opened.identities, opened.stated, sets=recipe.sets,
            )


def _refuse_unwritable(folder: Path) -> None:
    """Said before hours of work, not after them."""
    place = existing(folder)
    if not os.access(place, os.W_OK) or not place.is_dir():
        raise PlanError(
            "nothing can be written here", where=str(folder), found=f"{place} is read-only or not a folder",
            next_step="name another folder with --out and --work, or change its permissions",
        )
