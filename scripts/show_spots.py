"""Prints how near healed places come to the truth: the invented scene with 60 invented specks.

`show_spots.py [--megapixels 6] [--crops FOLDER]`
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from tilepipe.demo.camera import expose_linear
from tilepipe.demo.frames import demo_shape
from tilepipe.demo.scene import SceneOptions, render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.heal import Heal

SEED, SPECKS = 7, 60
RADII_PX, DEPTHS = (4.0, 60.0), (0.02, 0.2)


@dataclass(frozen=True)
class Speck:
    """An invented disc of dirt; its rim is 0.35 of its radius wide."""

    y: float
    x: float
    radius: float
    depth: float


def invented_specks(shape: Shape, ground: Any) -> list[Speck]:
    """Specks at random places whose surroundings `ground` (bool) allows, none near another."""
    rng = np.random.default_rng(SEED)
    found: list[Speck] = []
    for _ in range(200_000):
        if len(found) == SPECKS:
            return found
        radius = float(np.exp(rng.uniform(*np.log(RADII_PX))))
        one = Speck(rng.uniform(0, shape.height), rng.uniform(0, shape.width), radius, rng.uniform(*DEPTHS))
        apart = all(np.hypot(one.x - two.x, one.y - two.y) > 2.2 * (one.radius + two.radius) for two in found)
        if apart and ground[int(one.y), int(one.x)] >= 1.6 * radius:
            found.append(one)
    raise SystemExit(f"only {len(found)} specks find a place: take a larger picture")


def transmission(shape: Shape, specks: list[Speck]) -> Any:
    """float32 `(y, x)`: what the dirt lets through."""
    through = np.ones((shape.height, shape.width), np.float32)
    for speck in specks:
        rows, cols = _around(speck, 1.3, shape)
        t = np.clip((speck.radius - _away(speck, rows, cols)) / (0.35 * speck.radius) + 0.5, 0.0, 1.0)
        through[rows, cols] *= (1.0 - speck.depth * t * t * (3.0 - 2.0 * t)).astype(np.float32)
    return through


def _around(speck: Speck, times: float, shape: Shape) -> tuple[slice, slice]:
    reach = int(times * speck.radius) + 6
    window = Window(int(speck.y) - reach, int(speck.x) - reach, 2 * reach + 1, 2 * reach + 1).cut(shape)
    return window.rows, window.cols


def _away(speck: Speck, rows: slice, cols: slice) -> Any:
    y, x = np.mgrid[rows, cols]
    return np.hypot(y - speck.y, x - speck.x)


def _parts(error: Any, truth: Any, core: Any, radius: float) -> tuple[float, float]:
    """The coarse part of an error (mean over the disc of its blur ÷ light), the fine part's deviation."""
    coarse = ndimage.gaussian_filter(error, max(0.5 * radius, 1.5))
    return float(np.abs(coarse[core] / truth[core]).mean()), float((error - coarse)[core].std())


def show(megapixels: float, crops: Path | None) -> None:
    shape = demo_shape(megapixels)
    setting = next(each for each in scene_frames(shape.height, shape.width, SceneOptions(specks=0.0)) if each.is_base)
    truth = render_truth(shape.whole, shape, setting)
    clean = expose_linear(truth, shape.whole, shape, setting)
    level = np.log2(np.maximum(ndimage.gaussian_filter(truth[1], 2.0), 1e-4))
    smooth = ndimage.gaussian_gradient_magnitude(level, 2.0) < 0.06  # sky, cloud and water: no edge within the disc
    specks = invented_specks(shape, ndimage.distance_transform_edt(smooth & (truth[1] < 0.8)))
    spotted = expose_linear((truth * transmission(shape, specks)).astype(np.float32), shape.whole, shape, setting)
    print(f"invented scene, {shape}, base frame, {SPECKS} invented specks (seed {SEED})")
    for see_through in (True, False):
        places = [
            {"at": [(s.x + 0.5) / shape.width, (s.y + 0.5) / shape.height], "radius": f"{1.25 * s.radius + 1.0:.2f}px",
             "see_through": see_through} for s in specks
        ]
        stage = Heal.model_validate({"places": places})
        started = time.monotonic()
        made = stage.run(CpuDevice(), Tile(spotted, shape.whole, shape), shape.whole, {}).array
        seconds = time.monotonic() - started
        _report("see_through" if see_through else "with a donor", specks, truth, clean, spotted, made, shape, seconds)
        if crops is not None:
            _crops(crops / f"scene-{'veil' if see_through else 'donor'}.png", specks, (spotted, made, clean), shape)


def _report(
    title: str, specks: list[Speck], truth: Any, clean: Any, spotted: Any, made: Any, shape: Shape, seconds: float
) -> None:
    rows_of = []
    for s in specks:
        rows, cols = _around(s, 3.0, shape)
        away, light = _away(s, rows, cols), truth[1][rows, cols]
        core, ring = away < s.radius, (away > 1.7 * s.radius + 4) & (away < 2.6 * s.radius + 6)
        noise = clean[1][rows, cols] - light
        before, _ = _parts(spotted[1][rows, cols] - light, light, core, s.radius)
        after, fine = _parts(made[1][rows, cols] - light, light, core, s.radius)
        own, _ = _parts(noise, light, core, s.radius)
        grain = noise - ndimage.gaussian_filter(noise, max(0.5 * s.radius, 1.5))
        rows_of.append((before, after, own, fine / grain[ring].std()))
    before, after, own, fine = np.array(rows_of).T
    print(f"  {title}: {seconds:.1f} s for all")
    print(f"    coarse error before: median {np.median(before):.2%}; after: median {np.median(after):.2%}, "
          f"9 of 10 within {np.quantile(after, 0.9):.2%}, worst {after.max():.2%}; noise alone gives {np.median(own):.2%}")
    print(f"    coarse within 0.5 %: {int((after <= 0.005).sum())} of {len(specks)}; fine within 1.2 × noise: "
          f"{int((fine <= 1.2).sum())} (median {np.median(fine):.2f}, worst {fine.max():.2f}); "
          f"better than before: {int((after < before).sum())}")


def _crops(path: Path, specks: list[Speck], pictures: tuple[Any, ...], shape: Shape) -> None:
    from PIL import Image

    chosen = sorted(specks, key=lambda s: -s.depth * s.radius)[:7]
    columns = []
    for s in chosen:
        y, x = (min(max(int(at) - 90, 0), side - 180) for at, side in ((s.y, shape.height), (s.x, shape.width)))
        columns.append(np.concatenate([each[:, y : y + 180, x : x + 180] for each in pictures], 1))
    shown = np.clip(np.concatenate(columns, 2) / np.quantile(columns[0], 0.9) * 0.8, 0, 1) ** (1 / 2.2)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray((255 * shown.transpose(1, 2, 0)).astype(np.uint8)).save(path)
    print(f"    {path}: with specks, healed, without specks, at 1:1")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=6.0)
    parser.add_argument("--crops", type=Path)
    given = parser.parse_args()
    show(given.megapixels, given.crops)


if __name__ == "__main__":
    main()
