"""How much local contrast lifts detail of each size: weights by size, the noise that stays silent, what may darken."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from tilepipe.device import exact
from tilepipe.geometry import Shape
from tilepipe.stages.sharpen import noise_powers
from tilepipe.units import LengthField

# Variance of white noise of variance 1 in the Laplacians of each level, by the impulse responses of reduce and expand; each
# level after these has a quarter of the one before. tests/test_local_lift.py works them out again.
LAPLACIAN_NOISE = (0.88945, 0.052948, 0.010070, 0.0023657, 0.00058249)
_PER_STOP = 2.0813689810056077  # 1 ÷ (ln 2)²: the variance of log2 x is that of x ÷ (x · ln 2)²
# Sizes, as parts of the shorter side, from which a lift may no longer darken as it brightens; chosen here: leaves and
# stones are smaller, the sky between clouds is larger.
_SMALL, _LARGE = 0.004, 0.016
_NAMES = ("light", "shot", "read", "clip")


class ScaleWeight(BaseModel):
    """How much of the lift detail of one size gets; sizes in between lie between, smaller and larger ones follow on."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    size: LengthField = Field(description="How large the detail is: 2px is the finest, 3% of the shorter side a cloud.")
    weight: float = Field(ge=0, le=2, description="Share of the lift that it gets.")


@dataclass(frozen=True)
class Lifts:
    """The lift, and per level: its weight where it brightens and where it darkens, variance of the level's noise.

    `noise`: variance of the light's, over powers of 1 ÷ light.
    """

    lift: float
    brighter: tuple[float, ...]
    darker: tuple[float, ...]
    spread: tuple[float, ...]
    noise: tuple[float, float, float]

    def at(self, level: int) -> dict[str, Any]:
        """The parameters of one level for the kernel."""
        return {
            "lift": self.lift, "brighter": self.brighter[level], "darker": self.darker[level],
            "noise": [_single(power) * _single(self.spread[level]) for power in self.noise],  # as the driver does
        }


def lifts_of(
    detail: float, scales: Sequence[ScaleWeight], deepen: float, noise: float, shape: Shape,
    frames: Sequence[Mapping[str, Any]], stops: float,
) -> Lifts:
    """The lifts of every level of a picture of this shape.

    `frames`: the facts of the merged frames, whose light `stops` has changed since; `noise`: standard deviations that
    count as noise. Less detail than there was needs no gate.
    """
    factor = int(frames[0].get("reduced", 1)) if frames else 1
    side, levels = min(shape.height, shape.width) * factor, shape.depth + 1
    lifting = detail > 1.0
    sizes = [2.0 * factor * exact.exp2(float(level)) for level in range(levels)]
    weights = [_weight(scales, size, side) for size in sizes]
    darkening = [_darkening(deepen, size / side) if lifting else 1.0 for size in sizes]
    return Lifts(
        detail - 1.0, tuple(weights), tuple(weight * share for weight, share in zip(weights, darkening, strict=True)),
        tuple(_spread(level) for level in range(levels)), _powers(frames, noise, stops) if lifting else (0.0, 0.0, 0.0),
    )


def _powers(frames: Sequence[Mapping[str, Any]], noise: float, stops: float) -> tuple[float, float, float]:
    """Variance of log2 light, times noise², over 1 ÷ light: its square, itself and 1."""
    if not frames or noise == 0.0:
        return (0.0, 0.0, 0.0)
    dark, shot, square = noise_powers(tuple(tuple(float(frame[name]) for name in _NAMES) for frame in frames))
    gain, scale = exact.exp2(stops), noise * noise * _PER_STOP
    return (dark * gain * gain * scale, shot * gain * scale, square * scale)


def _single(value: float) -> float:
    return float(np.float32(value))


def _spread(level: int) -> float:
    last = len(LAPLACIAN_NOISE) - 1
    return LAPLACIAN_NOISE[min(level, last)] * exact.exp2(-2.0 * max(level - last, 0))


def _darkening(deepen: float, size: float) -> float:
    part = min(max(exact.log2(size / _SMALL) / exact.log2(_LARGE / _SMALL), 0.0), 1.0)
    return 1.0 + (deepen - 1.0) * (part * part * (3.0 - 2.0 * part))


def _weight(scales: Sequence[ScaleWeight], size_px: float, side_px: int) -> float:
    """Linear between the stated sizes over the logarithm of size."""
    if not scales:
        return 1.0
    known = sorted((exact.log2(max(scale.size.pixels(side_px), 1e-3)), scale.weight) for scale in scales)
    at = exact.log2(size_px)
    if at <= known[0][0]:
        return known[0][1]
    for (low, before), (high, after) in itertools.pairwise(known):
        if at < high:
            return before + (after - before) * ((at - low) / (high - low))
    return known[-1][1]
