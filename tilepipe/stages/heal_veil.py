"""Takes away a veil: dirt that lets the picture through; its depth is the one that leaves the least variation at its rim.

A picture's gradients are mostly small and seldom large, so the depth that minimises their sum is a weighted median: an
edge of a cloud that crosses the rim has no say. Everything is decided by whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.heal_patch import Patch

_SHAPE = "double centre[2]; double radius, soft; "
DEPTH = Kernel("heal_veil_depth", 2, 0, params=_SHAPE + "int apart; Plane level;", form="tally", header="heal.h")
LIFT = Kernel("heal_veil_lift", 3, 3, params=_SHAPE + "float depth;", header="heal.h")
BINS, NONE, LEVELS, OCTAVE = 1024, 512, 8, 4096
ROUNDS = 3


@dataclass(frozen=True)
class Veil:
    """A veil's middle, radius and width of its rim in px; `depth` in 8/4096 stops; `gain` is the variation it explains."""

    y: float
    x: float
    radius: float
    soft: float
    depth: int = 0
    gain: int = -1

    @property
    def shape(self) -> dict[str, Any]:
        return {"centre": [self.x, self.y], "radius": self.radius, "soft": self.soft}

    @property
    def stops(self) -> float:
        return self.depth * LEVELS / OCTAVE


def veil_of(patch: Patch) -> Veil:
    """The veil that explains most of the variation around a place, never wider than what healing may change."""
    spot = patch.spot
    widest = spot.radius + spot.rim_px
    best = _measured(patch, Veil(spot.y, spot.x, 0.85 * spot.radius, 0.35 * spot.radius))
    for number in range(ROUNDS):
        part = 0.5**number
        for tried in (_radii, _softness, _places):
            for veil in tried(best, spot.radius, part):
                away = abs(veil.y - spot.y) + abs(veil.x - spot.x)
                if veil.radius + 0.5 * veil.soft + away > widest or veil.radius < 0.4 * spot.radius:
                    continue
                found = _measured(patch, veil)
                best = found if found.gain > best.gain else best
    return best


def _radii(veil: Veil, size: float, part: float) -> list[Veil]:
    return [replace(veil, radius=veil.radius + size * part * step) for step in (-0.2, -0.1, 0.1, 0.2)]


def _softness(veil: Veil, size: float, part: float) -> list[Veil]:
    steps = [veil.soft + size * part * step for step in (-0.2, -0.1, 0.15, 0.3)]
    return [replace(veil, soft=soft) for soft in steps if soft > 0.05 * size]


def _places(veil: Veil, size: float, part: float) -> list[Veil]:
    step = 0.1 * size * part
    return [replace(veil, y=veil.y + down * step, x=veil.x + across * step)
            for down, across in ((0, 1), (1, 0), (0, -1), (-1, 0))]


def _measured(patch: Patch, veil: Veil) -> Veil:
    apart = max(round(0.1 * veil.radius), 1)
    counts = patch.device.tally(
        DEPTH, patch.not_others(), patch.over(), BINS, apart=apart, level=patch.level_plane(), **veil.shape
    )
    total = int(counts.sum())
    if total == 0:
        return replace(veil, depth=0, gain=-1)
    middle = int(np.searchsorted(np.cumsum(counts), (total + 1) // 2))
    at = np.arange(BINS, dtype=np.int64)
    saved = int((counts * (np.abs(at - NONE) - np.abs(at - middle))).sum())
    return replace(veil, depth=middle - NONE, gain=saved // (2 * apart))


def lift_into(patch: Patch, out: Tile, wanted: Window) -> Veil:
    """Takes the veil off `wanted`, which lies inside the place's box, in `out`."""
    veil = veil_of(patch)
    target = out.cut(wanted)
    planes = patch.device.planes(target, 3)
    patch.device.launch(LIFT, planes, planes, depth=veil.stops, **veil.shape)
    return veil
