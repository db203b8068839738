"""The demo command: makes its own environment, installs tilepipe, makes the invented scene and runs the whole job on it."""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, prepare


def main(words: list[str]) -> int:
    python = str(prepare("demo-env"))
    folder = ROOT / "out" / "demo"
    command = [python, "-P", "-m", "tilepipe.cli", "demo", str(folder), *words]
    return subprocess.run(command, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
