"""The benchmark of the deep stages still runs, on a small picture; it asserts no times."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def test_the_benchmark_runs_on_a_small_picture():
    command = [sys.executable, str(ROOT / "scripts" / "bench_deep.py"), "--small", "--rounds", "1"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "times faster than cv2" in done.stdout
    assert done.stdout.count("local contrast, 41 nodes") == 2
