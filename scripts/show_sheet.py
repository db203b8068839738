"""Sheets for blind looking: `scripts/show_sheet.py OUT [SET …]` shows twelve places of each scene three times.

The three are the base frame, the plain merge and the automatic result of a first recipe, in an order that a key file keeps:
whoever looks does not know which is which. `demo` is the invented scene; the others are sets of frames.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from show_brackets import STATED_LIGHT, recipe_of, sets, viewing
from show_truth import ran

from tilepipe.demo.frames import write_demo_frames
from tilepipe.recipe.new import STEPS

PLAIN = "\nsteps:\n  - match\n  - align\n  - blend: {method: radiance}\n  - exposure: {stops: measured}\n  - display\n"
BASE = "\nsteps:\n  - exposure: {stops: 0EV}\n"
VERSIONS = ("base frame", "plain merge", "automatic result")
CROP_PX, PLACES = 256, 12
DEMO_MEGAPIXELS = 3.0


@dataclass
class Scene:
    """A set's three pictures, linear Rec.2020 `(3, y, x)` as `VERSIONS`, and the facts of the automatic result."""

    name: str
    pictures: tuple[Any, Any, Any]
    facts: dict[str, Any]


def frames_of(name: str, folder: Path) -> list[Path]:
    if name == "demo":
        write_demo_frames(folder / "frames", DEMO_MEGAPIXELS, kind="dng")
        return sorted((folder / "frames").glob("*.dng"))
    return sets()[name]


def scene_of(name: str, steps: str = "\n" + STEPS) -> Scene:
    """Runs a set three times."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        frames, light = frames_of(name, folder), name in STATED_LIGHT
        ours = ran(recipe_of(folder / "ours", frames, steps, light), folder / "ours-work")
        plain = ran(recipe_of(folder / "plain", frames, PLAIN, light), folder / "plain-work")
        # Facts keep frames dark → bright; `order` says which of the given frames each is.
        base = frames[ours.facts["order"][ours.facts["base"]]]
        alone = ran(recipe_of(folder / "base", [base], BASE), folder / "base-work")
        return Scene(name, (alone.pixels, plain.pixels, ours.pixels), ours.facts)


def places(light: Any) -> dict[str, tuple[int, int]]:
    """Twelve places to look at, top left corners of crops `(y, x)`, found in the luminance of the plain merge."""
    height, width = light.shape
    side = min(CROP_PX, height // 3, width // 3)
    stops = np.log2(np.maximum(light, 2.0**-12)).astype(np.float32)
    calm = cv2.GaussianBlur(stops, (0, 0), side / 8)
    texture = cv2.GaussianBlur(np.abs(stops - cv2.GaussianBlur(stops, (0, 0), 2)), (0, 0), side / 4)
    step = cv2.GaussianBlur(np.abs(cv2.Sobel(calm, cv2.CV_32F, 0, 1)), (0, 0), side / 8)
    high, low = calm > np.percentile(calm, 70), calm < np.percentile(calm, 30)
    rows = np.arange(height)[:, None] / height
    scores = {
        "brightest": calm, "darkest": -calm, "skyline": step, "texture before light": texture * high,
        "dark texture": texture * low, "haze": np.where(high, -texture, -9),
        "lower middle": np.where(rows > 0.6, step, -9), "middle": -_from_middle(height, width),
    }
    found: dict[str, tuple[int, int]] = {}
    free = np.zeros((height, width), bool)
    free[side // 2 : height - side // 2, side // 2 : width - side // 2] = True
    for name, score in scores.items():
        y, x = np.unravel_index(np.where(free, score, -np.inf).argmax(), score.shape)
        found[name] = (int(y) - side // 2, int(x) - side // 2)
        free[max(y - side // 2, 0) : y + side // 2, max(x - side // 2, 0) : x + side // 2] = False
    bottom, right = height - side, width - side
    return found | {"top left": (0, 0), "top right": (0, right), "bottom left": (bottom, 0), "bottom right": (bottom, right)}


def _from_middle(height: int, width: int) -> Any:
    y, x = np.ogrid[:height, :width]
    return np.hypot(y - height / 2, x - width / 2)


def sheet_of(scene: Scene, out: Path, order: list[int]) -> dict[str, Any]:
    """Writes `<name>.png`: a column for each picture (whole above, then crops at 1:1); returns what the key file keeps."""
    shown = [viewing(scene.pictures[index]) for index in order]
    light = scene.pictures[1][1].astype(np.float64)
    spots = places(light)
    side = min(CROP_PX, light.shape[0] // 3, light.shape[1] // 3)
    wide, columns = 4 * side, []
    for letter, picture in zip("ABC", shown, strict=True):
        small = Image.fromarray(picture).resize((wide, wide * picture.shape[0] // picture.shape[1]), Image.Resampling.LANCZOS)
        column = Image.new("RGB", (wide, small.height + 3 * side), (119, 119, 119))
        column.paste(small)
        for number, (y, x) in enumerate(spots.values()):
            corner = (number % 4 * side, small.height + number // 4 * side)
            column.paste(Image.fromarray(picture[y : y + side, x : x + side]), corner)
        pen = ImageDraw.Draw(column)
        pen.text((8, 8), letter, (255, 255, 255), ImageFont.load_default(28), stroke_width=2, stroke_fill=(0, 0, 0))
        columns.append(column)
        column.save(out / f"{scene.name}_{letter}.png")
    return {"order": {letter: VERSIONS[index] for letter, index in zip("ABC", order, strict=True)},
            "crops (x, y)": {name: [x, y] for name, (y, x) in spots.items()}, "crop_px": side}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path, help="where the sheets and the key file go")
    parser.add_argument("names", nargs="*", help="of sets; none: the demo and all sets of several frames")
    parser.add_argument("--seed", type=int, default=0, help="another order of the three")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    names = chosen.names or ["demo", *(name for name, frames in sets().items() if len(frames) > 1)]
    key_file, shuffled = chosen.out / "key.json", np.random.default_rng(chosen.seed)
    key = json.loads(key_file.read_text()) if key_file.exists() else {}
    for name in names:
        key[name] = sheet_of(scene_of(name), chosen.out, [int(index) for index in shuffled.permutation(3)])
        key_file.write_text(json.dumps(key, indent=1), encoding="utf-8")
        print(f"{name}: {name}_A.png, {name}_B.png, {name}_C.png; which is which stands in {key_file.name}", flush=True)


if __name__ == "__main__":
    main()
