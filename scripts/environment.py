"""Makes the environment that the two commands of a fresh checkout need: their own venv, a compiler, the package in it."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CACHE = ROOT / ".cache"
OLDEST = (3, 11)
SOURCES = (
    "pyproject.toml", "CMakeLists.txt", "configs/*.yaml", "tilepipe/**/*.py", "tilepipe/**/*.h", "tilepipe/**/*.cpp",
    "tilepipe/review/page/*",
)


def prepare(name: str, extras: str = "") -> Path:
    """An environment in the checkout with the package installed; returns its Python. Does nothing when up to date."""
    if sys.version_info < OLDEST:
        raise SystemExit(f"tilepipe needs Python {'.'.join(map(str, OLDEST))} or newer; this is {sys.version.split()[0]}")
    folder = CACHE / name
    python = folder / "bin" / "python"
    mark, state = folder / "installed.txt", _state(extras)
    if mark.exists() and mark.read_text() == state and python.exists():
        return python
    print(f"preparing {folder.relative_to(ROOT)} …", flush=True)
    if not python.exists():
        venv.create(folder, with_pip=True, clear=True)
    _pip(python, "install", "--quiet", "--upgrade", "pip")
    _pip(python, "install", "--quiet", f"{ROOT}{extras}", environment=_with_compiler(python))
    mark.write_text(state)
    return python


def bring_browser() -> None:
    """What the tests of the review page look at it with: Debian's Chromium, and the checker axe-core by npm.

    Where they cannot be had the tests that need them are skipped, with a message.
    """
    browsers = ("chromium", "chromium-browser")
    if not any(map(shutil.which, browsers)) and shutil.which("apt-get") and os.geteuid() == 0:
        print("bringing Chromium by apt-get for the tests of the review page …", flush=True)
        for words in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", "chromium"]):
            subprocess.run(["apt-get", *words], check=False, stdout=subprocess.DEVNULL)
    axe = CACHE / "axe"
    if shutil.which("npm") and not (axe / "node_modules" / "axe-core").is_dir():
        axe.mkdir(parents=True, exist_ok=True)
        words = ["install", "--silent", "--no-save", "--no-audit", "--no-fund", "--prefix", str(axe), "axe-core@4"]
        subprocess.run(["npm", *words], check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _state(extras: str) -> str:
    """A fingerprint of everything that goes into the installed package."""
    digest = hashlib.sha256(f"{sys.version} {extras}".encode())
    for path in sorted({path for pattern in SOURCES for path in ROOT.glob(pattern)}):
        digest.update(f"{path.relative_to(ROOT)}\0".encode() + path.read_bytes())
    return digest.hexdigest()


def _pip(python: Path, *words: str, environment: dict[str, str] | None = None) -> None:
    command = [str(python), "-m", "pip", "--disable-pip-version-check", *words]
    if subprocess.run(command, env=environment, check=False).returncode:
        raise SystemExit(f"failed: {' '.join(command)}")


def _with_compiler(python: Path) -> dict[str, str]:
    """The process environment with a C++ compiler: the system's, else the one that the ziglang package brings."""
    environment = dict(os.environ)
    if os.environ.get("TILEPIPE_COMPILER") != "zig" and any(map(shutil.which, ("c++", "g++", "clang++"))):
        return environment
    print("no C++ compiler found: bringing one with the ziglang package …", flush=True)
    _pip(python, "install", "--quiet", "ziglang")
    for name, tool in (("CC", "cc"), ("CXX", "c++")):
        script = CACHE / f"zig-{tool}"
        # -I: an isolated build hides this environment's packages by way of PYTHONPATH.
        script.write_text(f'#!/bin/sh\nexec "{python}" -I -m ziglang {tool} "$@"\n')
        script.chmod(script.stat().st_mode | stat.S_IEXEC)
        environment[name] = str(script)
    return environment
