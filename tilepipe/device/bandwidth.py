"""How fast memory moves, measured now: inside the device, and between it and the host."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

BYTES = 1 << 27
REPEATS = 5


def rates(device: Any, nbytes: int = BYTES) -> dict[str, float]:
    """GB/s by name: a copy's bytes read and written; on a GPU also pinned memory up and down the bus. The best of a few."""
    return _gpu_rates(device, nbytes) if device.kind == "gpu" else {"memory copy, one core": _host_copy(nbytes)}


def _best(run: Callable[[], None]) -> float:
    """Seconds of the fastest run, after one that does not count."""
    run()
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        run()
        times.append(time.perf_counter() - begun)
    return max(min(times), 1e-9)


def _host_copy(nbytes: int) -> float:
    source, target = np.ones(nbytes, np.uint8), np.zeros(nbytes, np.uint8)
    return 2e-9 * nbytes / _best(lambda: np.copyto(target, source))


def _gpu_rates(device: Any, nbytes: int) -> dict[str, float]:
    host = device.pinned((nbytes,), np.uint8)
    host[:] = 1
    there = device.upload(host)
    other = device.empty((nbytes,), np.uint8)

    def up() -> None:
        device.upload(host)
        device.synchronize()

    return {
        "device copy": 2e-9 * nbytes / _best(lambda: device.write(there, other)),
        "bus up": 1e-9 * nbytes / _best(up), "bus down": 1e-9 * nbytes / _best(lambda: device.write(there, host)),
    }
