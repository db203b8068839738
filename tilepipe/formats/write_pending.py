"""A deliverable while it is being written: under a temporary name, put in place only when whole and checked."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from tilepipe.errors import PlanError, StoreError
from tilepipe.store.picture import sync_file

_FULL = {errno.ENOSPC, errno.EDQUOT}
_FORBIDDEN = {errno.EACCES, errno.EPERM, errno.EROFS}
_TOO_LARGE = {errno.EFBIG}


class Pending:
    """A file or folder to be; leaving the `with` block without `commit` removes what was written."""

    def __init__(self, final: Path) -> None:
        self.final = final
        self.path = final.with_name(f".{final.name}.part")

    def __enter__(self) -> Pending:
        remove(self.path)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        remove(self.path)

    def commit(self) -> None:
        """Puts the finished file in its place, over what stood there; its data are on the disk before."""
        for path in _files(self.path):
            sync_file(path)
        if self.final.is_dir() or self.path.is_dir():
            self._exchange()
        else:
            os.replace(self.path, self.final)
        sync_file(self.final.parent)

    def _exchange(self) -> None:
        """A folder cannot be renamed over another: the old one steps aside first and returns if that fails."""
        aside = self.final.with_name(f".{self.final.name}.old")
        remove(aside)
        if self.final.exists():
            os.replace(self.final, aside)
        try:
            os.replace(self.path, self.final)
        except BaseException:
            if aside.exists():
                os.replace(aside, self.final)
            raise
        remove(aside)


def remove(path: Path) -> None:
    """Removes a file or a folder with all that is in it; nothing there is as good."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _files(path: Path) -> Iterator[Path]:
    if not path.is_dir():
        yield path
        return
    for folder, _, names in os.walk(path):
        yield from (Path(folder) / name for name in names)
        yield Path(folder)


@contextmanager
def writing_to(path: Path) -> Iterator[None]:
    """Turns what the system refuses while `path` is written into an error that says what to do."""
    try:
        yield
    except OSError as cause:
        raise _told(path, cause) from cause
    except RuntimeError as cause:  # the codec pipeline of the store wraps the system's errors into its own text
        number = next((code for code in _FULL | _FORBIDDEN if f"os error {code}" in str(cause)), 0)
        if not number:
            raise
        raise _told(path, OSError(number, os.strerror(number))) from cause


def _told(path: Path, cause: OSError) -> PlanError | StoreError:
    where, found = str(path), cause.strerror or str(cause)
    if cause.errno in _FULL:
        return PlanError(
            "the disk is full; the file that was begun is removed, finished ones are kept", where, found,
            next_step="free some space or name another folder with --out; the next run goes on from here",
        )
    if cause.errno in _FORBIDDEN:
        return PlanError(
            "the file cannot be written", where, found, allowed="a folder that can be written to",
            next_step="change its permissions or name another folder with --out",
        )
    if cause.errno in _TOO_LARGE:
        return PlanError(
            "the file system or a limit of this account does not allow a file of this size", where, found,
            next_step="name a folder on another file system with --out, or raise the limit (ulimit -f)",
        )
    return StoreError("writing failed", where, found, next_step="mend the cause and run again; finished work is kept")
