"""The demo's job: the invented scene's frames in a folder and the recipe that finishes them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tilepipe.demo.frames import write_demo_frames


def make_demo(folder: Path, megapixels: float, kind: str, say: Callable[[str], None]) -> Path:
    """Writes the frames (unless they are there) and the recipe `evening.yaml`; returns the recipe's path."""
    folder.mkdir(parents=True, exist_ok=True)
    frames = folder / "frames"
    mark = frames / "made.txt"
    wanted = f"{kind} {megapixels!r}\n"
    if not (mark.exists() and mark.read_text(encoding="utf-8") == wanted):
        say(f"making the invented scene: four frames of {megapixels:g} MP …")
        write_demo_frames(frames, megapixels, kind=kind)
        mark.write_text(wanted, encoding="utf-8")
    recipe = folder / "evening.yaml"
    if not recipe.exists():
        text = ready_recipe("evening_6mp").replace("frames/*.dng", "frames/*.dng" if kind == "dng" else "frames/*.tif")
        recipe.write_text(text, encoding="utf-8")
    return recipe


def ready_recipe(name: str) -> str:
    """The text of one of the ready recipes: of the checkout that the package is part of, else installed with it."""
    package = Path(__file__).resolve().parent.parent
    checkout = (package.parent / "pyproject.toml").exists()  # a build leaves copies in the package that grow stale
    folder = package.parent / "configs" if checkout else package / "configs"
    return (folder / f"{name}.yaml").read_text(encoding="utf-8")
