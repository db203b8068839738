"""Verifies a receipt: computes regions again from the inputs, on any machine, and compares their digests."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tilepipe.digest import REGION_PX, region_digests
from tilepipe.errors import Fault, InputError, VerifyError
from tilepipe.geometry import Grid, Shape
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

    Everything is computed from the inputs, in a working folder of its own; nothing that the run kept is trusted.
    Raises VerifyError naming every input and region that differs, InputError if the receipt or the recipe is missing.
    """
    path = Path(receipt)
    told = read_receipt(path)
    if told["recipe_file"] is None:
        raise InputError("this receipt names no recipe file", str(path), next_step="run the recipe from a file")
    recipe = load_recipe(path.parent / told["recipe_file"], sets=told["sets"])
    with tempfile.TemporaryDirectory(prefix="verify-", dir=path.parent) as folder:
        own = replace(settings or Settings(), work=Path(folder) / "work", out=Path(folder) / "out")
        with prepared(recipe, own, listener) as run:
            run.run(finish=False)
            _compare_inputs(told, run)
            return _compare_regions(told, run, run.engine, share_percent)


def _compare_inputs(told: dict[str, Any], run: Execution) -> None:
    now = [frame["digest"] for frame in run.facts["frames"]]
    then = [item["pixels"] for item in told["inputs"]]
    if now != then:
        names = [item["file"] for item, digest in zip(told["inputs"], now, strict=False) if item["pixels"] != digest]
        raise VerifyError(
            "the inputs' decoded pixels differ from the receipt's", where=", ".join(names) or "frames",
            found="another file, or another version of the raw decoder",
            next_step="compare `inputs` and `versions` of the receipt with this machine",
        )


def _compare_regions(told: dict[str, Any], run: Execution, engine: Engine, share_percent: float) -> Verified:
    result = told["result"]
    shape = Shape(result["height"], result["width"])
    if run.finishing_pass.shape != shape:
        raise VerifyError("the picture has another size", found=str(run.finishing_pass.shape), allowed=str(shape))
    grid = Grid(shape, REGION_PX, REGION_PX)
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
            Fault("the pixels differ from the receipt's", f"region {window}", next_step="compare versions and devices")
            for window in bad
        ])
    return Verified(len(chosen), len(chosen))


