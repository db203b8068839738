"""How much memory this process may use: the machine's, or less where a container or a control group says so."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

ROOT = Path("/")
# Linux, Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst: the names of the files with a limit in bytes.
LIMIT_FILES = {"": "memory.max", "memory": "memory.limit_in_bytes"}
MOUNTS = {"": ("sys/fs/cgroup", "sys/fs/cgroup/unified"), "memory": ("sys/fs/cgroup/memory",)}


def usable_memory_bytes(root: Path = ROOT) -> int:
    """The machine's memory or the smallest limit of the control groups around this process, whichever is less.

    `root` is where the system's own folders `proc` and `sys` lie.
    """
    import psutil

    return min([int(psutil.virtual_memory().total), *_limits(root)])


def _limits(root: Path) -> Iterator[int]:
    for path in _limit_files(root):
        try:
            text = path.read_text(encoding="ascii").strip()
        except OSError:
            continue
        if text.isdigit():  # "max" where there is no limit
            yield int(text)


def _limit_files(root: Path) -> Iterator[Path]:
    """The files that may hold a limit: of this process's group and of every group above it."""
    try:
        lines = (root / "proc/self/cgroup").read_text(encoding="utf-8").splitlines()
    except OSError:  # not Linux
        return
    for line in lines:
        _, _, rest = line.partition(":")
        controllers, _, group = rest.partition(":")
        kind = "memory" if "memory" in controllers.split(",") else controllers
        for mount in MOUNTS.get(kind, ()):
            inner = Path(group.lstrip("/"))
            for place in (inner, *inner.parents):
                yield root / mount / place / LIMIT_FILES[kind]
