"""The test command: makes its own environment, installs tilepipe with its test extras, checks style, types and behaviour."""

from __future__ import annotations

import os
import subprocess
import sys

from environment import ROOT, bring_browser, prepare


def main(words: list[str]) -> int:
    python = str(prepare("test-env", "[test]"))
    bring_browser()
    checks = [
        [python, "-m", "ruff", "check", "tilepipe", "tests", "scripts"],
        [python, "-m", "mypy", "--no-error-summary"],
        [python, "-m", "pytest", *(words or ["-q"])],
    ]
    # The checkout stays off the path, in processes that tests start too: what is tested is the installed package.
    environment = {**os.environ, "PYTHONSAFEPATH": "1"}
    failed = [command for command in checks if subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode]
    for command in failed:
        print(f"FAILED: {' '.join(command[1:])}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
