"""Where a run keeps its working pictures: a folder with ledgers, or memory for jobs on arrays."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from tilepipe.geometry import Grid, Shape, Window
from tilepipe.store.ledger import FolderLock, Ledger, is_complete
from tilepipe.store.picture import MemoryPicture, Picture, StoredPicture, chunk_for, sync_file

LEDGER, PIXELS = "ledger.jsonl", "pixels.zarr"
_OWN_ENTRY = re.compile(r".+-[0-9a-f]{20}(\.json|\.part)?")


@dataclass
class Place:
    """One picture being made: its pixels, its tile size, which tiles are there already."""

    picture: Picture
    tile: Shape
    ledger: Ledger | None = None

    @property
    def finished(self) -> set[int]:
        return self.ledger.finished if self.ledger else set()

    @property
    def complete(self) -> bool:
        return self.ledger is not None and self.ledger.complete

    def write(self, index: int, window: Window, pixels: Any) -> None:
        self.picture.write(window, pixels)
        self.done(index, window)

    def take(self, window: Window, device: Any, array: Any) -> None:
        """A device's pixels of a window: straight into a picture in memory, else by way of the host."""
        if isinstance(self.picture, MemoryPicture):
            device.write(array, self.picture.read(window))
        else:
            self.picture.write(window, device.download(array))

    def done(self, index: int, window: Window) -> None:
        """All of a tile was taken."""
        if self.ledger is not None:
            assert isinstance(self.picture, StoredPicture)
            self.ledger.tile_done(index, self.picture.chunk_files(window))

    def close(self, complete: bool) -> None:
        if self.ledger is not None:
            self.ledger.close(complete)


def _begun(folder: Path, key: str, shape: Shape, tile: Shape) -> Ledger:
    """The ledger of a picture, in tiles no larger than `tile` where any is still to be made."""
    path, grid = folder / LEDGER, {"tile": [tile.height, tile.width]}
    ledger = Ledger(path, key, grid)
    kept = Shape(*ledger.grid["tile"])
    try:
        if not ledger.fresh:
            _note_lost(folder, ledger, shape, kept)
    except BaseException:
        ledger.close()
        raise
    if ledger.complete or (kept.height <= tile.height and kept.width <= tile.width):
        return ledger
    finished = _cut_finished(folder, ledger, shape, kept, tile)
    ledger.close()
    half = path.with_suffix(".part")
    half.unlink(missing_ok=True)
    smaller = Ledger(half, key, grid)
    for index, files in finished.items():
        smaller.tile_done(index, files)
    smaller.close()
    half.replace(path)
    sync_file(folder)
    return Ledger(path, key, grid)


def _note_lost(folder: Path, ledger: Ledger, shape: Shape, tile: Shape) -> None:
    """Tiles of which a chunk was deleted since are no longer finished."""
    picture, grid = StoredPicture.open(folder / PIXELS), Grid(shape, tile.height, tile.width)
    lost = [
        index for index, files in ledger.files.items()
        if sum(file.exists() for file in picture.chunk_files(grid[index])) < files
    ]
    if lost:
        ledger.lost(lost)


def _cut_finished(folder: Path, ledger: Ledger, shape: Shape, kept: Shape, tile: Shape) -> dict[int, list[Path]]:
    """The tiles of the smaller size that are there already, with their chunks; none where several would share a chunk."""
    if ledger.fresh:
        return {}
    picture = StoredPicture.open(folder / PIXELS)
    if tile.height % picture.chunk.height or tile.width % picture.chunk.width:
        return {}
    old = Grid(shape, kept.height, kept.width)
    new = Grid(shape, tile.height, tile.width)
    return {
        index: list(picture.chunk_files(window))
        for index, window in enumerate(new) if ledger.finished.issuperset(old.touching(window))
    }


def missing_bytes(folder: Path, needed: Mapping[str, int]) -> int:
    """How much of these pictures, bytes by name, is still to be written in a working folder, judged by names alone."""
    return sum(max(size - _kept_bytes(folder, name, size), 0) for name, size in needed.items())


def _kept_bytes(folder: Path, name: str, size: int) -> int:
    kept = 0
    for entry in folder.glob(f"{name}-*"):
        if not re.fullmatch(re.escape(name) + "-[0-9a-f]{20}", entry.name):
            continue
        if is_complete(entry / LEDGER):
            return size
        kept = max(kept, sum(file.stat().st_size for file in entry.rglob("*") if file.is_file()))
    return kept


class Workspace(Protocol):
    """Gives places for pictures by name and key, and keeps small results."""

    def place(self, name: str, key: str, shape: Shape, planes: tuple[str, ...], dtype: str, tile: Shape) -> Place: ...

    def recall(self, name: str, key: str) -> Any: ...

    def remember(self, name: str, key: str, value: Any) -> None: ...

    def drop_unused(self) -> None: ...


class FolderWorkspace:
    """Pictures and small results in a folder, each under its name and the key of all it depends on."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = FolderLock(folder)
        self._used: set[str] = set()

    def _folder(self, name: str, key: str) -> Path:
        entry = f"{name}-{key[:20]}"
        self._used.add(entry)
        return self.folder / entry

    def place(self, name: str, key: str, shape: Shape, planes: tuple[str, ...], dtype: str, tile: Shape) -> Place:
        folder = self._folder(name, key)
        ledger = _begun(folder, key, shape, tile)
        tile = Shape(*ledger.grid["tile"])  # a resumed picture keeps the tiles that it was begun with, if they fit
        try:
            if ledger.fresh:
                chunk = Shape(chunk_for(tile.height), chunk_for(tile.width))
                picture = StoredPicture.create(folder / PIXELS, shape, planes, dtype, chunk)
            else:
                picture = StoredPicture.open(folder / PIXELS)
        except BaseException:
            ledger.close()
            raise
        return Place(picture, tile, ledger)

    def recall(self, name: str, key: str) -> Any:
        path = self._folder(name, key).with_suffix(".json")
        try:
            stored = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return stored.get("value") if isinstance(stored, dict) and stored.get("key") == key else None

    def remember(self, name: str, key: str, value: Any) -> None:
        path = self._folder(name, key).with_suffix(".json")
        half = path.with_suffix(".part")
        half.write_text(json.dumps({"key": key, "value": value}), encoding="utf-8")
        sync_file(half)
        half.replace(path)
        sync_file(self.folder)

    def drop_unused(self) -> None:
        """Removes what earlier recipes left here and this run did not use."""
        for entry in self.folder.iterdir():
            known = entry.name if entry.is_dir() else entry.stem
            # Only what this class named itself: the folder may hold files of the user's.
            if _OWN_ENTRY.fullmatch(entry.name) and known not in self._used:
                shutil.rmtree(entry) if entry.is_dir() else entry.unlink()

    def close(self) -> None:
        self._lock.release()


@dataclass
class MemoryWorkspace:
    """Pictures as arrays; `outputs` maps a picture's name to the array `(plane, y, x)` that it is to fill.

    With a `device` the other pictures lie in its own memory as long as there is room.
    """

    outputs: dict[str, Any] = field(default_factory=dict)
    device: Any = None
    _small: dict[tuple[str, str], Any] = field(default_factory=dict)

    def place(self, name: str, key: str, shape: Shape, planes: tuple[str, ...], dtype: str, tile: Shape) -> Place:
        given = self.outputs.get(name)
        array = given if given is not None else self._empty((len(planes), shape.height, shape.width), np.dtype(dtype))
        return Place(MemoryPicture(array, planes), tile)

    def _empty(self, shape: tuple[int, ...], dtype: Any) -> Any:
        return np.empty(shape, dtype) if self.device is None else self.device.held(shape, dtype)

    def recall(self, name: str, key: str) -> Any:
        return self._small.get((name, key))

    def remember(self, name: str, key: str, value: Any) -> None:
        self._small[name, key] = value

    def drop_unused(self) -> None:
        """Nothing outlives the job here."""

    def close(self) -> None:
        """Nothing to release."""
