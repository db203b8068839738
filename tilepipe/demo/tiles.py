"""Windows of an invented frame computed ahead by a few threads, handed over in order, a bounded number at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from tilepipe.geometry import Window

Pixels = TypeVar("Pixels")
WORKERS = 2


def in_order(
    windows: Iterable[Window], make: Callable[[Window], Pixels], workers: int = WORKERS,
) -> Iterator[tuple[Window, Pixels]]:
    """`(window, make(window))` in the order of the windows, with at most 2 · workers results alive."""
    waiting: deque[tuple[Window, Future[Pixels]]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="demo") as pool:
        for window in windows:
            waiting.append((window, pool.submit(make, window)))
            if len(waiting) >= 2 * workers:
                first, pixels = waiting.popleft()
                yield first, pixels.result()
        while waiting:
            first, pixels = waiting.popleft()
            yield first, pixels.result()
