"""How many processor cores this process may use."""

from __future__ import annotations

import os


def usable_cores() -> int:
    """Cores that the system lets this process run on; where it does not say (macOS), all that there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
