"""Takes away a veil: dirt that lets the picture through; its depth is the one that leaves the least variation at its rim.

A picture's gradients are mostly small and seldom large, so the depth that minimises their sum is a weighted median: an
edge of a cloud that crosses the rim has no say. Everything is decided by whole numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.heal_patch import Patch

_SHAPE = "double centre[2]; double radius, soft; "
DEPTH = Kernel("heal_veil_depth", 2, 0, params=_SHAPE + "int apart; Plane level;", form="tally", header="heal.h")
LIFT = Kernel("heal_veil_lift", 3, 3, params=_SHAPE + "float depth;", header="heal.h")
BINS, NONE, LEVELS, OCTAVE = 1024, 512, 8, 4096
ROUNDS = 3
MOST_SOFT = 1.1  # of the radius: a wider rim is no disc's, and takes what is around for one


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
    def touched(self) -> Window:
        """The pixels that it weakens."""
        reach = int(self.radius + 0.5 * self.soft) + 2
        return Window(int(self.y // 1) - reach, int(self.x // 1) - reach, 2 * reach + 1, 2 * reach + 1)

    @property
    def stops(self) -> float:
        return self.depth * LEVELS / OCTAVE


def veil_of(patches: Sequence[Patch], first: Sequence[float] = (0.85,)) -> Veil:
    """The veil that explains most of the variation around a place, never wider than what healing may change.

    `patches`: of the same place, one or those of several frames that see the same dirt. `first`: the radii that are tried
    at the beginning, of the place's.
    """
    spot = patches[0].spot
    widest = spot.radius + spot.rim_px
    best = Veil(spot.y, spot.x, first[0] * spot.radius, 0.35 * spot.radius)
    for part in first:
        found = _measured(patches, replace(best, radius=part * spot.radius))
        best = found if found.gain > best.gain else best
    for number in range(ROUNDS):
        part = 0.5**number
        for tried in (_radii, _softness, _places):
            for veil in tried(best, spot.radius, part):
                away = abs(veil.y - spot.y) + abs(veil.x - spot.x)
                if veil.radius + 0.5 * veil.soft + away > widest or veil.radius < 0.4 * spot.radius:
                    continue
                found = _measured(patches, veil)
                best = found if found.gain > best.gain else best
    return best


def _radii(veil: Veil, size: float, part: float) -> list[Veil]:
    return [replace(veil, radius=veil.radius + size * part * step) for step in (-0.2, -0.1, 0.1, 0.2)]


def _softness(veil: Veil, size: float, part: float) -> list[Veil]:
    steps = [veil.soft + size * part * step for step in (-0.2, -0.1, 0.15, 0.3)]
    return [replace(veil, soft=soft) for soft in steps if 0.05 * size < soft <= MOST_SOFT * veil.radius]


def _places(veil: Veil, size: float, part: float) -> list[Veil]:
    step = 0.1 * size * part
    return [replace(veil, y=veil.y + down * step, x=veil.x + across * step)
            for down, across in ((0, 1), (1, 0), (0, -1), (-1, 0))]


def wishes(patch: Patch, veil: Veil) -> npt.NDArray[np.int64]:
    """How much of the rim asks for each depth, in bins of which the one numbered `NONE` is no depth."""
    found: npt.NDArray[np.int64] = patch.device.tally(
        DEPTH, patch.not_others(), patch.over(), BINS, apart=_apart(veil), level=patch.level_plane(), **veil.shape
    )
    return found


def _apart(veil: Veil) -> int:
    return max(round(0.1 * veil.radius), 1)


def _measured(patches: Sequence[Patch], veil: Veil) -> Veil:
    counts = sum((wishes(patch, veil) for patch in patches), np.zeros(BINS, np.int64))
    middle = middle_wish(counts)
    if middle <= NONE:  # a veil that would brighten is none
        return replace(veil, depth=0, gain=-1)
    at = np.arange(BINS, dtype=np.int64)
    saved = int((counts * (np.abs(at - NONE) - np.abs(at - middle))).sum())
    return replace(veil, depth=middle - NONE, gain=saved // (2 * _apart(veil)))


def middle_wish(counts: npt.NDArray[np.int64]) -> int:
    """The bin of the depth that half of the rim asks at most for; no depth where nothing asks."""
    total = int(counts.sum())
    return int(np.searchsorted(np.cumsum(counts), (total + 1) // 2)) if total else NONE


def lift_into(patch: Patch, out: Tile, wanted: Window) -> Veil:
    """Takes the veil off `wanted`, which lies inside the place's box, in `out`."""
    veil = veil_of([patch])
    lift(patch.device, out.cut(wanted), veil)
    return veil


def lifted(device: Any, tile: Tile, veils: Sequence[Veil]) -> Tile:
    """The tile without these veils: itself where none of them touches it, else a copy."""
    near = [veil for veil in veils if veil.touched.intersection(tile.window).pixels]
    if not near:
        return tile
    out: Tile = device.tile(tile.window, tile.picture, tile.planes)
    out.array[:] = tile.array
    for veil in near:
        lift(device, out.cut(veil.touched.intersection(tile.window)), veil)
    return out


def lift(device: Any, tile: Tile, veil: Veil) -> None:
    """Takes a veil off a tile's colours, in place."""
    planes = device.planes(tile, 3)
    device.launch(LIFT, planes, planes, depth=veil.stops, **veil.shape)
