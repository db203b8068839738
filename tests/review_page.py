"""What tests of the review page share: a small bracket with its recipe, the page's server as a process, a browser."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tilepipe.demo.frames import write_demo_frames
from tilepipe.geometry import Shape

RECIPE = """\
frames: frames/*.dng
steps:
  - match
  - align
  - lens_spots
  - motion
  - blend: {method: radiance}
  # brighter, as the evening was
  - exposure: {stops: +0.5EV}
  - local_contrast: {range: 0.7, detail: 1.1}
  - display
deliver:
  - {kind: ome-zarr, name: master, space: srgb}
"""
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
NO_BROWSER = "no Chromium on this machine: `apt-get install chromium`"


def small_job(folder: Path) -> Path:
    """Frames of 360×240 px and a recipe; returns the recipe's path."""
    write_demo_frames(folder / "frames", shape=Shape(240, 360))
    recipe = folder / "evening.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    return recipe


class Server:
    """`tilepipe review` as a process."""

    def __init__(self, recipe: Path) -> None:
        words = [sys.executable, "-m", "tilepipe.cli", "review", str(recipe), "--no-browser", "--device", "cpu"]
        self.process = subprocess.Popen([*words, "--workers", "2"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        self.address = ""
        said = []
        assert self.process.stdout is not None
        for line in self.process.stdout:
            said.append(line)
            found = re.search(r"http://\S+", line)
            if found:
                self.address = found[0]
                return
        raise AssertionError("".join(said))

    def ask(self, path: str) -> Any:
        with urllib.request.urlopen(self.address + path, timeout=60) as answer:
            return json.loads(answer.read())

    def act(self, **what: Any) -> Any:
        origin = "/".join(self.address.split("/")[:3])
        asked = urllib.request.Request(self.address + "act", json.dumps(what).encode(), {"Origin": origin}, method="POST")
        with urllib.request.urlopen(asked, timeout=60) as answer:
            return json.loads(answer.read())

    def kill(self) -> None:
        """As a crash would."""
        self.process.kill()
        self._ended()

    def stop(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self._ended()

    def _ended(self) -> None:
        self.process.wait(60)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def served(recipe: Path) -> Iterator[Server]:
    server = Server(recipe)
    try:
        yield server
    finally:
        if server.process.poll() is None:
            server.stop()


@contextmanager
def browser() -> Iterator[Any]:
    """Chromium by Playwright; skips the test where there is none."""
    if BROWSER is None:
        pytest.skip(NO_BROWSER)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tools:
        opened = tools.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()


def until(page: Any, condition: str, timeout_s: float = 30.0) -> None:
    """Waits until a function of the page's says true; asked from outside, because the page's own policy forbids eval."""
    end = time.monotonic() + timeout_s
    while not page.evaluate(condition):
        assert time.monotonic() < end, f"never true: {condition}"
        page.wait_for_timeout(50)
