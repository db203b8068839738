"""Tells the C allocator to give large blocks back to the system as soon as they are free: the memory promise needs it."""

from __future__ import annotations

import ctypes
import functools
import sys

# glibc's malloc.h. Left alone, its threshold grows to 32 MiB with the first large block freed, and every thread's arena
# then keeps what it freed; measured on this job: 90 MB a worker.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
LARGE_BYTES = 1 << 20  # chosen here: blocks from this size on are mapped and unmapped one by one


@functools.cache
def return_large_blocks() -> bool:
    """Sets it for this process, once; False where the C library has no such setting."""
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    return bool(mallopt(_MMAP_THRESHOLD, LARGE_BYTES)) and bool(mallopt(_TRIM_THRESHOLD, LARGE_BYTES))
