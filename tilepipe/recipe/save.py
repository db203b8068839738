"""Writes values into a recipe's file and keeps everything else of it: comments, order, quotes."""

from __future__ import annotations

import difflib
import io
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq

from tilepipe.errors import RecipeError
from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import ENTRY_NAMES, draft_of
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.node import Source
from tilepipe.recipe.sets import Part, path_of, without_stage
from tilepipe.recipe.splice import plain_of, spliced
from tilepipe.recipe.yaml_text import read_yaml
from tilepipe.stages.stage import all_stages

_WIDE = 1 << 20  # lines are never folded


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
        _replace(target, text.replace("\n", "\r\n") if "\r\n" in before else text, wanted)
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
        if parts is None:
            raise RecipeError("is not an address", address)
        text = spliced(text, parts, value.strip()) or _round_trip(text, parts, value, wanted)
    return text


def _round_trip(text: str, parts: tuple[Part, ...], value: str, wanted: Recipe) -> str:
    """Reads the text with its comments, puts the value in and writes it again; untouched lines stay where they can."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = _WIDE
    yaml.indent(**_indentation(text))
    data = yaml.load(text) or CommentedMap()
    _put(data, parts, YAML().load(value), wanted)
    stream = io.StringIO()
    yaml.dump(data, stream)
    after = stream.getvalue()
    kept = _lines_kept(text, after)
    return kept if plain_of(kept) == plain_of(after) else after


def _lines_kept(before: str, after: str) -> str:
    """`after`, with every line that differs from one of `before` only by spaces written as before."""
    old, new = before.splitlines(), after.splitlines()
    matcher = difflib.SequenceMatcher(
        None, ["".join(line.split()) for line in old], ["".join(line.split()) for line in new], autojunk=False
    )
    for block in matcher.get_matching_blocks():
        new[block.b : block.b + block.size] = old[block.a : block.a + block.size]
    return "\n".join(new) + "\n"


def _indentation(text: str) -> dict[str, int]:
    """How the text indents its lists, so that they stay as they are."""
    previous = ""
    for line in text.splitlines():
        stripped = line.lstrip(" ")
        if stripped.startswith("- ") and previous.endswith(":"):
            offset = (len(line) - len(stripped)) - (len(previous) - len(previous.lstrip(" ")))
            return {"mapping": 2, "sequence": max(offset, 0) + 2, "offset": max(offset, 0)}
        if stripped and not stripped.startswith("#"):
            previous = line.split(" #")[0].rstrip()
    return {"mapping": 2, "sequence": 4, "offset": 2}


def _put(data: Any, parts: tuple[Part, ...], value: Any, wanted: Recipe) -> None:
    top = str(parts[0])
    if len(parts) == 1:
        data[top] = value
    elif top == "steps":
        _put_in_step(data, parts[1:], value, wanted)
    else:
        if top not in data:
            data[top] = CommentedSeq([_flow(entry) for entry in _entries(top, wanted)])
        _put_in_list(data, top, ENTRY_NAMES.get(top, ""), parts[1:], value)


def _entries(top: str, wanted: Recipe) -> list[dict[str, Any]]:
    """The frames or deliverables that this recipe has from elsewhere, as it would write them itself."""
    if top == "deliver":
        return [item.model_dump(mode="json", exclude_unset=True) for item in wanted.deliver]
    return [
        frame.model_dump(mode="json", exclude_unset=True) | {"file": os.path.relpath(frame.file, wanted.folder)}
        for frame in wanted.frames
    ]


def _put_in_list(data: Any, top: str, name: str, parts: tuple[Part, ...], value: Any) -> None:
    """Into an entry of `frames` or `deliver`; one bare word, or bare words in a list, become mappings."""
    if not isinstance(data[top], list):
        data[top] = CommentedSeq([data[top]])
    index = parts[0]
    if len(parts) > 1 and not isinstance(data[top][index], dict):
        data[top][index] = _flow({name: data[top][index]})
    _put_deep(data[top], parts, value)


def _put_in_step(data: Any, parts: tuple[Part, ...], value: Any, wanted: Recipe) -> None:
    step = wanted.steps[parts[0]] if isinstance(parts[0], int) else wanted.step(parts[0])
    fields = all_stages()[step.name].model_fields
    steps = data.get("steps")
    if steps is None:
        data["steps"] = steps = CommentedSeq()
    own = _own_ids(steps)
    if step.id not in own:
        order = [other.id for other in wanted.steps]
        index = next((i for i, name in enumerate(own) if order.index(name) > order.index(step.id)), len(own))
        steps.insert(index, CommentedMap({step.name: _flow({} if step.id == step.name else {"id": step.id})}))
    else:
        index = own.index(step.id)
    if not isinstance(steps[index], dict):
        steps[index] = CommentedMap({step.name: _flow({})})
    values = steps[index][step.name]
    if not isinstance(values, dict):
        steps[index][step.name] = _flow({} if values is None else {next(iter(fields)): values})
    _put_deep(steps[index][step.name], without_stage(parts[1:], step.name), value)


def _own_ids(steps: Any) -> list[str]:
    """The ids of the steps that the file itself writes, in its order, those just added included."""
    stream = io.StringIO()
    YAML().dump({"steps": steps}, stream)
    root = read_yaml(stream.getvalue(), Source("recipe", Path()), FaultList())
    return [step.step_id for step in draft_of(root, FaultList()).steps]


def _put_deep(target: Any, parts: tuple[Part, ...], value: Any) -> None:
    for part in parts[:-1]:
        if isinstance(part, str) and part not in target:
            target[part] = _flow({})
        target = target[part]
    target[parts[-1]] = value


def _flow(entries: Mapping[str, Any]) -> CommentedMap:
    """A mapping that is written on one line: `{range: 0.5}`."""
    found = CommentedMap(entries)
    found.fa.set_flow_style()
    return found


def _replace(target: Path, text: str, wanted: Recipe) -> None:
    """Puts the text in the file's place, if it says what is wanted."""
    handle, name = tempfile.mkstemp(prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent)
    written = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        found = load_recipe(written, check_files=False)
        if _meaning(found) != _meaning(wanted):
            raise RecipeError(
                "cannot be written back with its comments kept", target.name,
                next_step="change the value in the file by hand",
            )
        written.chmod(target.stat().st_mode & 0o777)
        written.replace(target)
    finally:
        written.unlink(missing_ok=True)


def _meaning(recipe: Recipe) -> dict[str, Any]:
    return recipe.model_dump(mode="json", exclude={"name", "file", "provenance"})
