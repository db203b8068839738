"""Measures whether the automatic result is still the scene that was photographed: `scripts/show_mood.py [SET …]`.

Each set's result of a first recipe beside its base frame: the rank of brightness of 32×32 cells, middle tones that the base
exposes well, the median of a night, and the noise of shadows at equal brightness.
"""

from __future__ import annotations

import argparse
import warnings
from typing import Any

import cv2
import numpy as np
from scipy.stats import spearmanr
from show_brackets import sets
from show_sheet import Scene, scene_of

from tilepipe.colour.spaces import WORKING, rgb_to_xyz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

CELLS = 32
MIDDLE = (35.0, 65.0)  # L* of what the base exposes well
NIGHT = {"st_louis_arch"}


def lab(pixels: Any) -> Any:
    """CIE Lab `(y, x, 3)` of linear Rec.2020 `(3, y, x)` held within 0..1."""
    light = np.clip(pixels[:3], 0, 1).transpose(1, 2, 0).astype(np.float64)
    return colour.XYZ_to_Lab(light @ np.array(rgb_to_xyz(WORKING)).T, (0.3127, 0.3290))


def cells(plane: Any) -> Any:
    return cv2.resize(plane, (CELLS, CELLS), interpolation=cv2.INTER_AREA)


def shadow_noise(before: Any, after: Any, blur: float) -> float:
    """σ(L*) of the result ÷ the base's in the calmest tenth of shadow blocks of 16 px, lightness brought to the base's."""
    def sigma(plane: Any) -> tuple[Any, Any]:
        fine = cv2.GaussianBlur(plane, (0, 0), blur) if blur else plane
        rest = fine - cv2.GaussianBlur(plane, (0, 0), 12 if not blur else 3 * blur)
        tall, wide = (side // 16 * 16 for side in plane.shape)
        blocks = [part[:tall, :wide].reshape(tall // 16, 16, wide // 16, 16) for part in (rest, plane)]
        return blocks[0].std((1, 3)), blocks[1].mean((1, 3))
    noise, light = sigma(before)
    ours, bright = sigma(after)
    dark = (light > 6) & (light < 30)
    if not dark.any():
        return float("nan")
    calm = dark & (noise <= np.percentile(noise[dark], 10))
    # A σ in L* grows with the slope of L* over stops, which is in proportion to L* + 16.
    return float(np.median(ours[calm] / (bright[calm] + 16) / (noise[calm] / (light[calm] + 16))))


def figures(scene: Scene) -> list[str]:
    base, plain, ours = (lab(picture) for picture in scene.pictures)
    told = []
    for name, made in (("automatic", ours), ("plain merge", plain)):
        rank = spearmanr(cells(base[..., 0]).ravel(), cells(made[..., 0]).ravel()).statistic
        told.append(f"rank of {CELLS}×{CELLS} cells, {name}: {rank:.4f}" + (" (≥ 0.97)" if made is ours else ""))
    middle = (base[..., 0] > MIDDLE[0]) & (base[..., 0] < MIDDLE[1])
    moved = colour.delta_E(base[middle][::7], ours[middle][::7], method="CIE 2000")
    told.append(f"middle tones of the base, {middle.mean():.0%} of it: ΔE2000 {np.median(moved):.2f} in the median (≤ 5)")
    medians = [float(np.median(np.clip(scene.pictures[index][:3], 1e-6, 1).mean(0))) for index in (0, 2)]
    bound = " (within ±0.5)" if scene.name in NIGHT else ""
    told.append(f"median against the base: {np.log2(medians[1] / medians[0]):+.2f} EV{bound}")
    noise = [shadow_noise(base[..., 0], ours[..., 0], blur) for blur in (0.0, 8.0)]
    told.append(f"noise of calm shadows ÷ the base's, equally bright: {noise[0]:.2f} at 1:1, {noise[1]:.2f} at 8 px (≤ 1.2)")
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", help="of sets; none: the demo and all sets of several frames")
    chosen = parser.parse_args()
    for name in chosen.names or ["demo", *(name for name, frames in sets().items() if len(frames) > 1)]:
        print(f"{name}\n  " + "\n  ".join(figures(scene_of(name))), flush=True)


if __name__ == "__main__":
    main()
