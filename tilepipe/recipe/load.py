"""Loads a recipe: YAML or TOML, what it is based on, and `--set`; every fault at once, each with its place."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from tilepipe.formats.opening import is_picture
from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.frames import file_names, has_pattern, read_base, read_frames, shortened
from tilepipe.recipe.layers import DEFAULT, Draft, default_deliver, draft_of, laid_over
from tilepipe.recipe.masks import MaskReader
from tilepipe.recipe.model import FrameEntry, Recipe
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.order import check_order
from tilepipe.recipe.outputs import origins_of_deliver, read_deliver
from tilepipe.recipe.sets import apply, changes_of
from tilepipe.recipe.steps import checked_steps, origins_of_steps
from tilepipe.recipe.toml_text import read_toml
from tilepipe.recipe.yaml_text import read_yaml

MAX_BYTES = 8 << 20  # chosen here: the longest hand-drawn strokes come to some hundred kB
MAX_BASED_ON = 16
_ENDINGS = (".yaml", ".yml", ".toml")
_SHOWN_RECIPES = 6


def load_recipe(
    path_or_text: str | os.PathLike[str], *, sets: Sequence[str] = (),
    folder: str | os.PathLike[str] | None = None, check_files: bool = True,
) -> Recipe:
    """A recipe from a file (YAML, or TOML by its ending) or from YAML text, checked, with every default filled in.

    `sets` are changes as `steps.ID.PARAMETER=VALUE`, `base=VALUE`, `deliver[0].space=VALUE`. `folder` is what file
    names in a text are relative to (a file's own folder, else the current one). `check_files=False` does not mind
    frames that are missing. Raises RecipeError with all faults; its items are `RecipeFault`s with address and line.
    """
    faults = FaultList()
    path = _path(path_or_text)
    own_folder = Path(folder or (path.parent if path else Path.cwd())).absolute()
    if path is not None:
        draft = _draft_from_file(path.absolute(), (), faults)
    else:
        source = Source("recipe", own_folder, "text")
        draft = _draft_from_node(read_yaml(os.fspath(path_or_text), source, faults), (), faults)
    if not draft.entries and not draft.steps:
        faults.raise_any()  # what cannot be read at all has no further faults
    for change in changes_of(sets, own_folder, faults):
        apply(draft, change, faults)
    recipe = _checked(draft, own_folder, path, faults, check_files=check_files)
    faults.raise_any()
    return recipe.model_copy(update={"sets": tuple(sets)})


def _path(path_or_text: str | os.PathLike[str]) -> Path | None:
    if not isinstance(path_or_text, str):
        return Path(path_or_text)
    one_line = "\n" not in path_or_text
    if one_line and (path_or_text.lower().endswith(_ENDINGS) or os.path.isfile(path_or_text)):
        return Path(path_or_text)
    return Path(path_or_text) if one_line and ":" not in path_or_text else None


def _draft_from_file(path: Path, above: tuple[Path, ...], faults: FaultList) -> Draft:
    source = Source(path.name if not above else os.path.relpath(path, above[0].parent), path.parent, "file")
    try:
        data = path.read_bytes() if path.stat().st_size <= MAX_BYTES else None
    except (OSError, ValueError) as error:
        reason = str(getattr(error, "strerror", None) or error).lower()
        hint = _like(path) or "`tilepipe new FOLDER` writes a first recipe for the frames in a folder"
        faults.add(source, 0, "", f"cannot be read: {reason}", found=shortened(path), next_step=hint)
        return Draft()
    if _is_picture(path):
        faults.add(
            source, 0, "", "is a picture, not a recipe", found=shortened(path),
            next_step="`tilepipe new FOLDER` writes a first recipe for the frames in its folder",
        )
        return Draft()
    if data is None:
        faults.add(source, 0, "", "is too large for a recipe", allowed=f"{MAX_BYTES >> 20} MiB or less")
        return Draft()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        faults.add(source, line, "", "is not UTF-8 text", next_step="save the file as UTF-8")
        return Draft()
    read = read_toml if path.suffix.lower() == ".toml" else read_yaml
    return _draft_from_node(read(text, source, faults), (*above, path), faults)


def _is_picture(path: Path) -> bool:
    try:
        return is_picture(path)
    except OSError:
        return False


def _like(path: Path) -> str:
    """The recipes in this folder, or the one beside this path whose name is most like it, as a hint."""
    if os.path.isdir(path):
        inside = sorted(name for name in file_names(path) if name.lower().endswith(_ENDINGS))
        return f"name a recipe in this folder: {listed(inside[:_SHOWN_RECIPES])}" if inside else ""
    return did_you_mean(path.name, [name for name in file_names(path.parent) if name.endswith(_ENDINGS)])


def _draft_from_node(root: Node, above: tuple[Path, ...], faults: FaultList) -> Draft:
    draft = draft_of(root, faults)
    node = draft.entries.pop("based_on", None)
    if node is None:
        return draft
    if not isinstance(node.value, str):
        faults.at(node, "based_on", "needs the file of another recipe")
        return draft
    path = Path(os.path.abspath(node.source.folder / node.value))  # resolves `..`, not links
    if path in above or len(above) > MAX_BASED_ON:
        chain = " → ".join(place.name for place in (*above, path))
        faults.at(node, "based_on", "leads back to itself", found=chain, next_step="remove one of these `based_on`")
        return draft
    if not os.path.isfile(path):
        hint = _like(path) or f"looked in {shortened(path.parent)}"
        faults.at(node, "based_on", "is missing: there is no such recipe", next_step=hint)
        return draft
    under = _draft_from_file(path, above or (node.source.folder / "recipe",), faults)
    draft.based_on = (path,)
    return laid_over(under, draft, faults)


def _checked(draft: Draft, folder: Path, path: Path | None, faults: FaultList, *, check_files: bool) -> Recipe:
    """The recipe of a draft, past every fault."""
    entries = draft.entries
    here = Node(None, Source(path.name if path else "recipe", folder, "file" if path else "text"))
    frames = _frames(entries.get("frames"), here, faults, check_files)
    unchecked = not check_files and has_pattern(entries.get("frames"))  # then their number is not known
    base = read_base(entries.get("base"), frames, faults)
    masks = MaskReader(entries.get("masks"), faults, check_files=check_files)
    steps = checked_steps(draft.steps, faults, masks)
    first = draft.steps[0].node if draft.steps else here
    check_order(draft.steps, len(frames) if frames and not unchecked else None, first, faults)
    deliver_node = entries.get("deliver") or default_deliver()
    origins = {key: entries.get(key, Node(None, DEFAULT)).origin() for key in ("frames", "base")}
    return Recipe(
        name=path.stem if path else "recipe", folder=folder, file=path.absolute() if path else None,
        frames=frames or (), base=base, steps=steps, masks=masks.all_named(),
        deliver=read_deliver(deliver_node, faults),
        based_on=draft.based_on,
        provenance={**origins, **origins_of_steps(draft.steps, steps), **origins_of_deliver(deliver_node)},
    )


def _frames(
    node: Node | None, here: Node, faults: FaultList, check_files: bool
) -> tuple[FrameEntry, ...] | None:
    if node is None or (node.value in (None, "", []) and not faults.speaks_of("frames")):
        faults.at(
            node or here, "frames", "is missing: a recipe needs its frames", found="", on_key=True,
            next_step='as in `frames: "*.dng"`, or a list of files',
        )
    return read_frames(node, faults, check_files=check_files)
