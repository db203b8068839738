"""The full run as a process of its own: started, paused, gone on with; its progress and log for the page."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tilepipe.run.recipe_run import Settings

MOST_LOG = 400  # lines
Told = Callable[[dict[str, Any]], None]


@dataclass
class Running:
    """At most one run at a time. `state`: idle, running, pausing, paused, finished or failed."""

    file: Path
    settings: Settings
    told: Told
    state: str = "idle"
    passes: list[dict[str, Any]] = field(default_factory=list)
    log: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_LOG))
    receipt: str = ""
    seconds: float = 0.0
    _process: subprocess.Popen[str] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def summary(self) -> dict[str, Any]:
        """For the page."""
        return {
            "state": self.state, "passes": self.passes, "log": list(self.log)[-60:], "receipt": self.receipt,
            "seconds": self.seconds,
        }

    def start(self) -> None:
        """Starts the run, or goes on with a paused one; nothing while one is under way."""
        with self._lock:
            if self._process is not None:
                return
            self.state, self.passes, self.receipt = "running", [], ""
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "tilepipe.cli", "run", str(self.file), "--json", *self._options()],
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8", errors="replace",
                cwd=self.file.parent, start_new_session=True,
            )
            threading.Thread(target=self._follow, args=(self._process,), daemon=True, name="run").start()
        self._tell()

    def pause(self) -> None:
        """Ends the process when its tiles in flight are done; what is finished is kept."""
        with self._lock:
            if self._process is not None and self.state == "running":
                self.state = "pausing"
                self._process.send_signal(signal.SIGINT)
        self._tell()

    def wait(self, timeout_s: float) -> None:
        """Until the process has ended."""
        process = self._process
        if process is not None:
            process.wait(timeout_s)

    def _options(self) -> list[str]:
        chosen = self.settings
        given = {
            "--memory": f"{chosen.memory_bytes}B" if chosen.memory_bytes else None, "--workers": chosen.workers,
            "--tile": chosen.tile_px, "--level": chosen.level, "--device": chosen.device, "--work": chosen.work,
            "--out": chosen.out,
        }
        return [str(word) for name, value in given.items() if value is not None for word in (name, value)]

    def _follow(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self._take(line.rstrip())
        code = process.wait()
        with self._lock:
            self._process = None
            if self.state == "pausing":
                self.state = "paused"
            elif self.state != "finished" or code != 0:
                self.state = "finished" if code == 0 and self.receipt else "failed"
        self._tell()

    def _take(self, line: str) -> None:
        try:
            event = json.loads(line)
        except ValueError:
            event = None
        if not isinstance(event, dict) or "event" not in event:
            if line:
                self.log.append(line)
            return
        kind = event["event"]
        if kind == "pass":
            self.passes.append({"name": event["name"], "tiles": event["tiles"], "done": event["done"]})
            self.log.append(f"{event['name']}: {event['done']} of {event['tiles']} tiles are there")
        elif kind == "tile" and self.passes:
            self.passes[-1]["done"] = event["done"]
        elif kind == "warning":
            self.log.append(f"note: {event.get('text', '')} {event.get('next_step', '')}".rstrip())
        elif kind == "finished":
            self.receipt, self.seconds = event["receipt"], event["seconds"]
            self.log.append(f"finished in {event['seconds']:g} s: {event['receipt']}")
        self._tell()

    def _tell(self) -> None:
        self.told({"event": "run", "run": self.summary()})
