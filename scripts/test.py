"""The test command: makes its own environment, installs tilepipe with its test extras, checks style, types and behaviour."""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, prepare


def main(words: list[str]) -> int:
    python = str(prepare("test-env", "[test]"))
    checks = [
        [python, "-m", "ruff", "check", "tilepipe", "tests", "scripts"],
        [python, "-m", "mypy", "--no-error-summary"],
        # -P keeps the checkout off the path: what is tested is the installed package.
        [python, "-P", "-m", "pytest", *(words or ["-q"])],
    ]
    failed = [command for command in checks if subprocess.run(command, cwd=ROOT, check=False).returncode]
    for command in failed:
        print(f"FAILED: {' '.join(command[1:])}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
