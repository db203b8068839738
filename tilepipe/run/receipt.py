"""The receipt: what was done, from what, with what, and digests that prove the pixels."""

from __future__ import annotations

import json
import os
import platform
import resource
import sys
import time
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, PositiveInt, ValidationError

from tilepipe import __version__
from tilepipe.digest import BLOCK_PX, REGION_PX
from tilepipe.errors import Fault, InputError
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.recipe.model import Recipe
from tilepipe.run.checks import from_base
from tilepipe.run.digests import result_digests

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

FORMAT = "tilepipe receipt 1"
LIBRARIES = ("numpy", "dask", "zarr", "zarrs", "rawpy", "tifffile", "imagecodecs", "pydantic")
MEASUREMENTS = ("base_choice", "match", "align", "motion", "lens_spots", "as_shot", "scene")


def write_receipt(
    run: Execution, recipe: Recipe, out: Path, delivered: Sequence[Mapping[str, Any]], started: float
) -> Path:
    """Writes `NAME.receipt.json` beside the deliverables and returns its path."""
    path = out / f"{recipe.name}.receipt.json"
    told = json.dumps(receipt_of(run, recipe, out, delivered, started), indent=1)
    with writing_to(path):
        out.mkdir(parents=True, exist_ok=True)
        with Pending(path) as pending:
            pending.path.write_text(told, encoding="utf-8")
            pending.commit()
    return path


def receipt_of(
    run: Execution, recipe: Recipe, out: Path, delivered: Sequence[Mapping[str, Any]], started: float
) -> dict[str, Any]:
    """The receipt as JSON values."""
    result = run.pictures[run.plan.result]
    regions, root = result_digests(run)
    return {
        "format": FORMAT, "tilepipe": __version__,
        "recipe_file": os.path.relpath(recipe.file, out) if recipe.file else None, "sets": list(run.sets),
        **measured_of(run, recipe),
        "result": {
            **size_of(run), "planes": list(result.planes), "dtype": "float32",
            "block_px": BLOCK_PX, "region_px": REGION_PX, "regions": regions, "root": root,
        },
        "checks": dict(run.checks),
        "deliverables": list(delivered), "device": run.device.name, "machine": _machine(), "versions": _versions(),
        "plan": {
            "tile_px": run.plan.tile_px, "level": run.plan.level, "workers": run.plan.workers,
            "promise_bytes": run.plan.promise_bytes, "peak_bytes": peak_bytes(),
        },
        "started": time.strftime("%Y-%m-%dT%H:%M:%S%z", time.localtime(started)),
        "seconds": round(time.time() - started, 3),
        "pass_seconds": {name: round(seconds, 3) for name, seconds in run.times.items()},
        "warnings": list(run.engine.warnings),
    }


def measured_of(run: Execution, recipe: Recipe) -> dict[str, Any]:
    """The recipe, its frames, and what was measured of them, as JSON values."""
    return {
        "recipe": recipe.resolved(), "inputs": _inputs(run),
        "measurements": {name: run.facts[name] for name in MEASUREMENTS if name in run.facts},
    }


def size_of(run: Execution) -> dict[str, Any]:
    """The finished picture's size, and where the base frame's pixels come to lie in it."""
    shape = run.finishing_pass.shape
    return {
        "height": shape.height, "width": shape.width, "from_base": [list(row) for row in from_base(run.job)],
        "base_size": [run.job.shape.width, run.job.shape.height],
    }


def _inputs(run: Execution) -> list[dict[str, Any]]:
    return [
        {
            "file": Path(feed.info.path).name, "bytes": feed.info.bytes_on_disk, "pixels": frame["digest"],
            "decoded_by": feed.info.facts_for_key, "light": frame["light"], "noise": [frame["shot"], frame["read"]],
            "noise_from": frame.get("noise_from", ""),
        }
        for frame, feed in zip(run.facts["frames"], run.feeds, strict=True)
    ]


def _machine() -> dict[str, Any]:
    return {"processor": platform.processor() or platform.machine(), "system": platform.platform()}


def _versions() -> dict[str, str]:
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def peak_bytes() -> int:
    """The most memory that this process has held so far."""
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2): kilobytes on Linux, bytes on macOS
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


class _Step(BaseModel):
    id: str
    parameters: dict[str, Any]


class _Recipe(BaseModel):
    base: int | str
    frames: list[dict[str, Any]]
    steps: list[_Step]


class _Input(BaseModel):
    file: str
    pixels: str


class _Result(BaseModel):
    height: PositiveInt
    width: PositiveInt
    root: str
    regions: list[str]


class _Receipt(BaseModel):
    """What of a receipt is read again; all else is for people."""

    recipe_file: str | None
    sets: list[str]
    recipe: _Recipe
    inputs: list[_Input]
    result: _Result


def read_receipt(path: Path) -> dict[str, Any]:
    """A receipt from its file; InputError if it is none, or a damaged one."""
    try:
        told: Any = json.loads(path.read_text(encoding="utf-8"))
    except OSError as cause:
        raise InputError(
            "this receipt cannot be read", str(path), cause.strerror or str(cause), "a receipt's file, NAME.receipt.json",
            "check the path and its permissions",
        ) from cause
    except (ValueError, RecursionError) as cause:
        raise InputError(
            "this file is no receipt", str(path), str(cause), "JSON that a run has written",
            "name the file NAME.receipt.json beside the deliverables",
        ) from cause
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise InputError(
            "this file is no receipt of this version", str(path), allowed=f'a file that says "format": "{FORMAT}"',
            next_step="name the file NAME.receipt.json beside the deliverables",
        )
    try:
        _Receipt.model_validate(told, strict=True)
    except ValidationError as cause:
        raise InputError(faults=[
            Fault("this receipt is damaged", f"{path}: {'.'.join(map(str, error['loc']))}", error["msg"].lower(),
                  next_step="take another copy of it, or run the recipe again")
            for error in cause.errors()
        ]) from cause
    return told
