"""Shows the same-bits promise on a 1 MP demo: tiles, levels, workers, variants, host mathematics, 20 kills with resume."""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tilepipe.demo.frames import write_demo_frames
from tilepipe.device import native

RECIPE = """\
frames: frames/*.dng
steps:
  - match
  - align
  - blend: {method: radiance}
  - white_balance: {kelvin: 6000K}
  - exposure: {stops: +0.5EV}
  - local_contrast: {range: 0.5, detail: 1.15}
  - tone_curve: {lift: -9EV}
  - display
  - straighten: {turn: 0.7deg}
  - crop: {shape: "2:1"}
deliver:
  - {kind: tiff, name: master}
"""
OLD_HOST = {
    "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX512F,-AVX2_Usable,-FMA_Usable",
    "NPY_DISABLE_CPU_FEATURES": "AVX512F AVX512CD AVX512_SKX AVX2 FMA3", "OPENBLAS_CORETYPE": "Nehalem",
}
Case = tuple[str, list[str], dict[str, str]]


def cases() -> Iterator[Case]:
    """Name, extra words and environment of each run that must give the same root digest."""
    for tile in (256, 384, 1024, 2048):
        yield f"tile {tile}", ["--tile", str(tile)], {}
    yield "whole picture", ["--tile", "65536"], {}
    for level in range(2, 7):
        yield f"hand-over level {level}", ["--tile", "512", "--level", str(level)], {}
    for workers in (1, 2):
        yield f"workers {workers}", ["--tile", "256", "--workers", str(workers)], {}
    for variant in native.built_variants():
        yield f"variant {variant}", ["--tile", "512"], {native.VARIANT_VARIABLE: variant}
    yield "host mathematics of an older processor", ["--tile", "512"], OLD_HOST


def words(folder: Path, name: str, extra: list[str]) -> list[str]:
    place = folder / name.replace(" ", "-")
    return [
        sys.executable, "-m", "tilepipe.cli", "run", str(folder / "job.yaml"), "--work", str(place / "work"),
        "--out", str(place / "out"), "--json", *extra,
    ]


def root_of(folder: Path, name: str) -> str:
    path = folder / name.replace(" ", "-") / "out" / "job.receipt.json"
    root: str = json.loads(path.read_text(encoding="utf-8"))["result"]["root"]
    return root


def run_case(folder: Path, name: str, extra: list[str], environment: dict[str, str]) -> str:
    subprocess.run(words(folder, name, extra), env={**os.environ, **environment}, check=True, stdout=subprocess.DEVNULL)
    return root_of(folder, name)


def run_killed(folder: Path, kills: int) -> tuple[str, int]:
    """The root after `kills` kills at random moments, each followed by the same command; a finished run starts over."""
    chance, done, name = random.Random(20), 0, "killed"
    command = words(folder, name, ["--tile", "128", "--workers", "2"])
    while done < kills:
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(chance.uniform(0.5, 4.0))
        if child.poll() is None:
            child.send_signal(signal.SIGKILL)
            done += 1
        elif child.returncode:
            raise SystemExit(f"a run ended with {child.returncode}")
        else:
            subprocess.run(["rm", "-rf", str(folder / name)], check=True)
        child.wait()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return root_of(folder, name), done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=1.0)
    parser.add_argument("--kills", type=int, default=20)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_demo_frames(folder / "frames", chosen.megapixels)
        (folder / "job.yaml").write_text(RECIPE, encoding="utf-8")
        roots = {name: run_case(folder, name, extra, environment) for name, extra, environment in cases()}
        roots[f"{chosen.kills} kills and resumes"], _ = run_killed(folder, chosen.kills)
    for name, root in roots.items():
        print(f"{name:42} {root[:32]}")
    same = len(set(roots.values())) == 1
    print(f"{len(roots)} runs, {'one root digest' if same else 'DIFFERENT root digests'}")
    sys.exit(0 if same else 1)


if __name__ == "__main__":
    main()
