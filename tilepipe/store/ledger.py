"""The ledger of one pass: which tiles are finished, one checked line each, so that a stopped run goes on where it was."""

from __future__ import annotations

import errno
import json
import os
import threading
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, BinaryIO

from tilepipe.errors import StoreError
from tilepipe.store.picture import sync_file

_HELD = {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES}  # what flock(2) and its stand-ins say of a held lock
_GROUP_SECONDS = 0.5  # lines wait for their data to be on disk; a group shares the waiting (chosen here)


def _line(record: Any) -> bytes:
    text = json.dumps(record, sort_keys=True, separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _records(data: bytes) -> tuple[list[Any], int]:
    """The records of the intact leading lines and how many bytes they take; a torn or damaged tail is left out."""
    records: list[Any] = []
    used = 0
    for line in data.splitlines(keepends=True):
        checksum, _, text = line.rstrip(b"\n").partition(b" ")
        if not line.endswith(b"\n") or checksum != b"%08x" % zlib.crc32(text):
            break
        records.append(json.loads(text))
        used += len(line)
    return records, used


class Ledger:
    """Append-only JSON lines; a tile's line is written only after its chunks are on the disk.

    A chunk of nothing but zeros has no file, whatever the array library is told: where there is none, it reads as zeros.
    Each line therefore notes how many files its tile has: a tile that lacks one of them is made again.
    The first line names the pass key and the tile grid; another key or a damaged first line means: start anew.
    """

    def __init__(self, path: Path, key: str, grid: dict[str, Any]) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._waiting: list[tuple[int, tuple[Path, ...]]] = []
        self._syncing: threading.Thread | None = None
        self._closing = threading.Event()
        self._failure: OSError | None = None
        self.grid = grid
        self.files: dict[int, int] = {}  # how many chunk files each tile that was found here has
        self.finished: set[int] = set()
        self.complete = False
        self._resume(key)

    def _resume(self, key: str) -> None:
        data = self._path.read_bytes() if self._path.exists() else b""
        records, used = _records(data)
        if records and records[0].get("key") == key:
            self.grid = records[0]["grid"]
            self._take(records[1:])
            self._file: BinaryIO = self._path.open("r+b")
            self._file.truncate(used)
            self._file.seek(used)
        else:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._file = self._path.open("wb")
            try:
                self._append([_line({"key": key, "grid": self.grid})])
                sync_file(self._path.parent)
            except OSError:
                self._file.close()
                raise

    def _take(self, records: list[Any]) -> None:
        for record in records:
            if "tile" in record:
                self.files[record["tile"]] = record.get("files", 0)
            for index in record.get("lost", ()):
                self.files.pop(index, None)
            self.complete = record.get("complete", self.complete and "lost" not in record)
        self.finished = set(self.files)

    def lost(self, indices: Iterable[int]) -> None:
        """Notes that the pixels of these tiles are no longer there: they are made again."""
        gone = sorted(indices)
        self._append([_line({"lost": gone})])
        self.finished.difference_update(gone)
        self.complete = False

    @property
    def fresh(self) -> bool:
        """True when nothing of this pass is there yet."""
        return not self.finished and not self.complete

    def _append(self, lines: Iterable[bytes]) -> None:
        self._file.write(b"".join(lines))
        self._file.flush()
        os.fsync(self._file.fileno())

    def tile_done(self, index: int, files: Iterable[Path]) -> None:
        """Notes a written tile; safe from any thread. A group of tiles is synced beside the work, not in its way."""
        with self._lock:
            if self._failure is not None:
                raise self._failure
            self._waiting.append((index, tuple(files)))
            if self._syncing is None:
                self._syncing = threading.Thread(target=self._sync_groups, name="ledger", daemon=True)
                self._syncing.start()

    def _sync_groups(self) -> None:
        while not self._closing.wait(_GROUP_SECONDS):
            try:
                self._write_group()
            except OSError as failure:
                self._failure = failure
                return

    def _write_group(self) -> None:
        with self._lock:
            group, self._waiting = self._waiting, []
        if not group:
            return
        there = [(index, [file for file in files if file.exists()]) for index, files in group]
        files = {file for _, files in there for file in files}
        for path in (*files, *{file.parent for file in files}):
            sync_file(path)
        self._append(_line({"tile": index, "files": len(files)}) for index, files in there)
        self.finished.update(index for index, _ in group)

    def close(self, complete: bool = False) -> None:
        """Writes what waits; `complete` notes that every tile of the pass is there."""
        self._closing.set()
        if self._syncing is not None:
            self._syncing.join()
        try:
            if self._failure is not None:
                raise self._failure
            self._write_group()
            if complete and not self.complete:
                self._append([_line({"complete": True})])
                self.complete = True
        finally:
            self._file.close()


def is_complete(path: Path) -> bool:
    """True where the ledger of this path notes that every tile of its pass is there."""
    try:
        records, _ = _records(path.read_bytes())
    except OSError:
        return False
    return next(("complete" in record for record in reversed(records) if "complete" in record or "lost" in record), False)


class FolderLock:
    """Holds a working folder for one run at a time; the system releases it when the process ends, however it ends."""

    def __init__(self, folder: Path) -> None:
        import fcntl

        folder.mkdir(parents=True, exist_ok=True)
        self._file = (folder / "lock").open("w")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as cause:
            self._file.close()
            if cause.errno not in _HELD:
                raise StoreError(
                    "this folder cannot be locked for one run at a time", where=str(folder),
                    found=cause.strerror or str(cause), allowed="a file system with locks",
                    next_step="name a folder on a disk of this machine with --work",
                ) from cause
            raise StoreError(
                "another run is working in this folder", where=str(folder),
                next_step="wait for it, or give this run another folder with --work",
            ) from cause

    def release(self) -> None:
        self._file.close()
