"""Fits a veil to what it makes of a scene that shifts between frames: cloud and water cancel, the dirt alone remains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.heal_veil import LEVELS, MOST_SOFT, Veil

APART = Kernel(
    "spots_apart", 2, 0, form="tally", header="spots.h",
    params="Plane other, trusted; double centre[2]; double radius, soft; double shift[2], carried[2]; int every;",
)
AROUND = Kernel(
    "spots_around", 2, 0, form="tally", header="spots.h",
    params="Plane other, trusted; double centre[2]; double radius; double shift[2]; int every;",
)
ROUNDS = 4
WALK_PX = (4.0, 2.0, 1.0, 0.5, 0.25)  # steps from where the frames' alignment puts the scene to where cloud or water drifted
WALKS = 2  # steps of each length at most
RING = 2.2  # radii of the disc around which the scene is laid on itself
LEAST_COUNTED = 24
BESIDE = 2.4  # radii to the places whose differences tell how sure the one in the middle is
EIGHT = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0), (0.7, 0.7), (0.7, -0.7), (-0.7, 0.7), (-0.7, -0.7))
# A fit is taken whose depth is known to this part of it, or to so many of 4096 an octave.
MOST_UNSURE, LEAST_UNSURE = 0.12, 12.0
STEPS = (-1.0, 1.0)


@dataclass(frozen=True)
class View:
    """One frame's level and where it is known, over a window around a place of the sensor."""

    frame: int
    level: Tile
    trust: Tile


@dataclass(frozen=True)
class Pair:
    """Two frames, and where (x, y) the second shows what the first shows at the place, from there."""

    first: View
    other: View
    shift: tuple[float, float]
    aligned: tuple[float, float] = (0.0, 0.0)  # the shift as alignment has it, where `shift` is what drifted beyond


@dataclass(frozen=True)
class Fit:
    """A veil, and by how many deviations it explains the frames better than a disc that moves with the aligned scene."""

    veil: Veil
    unlike: float


def fitted(device: Any, pairs: Sequence[Pair], starts: Sequence[Veil]) -> Fit | None:
    """The veil that explains most of what the frames differ by once the scene lies on itself; None where that is unsure.

    The fit begins with the best of `starts`.
    """
    laid = [replace(pair, shift=drifted(device, pair, starts[0]), aligned=pair.shift) for pair in pairs]
    known = [(found, veil) for veil in starts if (found := _explained(device, laid, veil)) is not None]
    if not known:
        return None
    (gain, depth), best = max(known, key=lambda pair: pair[0])
    pairs, size = laid, best.radius
    for number in range(ROUNDS):
        part = 0.5**number
        for tried in (_places, _radii, _softness):
            for other in tried(best, size, part):
                found = _explained(device, pairs, other)
                if found is not None and found[0] > gain:
                    best, (gain, depth) = other, found
    return _sure(device, pairs, best, gain, depth) if depth > 0.0 else None


def every_px(radius: float) -> int:
    """Of how many rows and columns of a place one is looked at: large ones have pixels enough."""
    return 1 + int(radius / 40.0)


def drifted(device: Any, pair: Pair, veil: Veil) -> tuple[float, float]:
    """Where the second frame shows what the first shows around the veil: what drifts is not where alignment puts it."""
    best, least = pair.shift, _apart_around(device, pair, veil, pair.shift)
    for step in WALK_PX:
        for _ in range(WALKS):
            tried = [(best[0] + across * step, best[1] + down * step) for down, across in EIGHT]
            found = [(_apart_around(device, pair, veil, shift), shift) for shift in tried]
            nearer = min(found)
            if nearer[0] >= least:
                break
            least, best = nearer
    return best


def _apart_around(device: Any, pair: Pair, veil: Veil, shift: tuple[float, float]) -> float:
    """The variance of the difference; more than any where too little is known."""
    disc, every = veil.radius + 0.5 * veil.soft, every_px(veil.radius)
    reach = int(RING * disc) + 4
    window = Window(int(veil.y) - reach, int(veil.x) - reach, 2 * reach + 1, 2 * reach + 1)
    window = window.intersection(pair.first.level.window)
    planes, over = _first(device, pair, window)
    squares, total, count = (int(value) for value in device.tally(
        AROUND, planes, over, 3, shift=list(shift), centre=[veil.x, veil.y], radius=disc, every=every, **_other(device, pair)
    ))
    enough = 3 * count * every * every >= window.pixels
    return (count * squares - total * total) / (count * count) if enough and count else 1e300


def _first(device: Any, pair: Pair, window: Window) -> tuple[list[PlaneArgument], PlaneArgument]:
    picture = pair.first.trust.picture
    planes = [
        device.plane(tile.cut(window).array[0], window, picture) for tile in (pair.first.level, pair.first.trust)
    ]
    return planes, PlaneArgument(0, 0, window.y, window.x, window.height, window.width, picture.height, picture.width)


def _other(device: Any, pair: Pair) -> dict[str, PlaneArgument]:
    return {"other": device.planes(pair.other.level)[0], "trusted": device.planes(pair.other.trust)[0]}


def _places(veil: Veil, size: float, part: float) -> list[Veil]:
    step = 0.25 * size * part
    return [replace(veil, y=veil.y + down * step, x=veil.x + across * step) for down, across in EIGHT]


def _radii(veil: Veil, size: float, part: float) -> list[Veil]:
    return [replace(veil, radius=veil.radius * (1.0 + 0.25 * part * sign)) for sign in STEPS]


def _softness(veil: Veil, size: float, part: float) -> list[Veil]:
    steps = [veil.soft + 0.4 * size * part * sign for sign in STEPS]
    return [replace(veil, soft=soft) for soft in steps if 0.1 * veil.radius < soft <= MOST_SOFT * veil.radius]


def _sure(device: Any, pairs: Sequence[Pair], veil: Veil, gain: float, depth: float) -> Fit | None:
    """The fit, if places beside show that differences of other origin are small against it."""
    far = BESIDE * (veil.radius + 0.5 * veil.soft)
    places = [replace(veil, y=veil.y + down * far, x=veil.x + across * far) for down, across in EIGHT]
    beside = [found for place in places if (found := _explained(device, pairs, place, both_signs=True)) is not None]
    if len(beside) < 4:
        return None
    spread = exact.sqrt(sum(found[1] * found[1] for found in beside) / len(beside))
    if spread > max(MOST_UNSURE * depth, LEAST_UNSURE):
        return None
    chance = max(sum(found[0] for found in beside) / len(beside), 1e-9)
    moving = _explained(device, pairs, veil, with_scene=True)
    better = max(gain - (moving[0] if moving is not None else 0.0), 0.0)
    return Fit(replace(veil, depth=round(depth / LEVELS)), exact.sqrt(better / chance))


def _explained(
    device: Any, pairs: Sequence[Pair], veil: Veil, with_scene: bool = False, both_signs: bool = False
) -> tuple[float, float] | None:
    """(how much of the squared differences a veil explains, how deep it then is) from all pairs.

    `with_scene`: a disc that is where alignment puts it in the second frame, instead of dirt. None without any difference.
    """
    product = square = 0.0
    for pair in pairs:
        reach = int(veil.radius + 0.5 * veil.soft + max(abs(pair.shift[0]), abs(pair.shift[1]))) + 3
        window = Window(int(veil.y) - reach, int(veil.x) - reach, 2 * reach + 1, 2 * reach + 1)
        inside = window.intersection(pair.first.level.window)
        if 10 * inside.pixels < 9 * window.pixels:
            continue
        squares, crossed, difference, shape, count = _sums(device, pair, veil, inside, with_scene)
        if count < LEAST_COUNTED or 10 * count * every_px(veil.radius) ** 2 < 8 * inside.pixels:
            continue
        product += (count * crossed - difference * shape) / count
        square += (count * squares - shape * shape) / count
    if square <= 0.0:
        return None
    return (product * product / square if product < 0.0 or both_signs else 0.0), -256.0 * product / square


def _sums(device: Any, pair: Pair, veil: Veil, window: Window, with_scene: bool) -> list[int]:
    planes, over = _first(device, pair, window)
    (x, y), aligned = pair.shift, pair.aligned
    carried = [x - aligned[0], y - aligned[1]] if with_scene else [x, y]
    sums = device.tally(
        APART, planes, over, 5, shift=[x, y], carried=carried, every=every_px(veil.radius),
        **_other(device, pair), **veil.shape,
    )
    return [int(value) for value in sums]
