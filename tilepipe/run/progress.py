"""Shows a run's events: bars with rate and remaining time on a terminal, JSON lines elsewhere."""

from __future__ import annotations

import json
import sys
from typing import Any, TextIO

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from tilepipe.run.engine import Event, Listener


class JsonLines:
    """One JSON object per event on a stream; tile events at most once a second and at a pass's end."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stdout
        self._last = 0.0

    def __call__(self, event: Event) -> None:
        if event["event"] == "tile" and event["done"] < event["tiles"] and event["time"] - self._last < 1.0:
            return
        self._last = event["time"]
        print(json.dumps({**event, "time": round(event["time"], 3)}), file=self._stream, flush=True)


class TerminalBars:
    """One bar per pass, with tiles done, tiles in all, time gone and time left."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._progress = Progress(
            TextColumn("{task.description:<24}", markup=False), BarColumn(), MofNCompleteColumn(),
            TextColumn("{task.fields[rate]}", markup=False),
            TimeElapsedColumn(), TimeRemainingColumn(), console=console,
        )
        self._task: TaskID | None = None
        self._started: tuple[float, int] = (0.0, 0)

    def __enter__(self) -> TerminalBars:
        self._progress.start()
        return self

    def __exit__(self, *details: Any) -> None:
        self._progress.stop()

    def __call__(self, event: Event) -> None:
        kind = event["event"]
        if kind == "pass":
            self._task = self._progress.add_task(
                event["name"], total=event["tiles"], completed=event["done"], rate=""
            )
            self._started = (event["time"], event["done"])
        elif kind == "tile" and self._task is not None:
            passed = event["time"] - self._started[0]
            rate = (event["done"] - self._started[1]) / passed if passed > 0 else 0.0
            self._progress.update(self._task, completed=event["done"], rate=f"{rate:.1f}/s")
        elif kind in ("warning", "device"):
            self._progress.console.print(noted(event))


def noted(event: Event) -> Text:
    """A warning as a person reads it: what, and what to do next; nothing in it is taken for markup."""
    text = Text.assemble(("note ", "bold"), event["text"])
    if event.get("next_step"):
        text.append(f"\n    next: {event['next_step']}")
    return text


def listener_for(json_lines: bool) -> Listener:
    """JSON lines on standard output when asked for; else bars at a terminal, and JSON lines on standard error for a log."""
    if json_lines:
        return JsonLines()
    console = Console(stderr=True)
    return TerminalBars(console) if console.is_terminal else JsonLines(sys.stderr)
