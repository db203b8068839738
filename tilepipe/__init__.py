"""Bracketed landscape frames in, a finished master out: tile by tile, in bounded memory, with the same bits everywhere.

Public names: `load_recipe`, `make_plan`, `run_plan`, `process`, `verify`, `all_stages`. They are looked up when first
used, so that importing one part of the package does not load all of it.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tilepipe.recipe.load import load_recipe
    from tilepipe.run.process import process
    from tilepipe.run.recipe_run import make_plan, run_plan
    from tilepipe.run.verify import verify
    from tilepipe.stages.stage import all_stages

__version__ = "0.1.0"
__all__ = ["all_stages", "load_recipe", "make_plan", "process", "run_plan", "verify"]

_HOMES = {
    "load_recipe": "tilepipe.recipe.load",
    "make_plan": "tilepipe.run.recipe_run",
    "run_plan": "tilepipe.run.recipe_run",
    "process": "tilepipe.run.process",
    "verify": "tilepipe.run.verify",
    "all_stages": "tilepipe.stages.stage",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tilepipe' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)
