"""Recipes: what they are, and how they are read, checked, described, begun and written back."""

from __future__ import annotations

from tilepipe.recipe.deliver import Deliverable
from tilepipe.recipe.faults import RecipeFault
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import FrameEntry, Recipe, Step
from tilepipe.recipe.steps import read_steps

__all__ = ["Deliverable", "FrameEntry", "Recipe", "RecipeFault", "Step", "load_recipe", "read_steps"]
