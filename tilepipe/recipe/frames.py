"""Finds the frames that a recipe names, and its base among them."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from tilepipe.recipe.checking import checked
from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.model import FrameEntry
from tilepipe.recipe.node import Node, joined

_MAGIC = re.compile(r"[*?\[]")
_SHOWN_NAMES = 12
_SHOWN_PATH = 160  # characters
_ONE_EACH = ("exposure", "light")  # what cannot hold for several files at once


def read_frames(node: Node | None, faults: FaultList, *, check_files: bool) -> tuple[FrameEntry, ...] | None:
    """The frames in the order of the recipe, files as absolute paths; None where faults hide how many there are."""
    if node is None or not node.items:
        return None
    before = len(faults)
    places: list[tuple[FrameEntry, Node, str]] = []
    for index, item in enumerate(node.items):
        address = joined("frames", index)
        if (entry := checked(FrameEntry, item, address, faults)) is not None:
            places += [(found, item, address) for found in _files(entry, item, address, faults, check_files)]
    _refuse_twice(places, faults)
    _refuse_mixed(places, faults)
    return tuple(entry for entry, _, _ in places) if len(faults) == before else None


def has_pattern(node: Node | None) -> bool:
    """True if an entry's name may stand for several files."""
    items = node.items if node else []
    return any(_MAGIC.search(item.mapping["file"].shown()) for item in items if "file" in item.mapping)


def _files(entry: FrameEntry, item: Node, address: str, faults: FaultList, check_files: bool) -> Iterator[FrameEntry]:
    written = str(entry.file)
    named = item.mapping["file"]
    path = Path(written).expanduser()
    path = path if path.is_absolute() else named.source.folder / path
    if os.path.isfile(path) or not (check_files or _MAGIC.search(written)):
        yield entry.model_copy(update={"file": path.absolute()})
    elif os.path.isdir(path):
        faults.at(named, address, "is a folder, not a picture", next_step=f"write `{written}/*.tif` or another ending")
    elif _MAGIC.search(written):
        yield from _matches(entry, item, address, faults, check_files)
    else:
        _missing(path, named, address, faults)


def _missing(path: Path, named: Node, address: str, faults: FaultList) -> None:
    if not os.path.isdir(path.parent):
        looked = f"looked for {shortened(path.parent)}"
        faults.at(named, address, "is missing: there is no such folder", next_step=looked)
        return
    names = sorted(file_names(path.parent), key=natural)
    shown = listed(names[:_SHOWN_NAMES]) + (" …" if len(names) > _SHOWN_NAMES else "")
    faults.at(
        named, address, "is missing: there is no such file", allowed=shown or "the folder holds no files",
        next_step=did_you_mean(path.name, names) or f"looked in {shortened(path.parent)}",
    )


def _matches(
    entry: FrameEntry, item: Node, address: str, faults: FaultList, check_files: bool
) -> Iterator[FrameEntry]:
    named = item.mapping["file"]
    folder = named.source.folder
    pattern = str(Path(str(entry.file)).expanduser())
    found = [folder / name for name in glob.glob(pattern, root_dir=folder, recursive=True)]
    paths = sorted((path for path in found if os.path.isfile(path)), key=lambda path: natural(path.name))
    if not paths and check_files:
        faults.at(named, address, "fits no file", next_step=f"looked in {shortened((folder / pattern).parent)}")
    for key in _ONE_EACH:
        if len(paths) > 1 and key in item.mapping:
            faults.at(
                item.mapping[key], joined(address, key), f"cannot hold for {len(paths)} frames at once",
                next_step="write each frame as an entry of its own",
            )
    for path in paths:
        yield entry.model_copy(update={"file": path.absolute()})


def file_names(folder: Path) -> list[str]:
    """The names of the files in a folder; none where it cannot be read."""
    try:
        return [entry.name for entry in os.scandir(folder) if entry.is_file()]
    except (OSError, ValueError):
        return []


def shortened(path: Path) -> str:
    """A path cut to what a line can hold."""
    text = str(path)
    return text if len(text) <= _SHOWN_PATH else "…" + text[-_SHOWN_PATH:]


def natural(name: str) -> list[tuple[int, str]]:
    """Orders names by their numbers: 2 before 10."""
    parts = re.split(r"(\d+)", name.lower())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def _refuse_twice(places: Sequence[tuple[FrameEntry, Node, str]], faults: FaultList) -> None:
    first: dict[Path, str] = {}
    for entry, item, address in places:
        if entry.file in first:
            faults.at(
                item.mapping["file"], address, f"is the same frame as {first[entry.file]}", found=entry.file.name,
                next_step="list each frame once",
            )
        first.setdefault(entry.file, address)


def _refuse_mixed(places: Sequence[tuple[FrameEntry, Node, str]], faults: FaultList) -> None:
    """Light is relative and parts of an exposure have defaults: both only mean something when stated for all alike."""
    lit = [place for place in places if place[0].light is not None]
    for entry, item, address in lit:
        if entry.exposure is not None:
            what = "states both `light` and `exposure`"
            faults.at(item.mapping["light"], address, what, next_step="state one of them")
    if lit and len(lit) < len(places):
        _, item, address = next(place for place in places if place[0].light is None)
        faults.at(
            item, address, "has no `light` while other frames state theirs", found="", on_key=True,
            next_step="state `light` for every frame, or for none",
        )
    _refuse_uneven(places, faults)


def _refuse_uneven(places: Sequence[tuple[FrameEntry, Node, str]], faults: FaultList) -> None:
    for key in ("f_number", "iso"):
        without = [place for place in places if place[0].exposure and key not in place[0].exposure.model_fields_set]
        if without and len(without) < len(places):
            _, item, address = without[0]
            faults.at(
                item.mapping["exposure"], joined(address, "exposure"), f"has no `{key}` while other frames have theirs",
                next_step=f"state `{key}` for every frame, or leave it out where no frame's file has one",
            )


def read_base(node: Node | None, frames: Sequence[FrameEntry] | None, faults: FaultList) -> int | None:
    """The index of the base frame; None = to be chosen automatically (or unknown because frames are at fault)."""
    if node is None or node.value == "auto":
        return None
    value = node.value
    if isinstance(value, bool) or not isinstance(value, int | str):
        faults.at(node, "base", "is not a frame", allowed="`auto`, a file's name, or an index counted from 0")
        return None
    if frames is None:
        return None
    if isinstance(value, int):
        if 0 <= value < len(frames):
            return value
        faults.at(node, "base", "is not the index of a frame", allowed=f"0 to {len(frames) - 1}, counted from 0")
        return None
    return _base_by_name(node, value, frames, faults)


def _base_by_name(node: Node, name: str, frames: Sequence[FrameEntry], faults: FaultList) -> int | None:
    wanted = (node.source.folder / name).absolute()
    exact = [index for index, frame in enumerate(frames) if frame.file == wanted]
    alike = exact or [index for index, frame in enumerate(frames) if name in (frame.file.name, frame.file.stem)]
    if len(alike) == 1:
        return alike[0]
    names = [frame.file.name for frame in frames]
    what = "fits several frames" if alike else "is not the name of a frame"
    hint = did_you_mean(name, [*names, "auto"])
    faults.at(node, "base", what, allowed=listed(["auto", *names]), next_step=hint)
    return None
