"""Shows the halo of every way to join frames on noise-free steps: `scripts/show_halo.py [--small]`.

Measure after Hessel and Morel (arXiv 1808.09411): the largest deviation from the plateau on either side, beyond it or short
of it, divided by the step; here for every radius, between it and the next smaller one. The plateau is the median of its
side. `radiance` and `masks` are measured in stops; the fusions on display-encoded values, on which they work, and by
exposedness alone: a noise-free plateau has no contrast to weigh by, and all frames would count alike.
"""

from __future__ import annotations

import argparse
import functools
from dataclasses import dataclass
from typing import Any

import numpy as np

from tilepipe import process

RADII_PX = (2, 4, 8, 16, 32, 64, 128, 256)
EXPOSEDNESS = {"contrast": 0.0, "saturation": 0.0}
METHODS: dict[str, dict[str, float]] = {"radiance": {}, "masks": {}, "fusion": EXPOSEDNESS, "extended_fusion": EXPOSEDNESS}
BOUND = 0.02  # of the step at every radius, for the two that work in scene light
GREY = 0.18
NEARLY_CLIPPED = 0.74  # of the base frame: where a mask takes most of a darker frame, though the base is not filled yet


@dataclass(frozen=True)
class Pattern:
    """A vertical edge: a left half of light `left`, a right half `step_stops` brighter; frames of so many `lights`."""

    name: str
    lights: tuple[float, ...]
    step_stops: float
    left: float
    size: tuple[int, int] = (256, 512)
    off_stops: float = 0.0  # by how much the darkest frame disagrees with the others

    @functools.cached_property
    def light(self) -> Any:
        """Scene light `(y, x, 3)`, 1.0 where the frame of light 1 clips."""
        right = np.arange(self.size[1]) >= self.size[1] // 2
        row = self.left * np.exp2(self.step_stops * right)
        return np.broadcast_to(row[None, :, None], (*self.size, 3))

    def frames(self) -> list[Any]:
        off = np.exp2([self.off_stops] + [0.0] * (len(self.lights) - 1))
        pairs = zip(self.lights, off, strict=True)
        return [np.minimum(self.light * gain * part, 1.0).astype(np.float32) for gain, part in pairs]


def patterns(size: tuple[int, int]) -> list[Pattern]:
    """Two frames so many stops apart over a step of the same height, each side at mid-grey in one of them; and three frames
    at −3, 0, +3 EV over steps around the middle; two frames that disagree, the bright side where both are seen."""
    apart = [Pattern(f"2 frames, {stops} EV apart", (2.0**-stops, 1.0), stops, GREY, size) for stops in (2, 4, 6, 8)]
    three = [
        Pattern(f"−3, 0, +3 EV, a step of {step} EV", (0.125, 1.0, 8.0), step, GREY * 2.0 ** (-step / 2), size)
        for step in (2, 4, 8)
    ]
    off = [
        Pattern(f"{each.name}, 0.1 EV off", each.lights, each.step_stops, NEARLY_CLIPPED / 2.0**each.step_stops, size, 0.1)
        for each in apart
    ]
    return apart + three + off


def encoded(light: Any) -> Any:
    """IEC 61966-2-1's curve, odd below 0 and continued beyond 1, in float64."""
    size = np.abs(light.astype(np.float64))
    return np.sign(light) * np.where(size <= 0.0031308, 12.92 * size, 1.055 * size ** (1 / 2.4) - 0.055)


def profile(pattern: Pattern, method: str) -> Any:
    """The middle row of the joined picture, in the values it is measured in."""
    step = {"blend": {"method": method, **METHODS[method]}}
    made = process(pattern.frames(), list(pattern.lights), [step], workers=1)
    row = made[pattern.size[0] // 2, :, 1]
    return encoded(row) if "fusion" in method else np.log2(row.astype(np.float64))


def halos(pattern: Pattern, method: str) -> list[float]:
    """The halo ÷ step from each of RADII_PX down to the next smaller one."""
    row, middle = profile(pattern, method), pattern.size[1] // 2
    left, right = np.median(row[:middle]), np.median(row[middle:])
    beside = np.abs(row - np.where(np.arange(len(row)) < middle, left, right)) / abs(right - left)
    away = np.abs(np.arange(len(row)) - middle + 0.5)
    rings = zip((0, *RADII_PX), RADII_PX, strict=False)
    return [float(beside[(away >= low) & (away < high)].max()) for low, high in rings if high <= middle]


def table(size: tuple[int, int]) -> dict[tuple[str, str], list[float]]:
    return {(pattern.name, method): halos(pattern, method) for pattern in patterns(size) for method in METHODS}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="pictures of 64 × 128 in place of 256 × 512 pixels")
    size = (64, 128) if parser.parse_args().small else (256, 512)
    found = table(size)
    radii = [radius for radius in RADII_PX if radius <= size[1] // 2]
    print(f"halo in % of the step, {size[0]} × {size[1]} px, at so many pixels from the edge")
    print(f"{'':38} {'':16} " + " ".join(f"{radius:>6}" for radius in radii))
    for (name, method), values in found.items():
        verdict = "" if "fusion" in method else " ok" if max(values) <= BOUND else " TOO LARGE"
        print(f"{name:38} {method:16} " + " ".join(f"{100 * value:6.2f}" for value in values) + verdict)


if __name__ == "__main__":
    main()
