"""Shows what becomes of real brackets and raw files: runs the default recipe on each, writes pictures to look at."""

from __future__ import annotations

import argparse
import itertools
import json
import math
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from show_truth import Ran, moved, ran

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
STEPS = """
steps:
  - match
  - align
  - blend: {method: radiance}
  - exposure: {stops: measured}
  - local_contrast: {range: 0.5}
  - tone_curve
  - display
"""
ONE_FRAME = "\nsteps:\n  - local_contrast: {range: 0.5}\n  - display\n"
# Linear Rec.2020 → linear sRGB, ITU-R BT.2087-0 read backwards; for looking, four decimals are plenty.
TO_SRGB = ((1.6605, -0.5876, -0.0728), (-0.1246, 1.1329, -0.0083), (-0.0182, -0.1006, 1.1187))
# Shifts (x, y) in px between neighbours, dark to bright, on which three published estimators agree (the data's own notes).
STATED_SHIFTS = {"st_louis_arch": ((1.0, 0.6), (7.4, 1.1), (2.0, 0.3))}
ALLOWED_PX = 0.5
# Sets without Exif: exposures two stops apart, as their authors describe under-, normal and over-exposed frames.
STATED_LIGHT = {"merianos_Rovinia", "merianos_SeaRock", "merianos_SecretBeach"}


def recipe_of(folder: Path, frames: Sequence[Path], steps: str, light: bool = False) -> Path:
    """A recipe in `folder`; with `light` the frames' exposures are stated two stops apart, in the order given."""
    lines = ["frames:"]
    for index, frame in enumerate(frames):
        stated = f", light: {2 * (index - len(frames) // 2):+d}EV" if light else ""
        lines.append(f"  - {{file: {json.dumps(str(frame))}{stated}}}")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "bracket.yaml"
    path.write_text("\n".join(lines) + steps, encoding="utf-8")
    return path


def viewing(pixels: Any) -> Any:
    """Linear Rec.2020 `(plane, y, x)` → sRGB uint8 `(y, x, 3)`; what lies outside the range is cut."""
    light = np.clip(np.tensordot(np.array(TO_SRGB, np.float32), pixels[:3], 1), 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return (coded.transpose(1, 2, 0) * 255.0 + 0.5).astype(np.uint8)


def shift_lines(name: str, facts: dict[str, Any]) -> list[str]:
    """How each frame was laid beside its darker neighbour, at the picture's middle."""
    rows = facts["align"]["frames"]
    height, width = facts["shape"]
    middle = (width - 1) / 2.0, (height - 1) / 2.0
    places = [moved(rows[index]["matrix"], *middle) for index in facts["order"]]
    lines = []
    for index, (dark, bright) in enumerate(itertools.pairwise(places)):
        x, y = float(bright[0] - dark[0]), float(bright[1] - dark[1])
        row = rows[facts["order"][index + 1]]
        text = f"  frame {index} → {index + 1}: ({x:+.2f}, {y:+.2f}) px"
        if name in STATED_SHIFTS:
            sx, sy = STATED_SHIFTS[name][index]
            off = math.hypot(x - sx, y - sy)
            word = "pass" if off <= ALLOWED_PX else "FAIL"
            text += f", stated ({sx:g}, {sy:g}): off by {off:.2f} px, {word} (≤ {ALLOWED_PX})"
        lines.append(f"{text}; {row['model']}, {row['agreeing']} of {row['blocks']} blocks agree")
    return lines


def report(name: str, found: Ran, seconds: float, say: Callable[[str], None]) -> None:
    facts = found.facts
    say(f"{name}: {facts['shape'][1]}×{facts['shape'][0]}, {len(facts['frames'])} frames blended, {seconds:.1f} s: "
        + ", ".join(f"{step} {took:.1f}" for step, took in found.seconds.items() if took >= 0.05))
    if "base_choice" in facts:
        say(f"  base: {facts['base_choice']['reason']}; left out: {facts['base_choice']['left_out']}")
    say("  light " + ", ".join(f"{math.log2(frame['light']):+.2f} EV" for frame in facts["frames"])
        + f"; noise {facts['frames'][0]['noise_from']}")
    if "align" in facts:
        for line in shift_lines(name, facts):
            say(line)
    for warning in found.warnings:
        say(f"  warning: {warning.get('text')} → {warning.get('next_step')}")
    light = found.pixels[:3]
    levels = np.percentile(viewing(found.pixels)[..., 1], (1, 25, 50, 75, 99))
    say(f"  result {float(light.min()):.4f} to {float(light.max()):.4f}; green in sRGB codes at 1, 25, 50, 75, 99 %: "
        + " ".join(f"{level:.0f}" for level in levels))


def show(name: str, frames: Sequence[Path], out: Path, say: Callable[[str], None]) -> None:
    """Runs one set (or one raw file) in a temporary folder and writes `<name>.png`."""
    one = len(frames) == 1
    with tempfile.TemporaryDirectory() as folder:
        recipe = recipe_of(Path(folder), frames, ONE_FRAME if one else STEPS, name in STATED_LIGHT)
        started = time.monotonic()
        found = ran(recipe, Path(folder) / "work")
        report(name, found, time.monotonic() - started, say)
    Image.fromarray(viewing(found.pixels)).save(out / f"{name}.png")


def sets() -> dict[str, list[Path]]:
    """Every set of frames and every raw file of the shared data."""
    found = {folder.name: sorted(folder.glob("*.jp*g")) for folder in sorted((DATA / "brackets").iterdir()) if folder.is_dir()}
    found |= {path.stem: [path] for path in sorted((DATA / "raw").glob("*/*.dng"))}
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, help="where the pictures go")
    parser.add_argument("names", nargs="*", help="of sets; none: all")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    known = sets()
    for name in chosen.names or known:
        try:
            show(name, known[name], chosen.out, lambda text: print(text, flush=True))
        except Exception as error:  # one that fails must not hide the others
            print(f"{name}: FAILED: {type(error).__name__}: {error}", flush=True)


if __name__ == "__main__":
    main()
