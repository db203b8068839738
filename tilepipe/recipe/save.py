"""Writes values into a recipe's file and keeps everything else of it: comments, order, spaces, quotes."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tilepipe.errors import RecipeError
from tilepipe.recipe.edit import edited
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.sets import path_of


def set_values(path: str | os.PathLike[str], values: Mapping[str, str]) -> Recipe:
    """Writes values, by addresses as in `--set`, into a YAML recipe; returns the recipe as it now is.

    Values are written as in a recipe: `{"steps.exposure.stops": "+0.4EV"}`. Steps that only the recipe it is based on
    has are added. The new text replaces the old one in one move. Raises RecipeError with all faults, for TOML, and
    where the file cannot be written; the file is then as before.
    """
    target = Path(path).resolve()
    if target.suffix.lower() == ".toml":
        raise RecipeError(
            "a TOML recipe is not written back", target.name, allowed="a YAML recipe",
            next_step="change the value in the file, or write the recipe as YAML",
        )
    wanted = load_recipe(target, sets=[f"{address}={value}" for address, value in values.items()], check_files=False)
    before = target.read_bytes().decode("utf-8-sig")
    text = changed_text(before.replace("\r\n", "\n"), values, wanted)
    try:
        replace_text(target, text.replace("\n", "\r\n") if "\r\n" in before else text, wanted)
    except OSError as error:
        raise RecipeError(
            "cannot be written", str(target), found=(error.strerror or str(error)).lower(),
            next_step="check the permissions of the file and its folder",
        ) from error
    return load_recipe(target, check_files=False)


def changed_text(text: str, values: Mapping[str, str], wanted: Recipe) -> str:
    """A recipe's text with values written into it; `wanted` is the recipe that must come out of it."""
    for address, value in values.items():
        parts = path_of(address.strip())
        found = edited(text, parts, value.strip(), wanted) if parts else None
        if found is None:
            raise _refusal(address)
        text = found
    return text


def _refusal(where: str) -> RecipeError:
    return RecipeError(
        "cannot be written back without touching the rest of the recipe", where,
        next_step="change the value in the file by hand",
    )


def replace_text(target: Path, text: str, wanted: Recipe) -> None:
    """Puts the text in the file's place in one move, if it says what is wanted; raises RecipeError, OSError."""
    handle, name = tempfile.mkstemp(prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent)
    written = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if _meaning(load_recipe(written, check_files=False)) != _meaning(wanted):
            raise _refusal(target.name)
        written.chmod(target.stat().st_mode & 0o777)
        written.replace(target)
    finally:
        written.unlink(missing_ok=True)


def _meaning(recipe: Recipe) -> dict[str, Any]:
    return recipe.model_dump(mode="json", exclude={"name", "file", "provenance", "sets"})
