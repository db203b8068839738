"""A trace of a run: what each thread, and the GPU's streams by their own clock, did when.

Written in the Trace Event Format (a public document of the Chromium project) as complete events of microseconds, which
browsers and open viewers show as a time line.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HOST = "host"
_events: list[dict[str, Any]] | None = None
_begun = 0.0


def is_on() -> bool:
    """True while a trace is being written."""
    return _events is not None


def now() -> float:
    """Seconds of the trace's clock."""
    return time.perf_counter()


@contextlib.contextmanager
def written(path: Path | None) -> Iterator[None]:
    """While it lasts, spans are kept; at its end they are written to `path` as JSON. Without a path nothing happens."""
    global _events, _begun
    if path is None:
        yield
        return
    _events, _begun = [], now()
    try:
        yield
    finally:
        kept, _events = _events, None
        path.write_text(json.dumps({"traceEvents": _named(kept), "displayTimeUnit": "ms"}), encoding="utf-8")


@contextlib.contextmanager
def span(name: str, **details: Any) -> Iterator[None]:
    """What the calling thread does while it lasts."""
    if _events is None:
        yield
        return
    start = now()
    try:
        yield
    finally:
        add(name, start, now() - start, HOST, **details)


def add(name: str, start: float, seconds: float, place: str, **details: Any) -> None:
    """One span of the calling thread's work at `place`: the host, or a device by its name."""
    kept = _events
    if kept is not None:
        kept.append({
            "name": name, "ph": "X", "ts": (start - _begun) * 1e6, "dur": seconds * 1e6, "pid": place,
            "tid": threading.current_thread().name, "args": details,
        })


def _named(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Numbers for places and threads, as the format wants them, and their names beside."""
    places = {name: index for index, name in enumerate(sorted({event["pid"] for event in events}))}
    rows = {name: index for index, name in enumerate(sorted({event["tid"] for event in events}))}
    used = sorted({(event["pid"], event["tid"]) for event in events})
    named: list[dict[str, Any]] = []
    for place in places:
        text = f"{place} of process {os.getpid()}" if place == HOST else place
        named.append({"name": "process_name", "ph": "M", "pid": places[place], "tid": 0, "args": {"name": text}})
    for place, row in used:
        named.append({"name": "thread_name", "ph": "M", "pid": places[place], "tid": rows[row], "args": {"name": row}})
    return named + [{**event, "pid": places[event["pid"]], "tid": rows[event["tid"]]} for event in events]
