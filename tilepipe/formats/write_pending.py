"""A deliverable while it is being written: under a temporary name, put in place only when whole and checked."""

from __future__ import annotations

import errno
import os
import re
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
ELSEWHERE = "name another folder with --out"
_TOO_MANY = {errno.EMFILE, errno.ENFILE}
_WRAPPED = re.compile(r"\bos error (\d+)")


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
def writing_to(path: Path, elsewhere: str = ELSEWHERE) -> Iterator[None]:
    """Turns what the system refuses while `path` is written into an error that says what to do.

    `elsewhere`: what a person can do to have it written in another place.
    """
    try:
        yield
    except BrokenPipeError:
        raise  # nobody reads what is told of the work: nothing is wrong with `path`
    except OSError as cause:
        raise refused_by_system(path, cause, elsewhere) from cause
    except RuntimeError as cause:
        wrapped = wrapped_refusal(cause)
        if wrapped is None:
            raise
        raise refused_by_system(path, wrapped, elsewhere) from cause


def wrapped_refusal(cause: RuntimeError) -> OSError | None:
    """The system's error inside one of the store's codec pipeline, which wraps it into its own text; None for another."""
    told = _WRAPPED.search(str(cause))
    return OSError(int(told[1]), os.strerror(int(told[1]))) if told else None


def refused_by_system(path: Path | None, cause: OSError, elsewhere: str = ELSEWHERE) -> PlanError | StoreError:
    """The error to be told for one of the system's; `path` is what was being written, where that is known."""
    named = Path(os.fsdecode(cause.filename)) if isinstance(cause.filename, str | bytes) else None
    beside = named is None or (path is not None and named.parent == path.parent)  # the file under its temporary name
    where, found = str((path or "") if beside else named), cause.strerror or str(cause)
    if cause.errno in _FULL:
        return PlanError(
            "the disk is full; what was finished is kept, a file that was begun is removed", where, found,
            next_step=f"free some space or {elsewhere}; the next run goes on from here",
        )
    if cause.errno in _FORBIDDEN:
        return PlanError(
            "this cannot be written or read", where, found, allowed="a folder that can be written to, files that can be read",
            next_step=f"change its permissions or {elsewhere}",
        )
    if cause.errno in _TOO_LARGE:
        return PlanError(
            "the file system or a limit of this account does not allow a file of this size", where, found,
            next_step=f"{elsewhere}, on another file system, or raise the limit (ulimit -f)",
        )
    if cause.errno in _TOO_MANY:
        return PlanError(
            "too many files are open", where, found, next_step="raise the limit (ulimit -n) or use fewer --workers",
        )
    return StoreError(
        "the system could not read or write this", where, found,
        next_step="mend the cause and run again; finished work is kept",
    )
