"""Verifies a receipt: computes regions again from the inputs, on any machine, and compares their digests."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tilepipe.digest import REGION_PX, region_digests
from tilepipe.errors import Fault, InputError, PlanError, VerifyError
from tilepipe.formats.write_pending import writing_to
from tilepipe.geometry import Grid, Shape
from tilepipe.recipe.changed import refuse_changed
from tilepipe.recipe.load import load_recipe
from tilepipe.run.engine import Engine, Listener
from tilepipe.run.execute import Execution
from tilepipe.run.receipt import read_receipt
from tilepipe.run.recipe_run import Settings, prepared


@dataclass(frozen=True)
class Verified:
    """How many regions were computed again and how many of them are equal (all, or VerifyError was raised)."""

    regions: int
    equal: int


def verify(
    receipt: Path | str, *, share_percent: float = 10.0, settings: Settings | None = None, listener: Listener | None = None
) -> Verified:
    """Computes a share of the 512×512 regions again, spread evenly, and compares them with the receipt.

    Everything is computed from the inputs, in a working folder of its own; nothing that the run kept is trusted. The
    recipe is read again from its file. Where its values are no longer those that the receipt keeps, nothing is
    computed: RecipeError names every value that changed. The names of files and deliverables may change.
    Raises VerifyError naming every input and region that differs, InputError if the receipt or the recipe is missing.
    """
    path = Path(receipt)
    if not 0 < share_percent <= 100:
        raise InputError("this is no share of the picture", "share", f"{share_percent!r} %", "above 0, at most 100 per cent")
    told = read_receipt(path)
    if told["recipe_file"] is None:
        raise InputError("this receipt names no recipe file", str(path), next_step="run the recipe from a file")
    recipe = load_recipe(path.parent / told["recipe_file"], sets=told["sets"])
    refuse_changed(told["recipe"], recipe)
    with _own_folder(path, settings) as folder:
        own = replace(settings or Settings(), work=folder / "work", out=folder / "out")
        with prepared(recipe, own, listener) as run:
            run.run(finish=False)
            _compare_inputs(told, run)
            return _compare_regions(told, run, run.engine, share_percent)


@contextmanager
def _own_folder(receipt: Path, settings: Settings | None) -> Iterator[Path]:
    """A new folder for this verification: where the settings say, else beside the receipt if that can be written to."""
    stated = settings.work if settings else None
    try:
        folder = _new_folder(stated or receipt.parent)
    except PlanError:
        if stated:
            raise
        folder = _new_folder(Path(tempfile.gettempdir()))
    try:
        yield Path(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _new_folder(place: Path) -> str:
    with writing_to(place, "name another folder with --work"):
        place.mkdir(parents=True, exist_ok=True)
        return tempfile.mkdtemp(prefix="verify-", dir=place)


def _compare_inputs(told: dict[str, Any], run: Execution) -> None:
    now = [frame["digest"] for frame in run.facts["frames"]]
    then = [item["pixels"] for item in told["inputs"]]
    if len(now) != len(then):
        raise VerifyError(
            "the receipt was made of another number of frames", where="frames", found=str(len(now)), allowed=str(len(then)),
            next_step="compare `inputs` of the receipt with the frames that the recipe finds now",
        )
    if now != then:
        names = [item["file"] for item, digest in zip(told["inputs"], now, strict=True) if item["pixels"] != digest]
        raise VerifyError(
            "the inputs' decoded pixels differ from the receipt's", where=", ".join(names),
            found="another file, or another version of the raw decoder",
            next_step="compare `inputs` and `versions` of the receipt with this machine",
        )


def _compare_regions(told: dict[str, Any], run: Execution, engine: Engine, share_percent: float) -> Verified:
    result = told["result"]
    shape = Shape(result["height"], result["width"])
    if run.finishing_pass.shape != shape:
        raise VerifyError(
            "the finished picture has another size than the receipt says", where="result",
            found=str(run.finishing_pass.shape), allowed=str(shape),
            next_step="compare the receipt's version of tilepipe with this one, or run the recipe again",
        )
    grid = Grid(shape, REGION_PX, REGION_PX)
    if len(result["regions"]) != len(grid):
        raise VerifyError(
            "the receipt has not one digest for each region", where="result.regions", found=str(len(result["regions"])),
            allowed=f"{len(grid)} for {shape}", next_step="the receipt is damaged: take another copy or run the recipe again",
        )
    count = max(1, min(len(grid), round(len(grid) * share_percent / 100)))
    chosen = sorted({index * len(grid) // count for index in range(count)})

    def work(index: int) -> bool:
        window = grid[index]
        pixels = run.window(window)
        return bool(region_digests(pixels, window, shape)[0].hex() == result["regions"][index])

    equal = engine.run_bag("verify", chosen, work)
    bad = [grid[index] for index, same in zip(chosen, equal, strict=True) if not same]
    if bad:
        raise VerifyError(faults=[
            Fault(
                "the pixels differ from the receipt's", f"region {window}",
                next_step="compare `versions` and `device` of the receipt with this machine: `tilepipe doctor`",
            )
            for window in bad
        ])
    return Verified(len(chosen), len(chosen))


