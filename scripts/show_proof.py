"""Shows what proofs are worth: windows against the full run's digests and their time, reduced proofs against the full run.

`show_proof.py window FOLDER --megapixels 200` · `show_proof.py difference FOLDER --megapixels 6`
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy import ndimage

from tilepipe.colour.spaces import WORKING, rgb_to_xyz
from tilepipe.colour.white import xyz_of
from tilepipe.demo.frames import write_demo_frames
from tilepipe.recipe.load import load_recipe
from tilepipe.run.preview import Preview
from tilepipe.run.proof import worked
from tilepipe.run.recipe_run import Settings, prepared

WINDOW_RECIPE = """\
frames: frames/*.{ending}
steps:
  - match
  - align
  - blend: {{method: radiance}}
  - exposure: {{stops: measured}}
  - local_contrast: {{range: 0.5, detail: 1.15}}
  - tone_curve: {{points: [{{at: -7EV, to: -7.3EV}}, {{at: -3EV, to: -2.7EV}}, {{at: 0EV, to: 0EV}}]}}
  - display
"""
ALL_RECIPE = """\
frames: frames/*.{ending}
masks:
  sky: {{luminance: {{from: -1.5EV, soft: 1EV}}}}
  rocks: {{polygon: {{points: [[0.1, 0.55], [0.45, 0.5], [0.5, 0.8], [0.1, 0.85]], soft: 2%}}}}
steps:
  - match
  - align
  - motion
  - blend: {{method: radiance}}
  - white_balance: {{kelvin: 6700K, duv: 0.002}}
  - exposure: {{stops: measured}}
  - straighten: {{turn: 0.4deg}}
  - crop: {{left: 0.02, top: 0.02, width: 0.95, height: 0.95}}
  - dodge: {{stops: 0.3EV, around: -6EV, where: rocks}}
  - burn: {{stops: 0.3EV, where: sky, strength: 0.8}}
  - local_contrast: {{range: 0.5, detail: 1.15}}
  - tone_channels: {{channels: [{{at: 60deg, reach: 40deg, stops: -0.3EV, chroma: 1.1}}]}}
  - saturation: {{chroma: 1.1}}
  - vignette: {{stops: -0.4EV}}
  - tone_curve: {{points: [{{at: -7EV, to: -7.3EV}}, {{at: -3EV, to: -2.7EV}}, {{at: 0EV, to: 0EV}}]}}
  - display
  - sharpen: {{amount: 0.6}}
"""
EDGE_LIGHTNESS = 20.0  # L* between neighbours three pixels apart: what counts as a strong edge; chosen here
NEAR_PX = 10
SHOWN = 4  # copies have 16 to 64 MP, 4900 to 9800 px on the longer side: on 1500 px they are reduced by so much again
Pixels = Any


# ------------------------------------------------------------ windows
def show_windows(folder: Path, megapixels: float, kind: str, memory: str, runs: bool) -> None:
    """Times the command for a first and for further windows, each a process of its own; then the run's digests."""
    recipe = _job(folder, megapixels, kind, "window", WINDOW_RECIPE)
    shape = _shape_of(recipe)
    words = [sys.executable, "-m", "tilepipe.cli"]
    machine = ["--memory", memory, "--workers", "2"]
    found: dict[str, str] = {}
    places = [(shape[1] // 3, shape[0] // 3), (shape[1] // 2, shape[0] // 2), (shape[1] // 5, shape[0] // 4)]
    for number, (x, y) in enumerate(places):
        found |= _window(words, recipe, x, y, [], machine, "the first" if number == 0 else "another")
    x, y = places[1]
    _window(words, recipe, x, y, ["--set", "steps.tone_curve.points=[{at: -3EV, to: -2.5EV}]"], machine, "a late step changed")
    if not runs:
        return
    started = time.monotonic()
    subprocess.run([*words, "run", str(recipe), *machine], check=True, capture_output=True)
    receipt = json.loads((folder / "out" / "window" / "window.receipt.json").read_text(encoding="utf-8"))
    regions = receipt["result"]["regions"]
    equal = sum(regions[int(index)] == digest for index, digest in found.items())
    print(f"  {equal} of {len(found)} regions that the windows touched have the later receipt's digests"
          f" ({time.monotonic() - started:.0f} s for the rest of the run)")


def _window(
    words: list[str], recipe: Path, x: int, y: int, more: list[str], machine: list[str], what: str
) -> dict[str, str]:
    started = time.monotonic()
    done = subprocess.run([*words, "proof", str(recipe), "--at", f"{x},{y}", *more, *machine], check=True, capture_output=True)
    seconds = time.monotonic() - started
    path = Path(recipe.parent, "out", "window", f"window-window-{x}-{y}.json")
    told = json.loads(path.read_text(encoding="utf-8"))
    print(f"  {what:20} 1200×800 at {x},{y}: {seconds:6.1f} s, the process and its start included")
    assert done.returncode == 0
    return dict(told["regions"])


# ------------------------------------------------------------ reduced
def show_difference(folder: Path, megapixels: float, kind: str, long_side: int) -> bool:
    """Proofs and previews against the full run's picture reduced to the same size."""
    recipe_path = _job(folder, megapixels, kind, "all", ALL_RECIPE)
    recipe, settings = load_recipe(recipe_path), Settings(memory_bytes=2 << 30, workers=2)
    with prepared(recipe, settings) as run:
        run.run()
        full, full_facts = _array(run.pictures[run.plan.result]), run.facts
    good = True
    for name, times in (("proof as the command makes it", 1), ("proof of a picture of 65 to 256 MP", 2),
                        ("proof of one of 257 to 1024 MP", 4)):
        started = time.monotonic()
        with prepared(recipe, settings) as run:
            most = -(-run.job.shape.pixels // (times * times))
            made, factor = worked(recipe, run, most)
            picture, facts = _array(made.pictures[made.plan.result]), run.facts
        shown = max(1, -(-max(picture.shape[1:]) // long_side)) if factor == 1 else SHOWN
        whole = factor * shown
        seconds = time.monotonic() - started
        print(f"{name}: the joined picture reduced by {factor}, the result by {shown}; {seconds:.1f} s once measured")
        good &= _compared(_boxes(picture, shown), _boxes(full, whole), folder / f"difference-{factor}.png")
        same = _groups(facts) == _groups(full_facts)
        print(f"  moved groups and their frames: {len(_groups(facts))}, {'the same' if same else 'NOT the same'}")
        good &= same
    with Preview(recipe, settings, long_side) as preview:
        light = _array(preview.light())
        print(f"preview for a screen, frames reduced by {preview.factor}")
        _compared(light, _boxes(full, preview.factor), folder / "difference-preview.png")
    return good


def _groups(facts: Any) -> list[tuple[Any, ...]]:
    return [(group["id"], group["frame"], *group["window"]) for group in facts["motion"]["groups"]]


def _compared(found: Pixels, wanted: Pixels, path: Path) -> bool:
    """Prints CIEDE2000 between two display-linear pictures; True where all bounds hold."""
    high, wide = (min(a, b) for a, b in zip(found.shape[1:], wanted.shape[1:], strict=True))
    found, wanted = found[:3, :high, :wide], wanted[:3, :high, :wide]
    apart = difference(lab(found), lab(wanted))
    lightness = lab(wanted)[0]
    strong = ndimage.maximum_filter(lightness, 3) - ndimage.minimum_filter(lightness, 3) >= EDGE_LIGHTNESS
    near = ndimage.distance_transform_edt(~strong) <= NEAR_PX
    labels, count = ndimage.label(apart > 3.0, np.ones((3, 3)))
    largest = int(np.bincount(labels.ravel())[1:].max()) if count else 0
    within = float((apart[near] <= 2.0).mean()) if near.any() else 1.0
    print(f"  mean ΔE2000 {apart.mean():.3f} (≤ 0.5); within 10 px of strong edges {within:.2%} ≤ 2 (≥ 99.5 %); "
          f"largest connected area above 3: {largest} px (≤ 100); 99 % ≤ {np.percentile(apart, 99):.2f}")
    Image.fromarray(np.clip(apart * 40.0, 0, 255).astype(np.uint8)).save(path)
    return bool(apart.mean() <= 0.5 and within >= 0.995 and largest <= 100)


def lab(light: Pixels) -> Pixels:
    """CIE Lab of display-linear working colours `(3, y, x)`."""
    xyz = np.einsum("ij,jyx->iyx", np.array(rgb_to_xyz(WORKING)), light.astype(np.float64))
    t = xyz / np.array(xyz_of(WORKING.white))[:, None, None]
    f = np.where(t > 216 / 24389, np.cbrt(np.maximum(t, 1e-12)), (24389 / 27 * t + 16) / 116)
    return np.stack([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def difference(first: Pixels, second: Pixels) -> Pixels:
    """CIEDE2000 by scikit-image, an implementation that is not ours."""
    from skimage.color import deltaE_ciede2000

    return deltaE_ciede2000(first.transpose(1, 2, 0), second.transpose(1, 2, 0))


def _boxes(picture: Pixels, side: int) -> Pixels:
    """The mean light of whole boxes."""
    high, wide = picture.shape[1] // side, picture.shape[2] // side
    cut = picture[:3, : high * side, : wide * side].astype(np.float64)
    return cut.reshape(3, high, side, wide, side).mean(axis=(2, 4))


def _array(picture: Any) -> Pixels:
    return np.array(picture.read(picture.shape.whole))[:3]


def _job(folder: Path, megapixels: float, kind: str, name: str, text: str) -> Path:
    frames = folder / "frames"
    if not frames.exists():
        print(f"making four frames of {megapixels:g} MP …", flush=True)
        write_demo_frames(frames, megapixels, kind=kind)
    path = folder / f"{name}.yaml"
    path.write_text(text.format(ending="tif" if any(frames.glob("*.tif")) else "dng"), encoding="utf-8")
    return path


def _shape_of(recipe: Path) -> tuple[int, int]:
    from tilepipe import make_plan

    plan = make_plan(load_recipe(recipe), Settings(workers=1))
    last = plan.way[-1]
    return last.shape.height, last.shape.width


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("window", "difference"))
    parser.add_argument("folder", type=Path, help="where frames, working pictures and results go (deleted by nobody)")
    parser.add_argument("--megapixels", type=float, default=6.0)
    parser.add_argument("--kind", choices=("tiff", "dng"), default="dng")
    parser.add_argument("--memory", default="2GiB")
    parser.add_argument("--long-side", type=int, default=1500)
    parser.add_argument("--no-run", action="store_true", help="leave out the full run after the windows")
    chosen = parser.parse_args()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    if chosen.what == "window":
        show_windows(chosen.folder, chosen.megapixels, chosen.kind, chosen.memory, not chosen.no_run)
    elif not show_difference(chosen.folder, chosen.megapixels, chosen.kind, chosen.long_side):
        sys.exit(1)


if __name__ == "__main__":
    main()
