"""Runs flat bags of independent tile tasks with dask: bounded tiles in flight, a clean stop, progress events."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Any

import dask.threaded

from tilepipe.device import trace
from tilepipe.device.allocator import return_large_blocks

Event = dict[str, Any]
Listener = Callable[[Event], None]


class Stopped(Exception):
    """A task saw that the run is stopping; never reaches the user."""


class Engine:
    """A pool of worker threads; as many tiles are in flight as there are workers, and that bound is the memory promise."""

    def __init__(self, workers: int, listener: Listener | None = None) -> None:
        return_large_blocks()
        self.workers = workers
        self._listener = listener
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="tile")
        self._stop = threading.Event()
        self._tell = threading.Lock()
        self.warnings: list[dict[str, Any]] = []

    def __enter__(self) -> Engine:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.stop()

    def stop(self) -> None:
        """Lets running tiles finish and starts no more."""
        self._stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def tell(self, event: str, **details: Any) -> None:
        """Sends an event to the listener, one at a time; warnings are kept for the receipt."""
        if event == "warning":
            self.warnings.append(details)
        if self._listener is not None:
            with self._tell:
                self._listener({"event": event, "time": time.time(), **details})

    def run_bag(
        self, name: str, tasks: Sequence[int] | Iterable[int], work: Callable[[int], Any], total: int | None = None,
    ) -> list[Any]:
        """Runs `work(index)` for every index and returns the (small) results in order; the first failure stops the bag."""
        indices = list(tasks)
        whole = total if total is not None else len(indices)
        done = whole - len(indices)
        self.tell("pass", name=name, tiles=whole, done=done)
        counter = threading.Lock()

        def guarded(index: int) -> Any:
            nonlocal done
            if self._stop.is_set():
                raise Stopped
            with trace.span(name, tile=index):
                result = work(index)
            with counter:
                done += 1
                self.tell("tile", name=name, tiles=whole, done=done)
            return result

        graph = {("tile", index): (guarded, index) for index in indices}
        if not graph:
            return []
        try:
            return list(dask.threaded.get(graph, [("tile", index) for index in indices], pool=self._pool))
        except BaseException:
            self._stop.set()
            raise
