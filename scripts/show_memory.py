"""Shows the memory promise: runs a large bracket as its own process and compares the peak of its process tree with the plan."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path

import psutil

from tilepipe.demo.frames import write_demo_frames
from tilepipe.recipe.load import load_recipe
from tilepipe.run.recipe_run import Settings, make_plan

RECIPE = """\
frames: frames/*.{ending}
steps:
  - match
  - align
  - blend: {{method: radiance}}
  - local_contrast: {{range: 0.5, detail: 1.15}}
  - display
deliver:
  - {{kind: tiff, name: master}}
"""
SAMPLE_SECONDS = 0.02


def tree_bytes(process: psutil.Process) -> int:
    """Resident bytes of a process and all its children, shared pages counted once by proportional size where known."""
    total = 0
    for member in [process, *process.children(recursive=True)]:
        try:
            total += member.memory_info().rss
        except psutil.NoSuchProcess:
            continue
    return total


def run_watched(words: list[str]) -> tuple[int, float]:
    """The peak of the process tree and the seconds it took; raises CalledProcessError where the run fails."""
    started, peak = time.monotonic(), 0
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    watched = psutil.Process(child.pid)
    while child.poll() is None:
        try:
            peak = max(peak, tree_bytes(watched))
        except psutil.NoSuchProcess:
            break
        time.sleep(SAMPLE_SECONDS)
    if child.wait():
        raise subprocess.CalledProcessError(child.returncode, words)
    return peak, time.monotonic() - started


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where frames, working pictures and results go (deleted by nobody)")
    parser.add_argument("--megapixels", type=float, default=200.0)
    parser.add_argument("--memory", default="2GiB")
    parser.add_argument("--kind", choices=("tiff", "dng"), default="tiff")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path)
    chosen = parser.parse_args()
    frames = chosen.folder / "frames"
    if not frames.exists():
        write_demo_frames(frames, chosen.megapixels, kind=chosen.kind)
    recipe = chosen.folder / "memory.yaml"
    recipe.write_text(RECIPE.format(ending="tif" if chosen.kind == "tiff" else "dng"), encoding="utf-8")
    gib = float(chosen.memory.removesuffix("GiB"))
    allowed = int(gib * (1 << 30))
    plan = make_plan(load_recipe(recipe), Settings(memory_bytes=allowed, workers=chosen.workers))
    words = [sys.executable, "-m", "tilepipe.cli", "run", str(recipe), "--memory", chosen.memory,
             "--workers", str(chosen.workers), "--json"]
    peak, seconds = run_watched(words)
    told = {
        "megapixels": chosen.megapixels, "allowed_bytes": allowed, "promise_bytes": plan.promise_bytes,
        "peak_bytes": peak, "promise_over_peak": plan.promise_bytes / peak, "seconds": seconds,
    }
    for name, value in told.items():
        print(f"{name:20} {value / (1 << 20):12.0f} MiB" if name.endswith("bytes") else f"{name:20} {value:12.3f}")
    kept = peak <= plan.promise_bytes <= 1.25 * peak and peak <= allowed
    print("promise kept: peak ≤ promise ≤ 1.25 × peak" if kept else "promise NOT kept")
    if chosen.json:
        chosen.json.write_text(json.dumps(told, indent=1), encoding="utf-8")
    sys.exit(0 if kept else 1)


if __name__ == "__main__":
    main()
