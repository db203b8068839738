"""The receipt: what was done, from what, with what, and digests that prove the pixels."""

from __future__ import annotations

import json
import os
import platform
import resource
import time
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tilepipe import __version__
from tilepipe.digest import BLOCK_PX, REGION_PX
from tilepipe.errors import InputError
from tilepipe.recipe.model import Recipe
from tilepipe.run.digests import result_digests
from tilepipe.store.picture import sync_file

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

FORMAT = "tilepipe receipt 1"
LIBRARIES = ("numpy", "dask", "zarr", "zarrs", "rawpy", "tifffile", "imagecodecs", "pydantic")
MEASUREMENTS = ("base_choice", "match", "align", "as_shot", "scene")


def write_receipt(
    run: Execution, recipe: Recipe, out: Path, delivered: Sequence[Mapping[str, Any]], started: float
) -> Path:
    """Writes `NAME.receipt.json` beside the deliverables and returns its path."""
    path = out / f"{recipe.name}.receipt.json"
    half = path.with_suffix(".part")
    out.mkdir(parents=True, exist_ok=True)
    half.write_text(json.dumps(receipt_of(run, recipe, out, delivered, started), indent=1), encoding="utf-8")
    sync_file(half)
    half.replace(path)
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
        "recipe": recipe.resolved(), "inputs": _inputs(run),
        "measurements": {name: run.facts[name] for name in MEASUREMENTS if name in run.facts},
        "result": {
            "height": result.shape.height, "width": result.shape.width, "planes": list(result.planes), "dtype": "float32",
            "block_px": BLOCK_PX, "region_px": REGION_PX, "regions": regions, "root": root,
        },
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
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def read_receipt(path: Path) -> dict[str, Any]:
    """A receipt from its file; InputError if it is none."""
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as cause:
        raise InputError("this receipt cannot be read", str(path), str(cause)) from cause
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise InputError("this file is no receipt", str(path), allowed=f'a file that says "format": "{FORMAT}"')
    return told
