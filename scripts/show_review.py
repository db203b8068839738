"""Shows how fast the review page is, in a real browser on this machine: the first picture, changes, panning, its memory.

`python3 scripts/show_review.py FOLDER` makes the invented scene there unless it is there. Needs Chromium.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import psutil
from playwright.sync_api import sync_playwright

from tilepipe.demo.job import make_demo
from tilepipe.formats import write_ome_zarr
from tilepipe.formats.write_shard import write_shard
from tilepipe.geometry import Shape

VIEW = {"width": 1600, "height": 1000}
CHANGES = [  # a late step first, the earliest one that needs no measuring last
    ("display", "steps.display.white", "{:.2f}EV", 2.0, 0.02),
    ("tone_curve", "steps.tone_curve.points[1].to", "{:.2f}EV", -2.7, 0.02),
    ("local_contrast", "steps.local_contrast.range", "{:.3f}", 0.5, 0.005),
    ("exposure", "steps.exposure.stops", "{:.2f}EV", 2.0, 0.02),
    ("white_balance", "steps.white_balance.kelvin", "{:.0f}K", 6700.0, 20.0),
]
SET = """([at, value]) => new Promise((done) => { const c = document.querySelector('#picture'), old = c.dataset.painted;
  const begun = performance.now(), look = () => { const now = c.dataset.painted;
  if (now && now !== old) done(performance.now() - begun); else requestAnimationFrame(look); };
  tilepipe.talk.set({ [at]: value }); look(); })"""
SIDE_PX = 32768  # of the large picture: 1.07 Gpx


@contextmanager
def served(recipe: Path) -> Iterator[str]:
    """The page's address."""
    words = [sys.executable, "-m", "tilepipe.cli", "review", str(recipe), "--no-browser", "--device", "cpu"]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield next(found[0] for line in process.stdout if (found := re.search(r"http://\S+", line)))
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(60)


@contextmanager
def page_of(address: str) -> Iterator[Any]:
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        raise SystemExit("no Chromium on this machine: apt-get install chromium")
    with sync_playwright() as tools:
        opened = tools.chromium.launch(executable_path=browser, args=["--no-sandbox", "--js-flags=--expose-gc"])
        page = opened.new_page(viewport=VIEW)
        started = time.perf_counter()
        page.goto(address)
        page.wait_for_selector("#picture[data-painted]", timeout=600_000)
        print(f"first picture after the page was opened: {time.perf_counter() - started:.2f} s", flush=True)
        yield page
        opened.close()


def cpu_seconds() -> float:
    """Processor time so far of the server and the browser, all children of this process."""
    spent = 0.0
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):
            times = child.cpu_times()
            spent += times.user + times.system
    return spent


def wait_for_ground(address: str) -> None:
    """Until the frames are measured: the server does that when it starts, once for a recipe."""
    import urllib.request

    started = time.perf_counter()
    while True:
        with urllib.request.urlopen(address + "state") as answer:
            if json.loads(answer.read())["ground"]:
                break
        time.sleep(0.2)
    print(f"frames measured or recalled: {time.perf_counter() - started:.2f} s", flush=True)


def show_changes(page: Any, times: int, shots: Path | None) -> None:
    """From a change of a value to the picture with it, as the browser sees it."""
    found, costs = [], []
    for step, address, form, start, by in CHANGES:
        own, before = [], cpu_seconds()
        for number in range(times):
            own.append(page.evaluate(SET, [address, form.format(start + by * (number + 1))]))
        cost = 1000.0 * (cpu_seconds() - before) / times
        found += own
        costs.append(cost)
        print(f"change of {step:15} {median(own):6.0f} ms median of {times}, at most {max(own):.0f}; "
              f"{cost:.0f} ms of processor time, the browser's included", flush=True)
        page.wait_for_timeout(2500)
    print(f"change of a value → picture   {median(found):6.0f} ms median of all {len(found)}; {median(costs):.0f} ms of "
          f"processor time; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", flush=True)
    if shots is not None:
        page.screenshot(path=str(shots / "changed.png"))


def show_final(page: Any) -> None:
    """1 : 1 with final bits: the first window, and another place after it."""
    for name, place in (("first", (0.5, 0.5)), ("another", (0.25, 0.7)), ("a third", (0.7, 0.3))):
        started = time.perf_counter()
        go = "([x, y]) => { const v = tilepipe.viewer; v.goTo(x * v.world.width, y * v.world.height, 1); }"
        page.evaluate(go, list(place))
        page.wait_for_timeout(50)
        page.wait_for_selector("#picture[data-settled$=final]", timeout=600_000)
        print(f"1 : 1 window with final bits, {name:8} {time.perf_counter() - started:6.2f} s", flush=True)


def write_large(folder: Path) -> None:
    """An invented OME-Zarr picture of 1 Gpx in place of a result: one shard of noise and ramps, linked to every place."""
    shapes = [Shape(SIDE_PX >> level, SIDE_PX >> level) for level in range(7)]
    planes, dtype = ("red", "green", "blue"), "uint16"
    told = {"space": "srgb", "transfer": "IEC 61966-2-1", "levels": "invented", "result_root": "0" * 64}
    write_ome_zarr.create(folder, "large", shapes, planes, dtype, told)
    random = np.random.default_rng(7)
    for level, shape in enumerate(shapes):
        first: Path | None = None
        for window in write_ome_zarr.shard_grid(shape):
            path = write_ome_zarr.shard_path(folder, level, shape, window)
            path.parent.mkdir(parents=True, exist_ok=True)
            if first is not None:
                os.link(first, path)
                continue
            ramp = np.linspace(8000, 56000, window.width)[None, None, :] * np.linspace(0.7, 1.0, window.height)[None, :, None]
            codes = (ramp + random.normal(0.0, 900.0, (3, window.height, window.width))).clip(0, 65535).astype(np.uint16)
            form = write_ome_zarr.shard_form(shape, len(planes), dtype)
            rows = write_ome_zarr.INNER_ROWS
            write_shard(path, form, iter([codes[:, row : row + rows] for row in range(0, window.height, rows)]))
            first = path


def show_panning(page: Any, seconds: float) -> None:
    """Panning over the large picture: how long each tile takes, and the page's memory."""
    page.select_option("#seen", "result")
    page.evaluate("() => { window.times = []; tilepipe.viewer.addEventListener('tile', (e) => times.push(e.detail)); }")
    heap = "() => { globalThis.gc?.(); return performance.memory.usedJSHeapSize / 2 ** 20; }"
    started, heaps, number = time.monotonic(), [], 0
    while time.monotonic() - started < seconds:
        page.evaluate(
            "(n) => { const v = tilepipe.viewer, s = [1, 0.4, 0.1][Math.floor(n / 40) % 3];"
            " const m = v.views.get('result').to_world[0][0];"
            " if (n % 40 === 0) v.goTo(v.world.width * ((n * 0.137) % 1), v.world.height * ((n * 0.071) % 1), s / m);"
            " v.moveBy(-160, -60); }", number,
        )
        page.wait_for_timeout(120)
        number += 1
        if number % 100 == 0:
            heaps.append(page.evaluate(heap))
    times = page.evaluate("() => window.times")
    whole = np.percentile(times, [50, 95]) if times else (0.0, 0.0)
    print(f"panning 1 Gpx for {seconds:.0f} s: {len(times)} tiles, {whole[0]:.0f} ms median, {whole[1]:.0f} ms for 95 of 100")
    quarter = max(len(heaps) // 4, 1)
    print(f"JS heap: {median(heaps[:quarter]):.1f} MiB in the first quarter, {median(heaps[-quarter:]):.1f} in the last, "
          f"at most {max(heaps):.1f}", flush=True)


def pretend_result(recipe: Path) -> None:
    """Puts the large picture where the last run's result would be, beside nothing else."""
    out = recipe.parent / "out" / recipe.stem
    out.mkdir(parents=True, exist_ok=True)
    if not (out / "large.ome.zarr").exists():
        write_large(out / "large.ome.zarr")
    told = {"deliverables": [{"kind": "ome-zarr", "path": "large.ome.zarr"}]}
    (out / f"{recipe.stem}.receipt.json").write_text(json.dumps(told), encoding="utf-8")


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("folder", type=Path)
    words.add_argument("--megapixels", type=float, default=24.0)
    words.add_argument("--times", type=int, default=9, help="changes of each step")
    words.add_argument("--pan-seconds", type=float, default=60.0, help="0 leaves the large picture out")
    words.add_argument("--shots", type=Path, help="a folder for screenshots")
    asked = words.parse_args()
    recipe = make_demo(asked.folder, asked.megapixels, "dng", say=print)
    draft = recipe.parent / "work" / f"{recipe.stem}-review-draft.json"
    draft.unlink(missing_ok=True)
    with served(recipe) as address:
        wait_for_ground(address)
        with page_of(address) as page:
            page.wait_for_timeout(2000)
            show_changes(page, asked.times, asked.shots)
            show_final(page)
    draft.unlink(missing_ok=True)
    if asked.pan_seconds:
        small = recipe.parent / "large" / "large.yaml"
        small.parent.mkdir(exist_ok=True)
        small.write_text(recipe.read_text(encoding="utf-8").replace("frames/*", "../frames/*"), encoding="utf-8")
        pretend_result(small)
        with served(small) as address:
            wait_for_ground(address)
            with page_of(address) as page:
                show_panning(page, asked.pan_seconds)


if __name__ == "__main__":
    main()
