"""Compiles the kernels into the source tree, for work in a checkout: `python3 scripts/build.py [VARIANT …]`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def main(variants: list[str]) -> None:
    folder = ROOT / "build" / "checkout"
    chosen = [f"-DTILEPIPE_VARIANTS={';'.join(f'x86-64-{v}' if v.startswith('v') else v for v in variants)}"]
    configure = ["cmake", "-S", str(ROOT), "-B", str(folder), "-G", "Ninja", f"-DCMAKE_INSTALL_PREFIX={ROOT}"]
    subprocess.run(configure + (chosen if variants else ["-UTILEPIPE_VARIANTS"]), check=True, stdout=subprocess.DEVNULL)
    subprocess.run(["cmake", "--build", str(folder)], check=True)
    subprocess.run(["cmake", "--install", str(folder)], check=True, stdout=subprocess.DEVNULL)


if __name__ == "__main__":
    main(sys.argv[1:])
