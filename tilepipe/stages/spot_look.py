"""Looks at one dark round place in all frames at full size: what veil lies there, and whether it stays on the sensor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.reduced import trust_planes
from tilepipe.measure.spot_levels import CLIP, LEAST
from tilepipe.measure.spot_search import Blob
from tilepipe.measure.spot_sightings import Sighting
from tilepipe.stages.heal_patch import LEVEL, Patch, Spot
from tilepipe.stages.heal_veil import LEVELS, NONE, OCTAVE, Veil, middle_wish, veil_of, wishes
from tilepipe.stages.spot_fit import BESIDE, EIGHT, Pair, View, every_px, fitted

TRUST = Kernel("spots_trust", 7, 1, params="float clip, least;", header="spots.h")
SWAY = Kernel(
    "spots_sway", 4, 0, form="tally", header="spots.h",
    params="double centre[2]; double radius, soft; double shift[2]; int every;",
)
LOOSE = 1.45  # a place is looked at so many radii wide, for its radius is only known to one of the search's steps
STARTS = (0.75, 1.05, 1.4)  # radii that a fit to a shifting scene may begin with, of the search's
FIRST = (0.5, 0.69, 0.92)  # of that: radii that the fit begins with
# How far it may seem to move, with the scene and against it (cloud beside it pulls either way); the deviation of that; and
# how many deviations it must be away from moving with the scene.
STAYS, AGAINST, UNSURE, SURE = 0.3, -0.35, 0.25, 4.0
MAY_UNSURE, MAY_AGAINST = 0.9, -0.7  # from here on no fit is tried
LIKELY_UNSURE, LIKELY_STAYS, LIKELY = 0.34, 0.35, 2.5  # the same where it only leans to staying on the sensor
LEAST_TRUSTED = 97  # of 100 pixels around, so many must be neither clipped nor dark
LEAST_COUNTED = 24
MOST_FRAMES = 3
AGREES = (1, 3)  # halves of the depth between which a part of the rim agrees with it


class SensorFrame(Protocol):
    """A frame where the sensor saw it."""

    @property
    def shape(self) -> Shape: ...

    def tile(self, device: Any, window: Window) -> Tile: ...


@dataclass(frozen=True)
class Seen:
    """What there is at a place: its veil, which share of its rim agrees with the veil's depth, in how many frames.

    `moved`: 0 where the dark place stays on the sensor while the scene shifts, 1 where it moves with the scene; `unsure` is
    its standard deviation, negative where nothing tells. `shift_px` is the largest shift of the scene between two frames.
    `fitted`: the veil was told from a scene that shifts, else from its rim; `unlike`: by how many deviations dirt then explains
    the frames better than a disc that moves with them.
    """

    veil: Veil
    agreement: float
    depths: tuple[float, ...]
    usable: int
    moved: float = 0.0
    unsure: float = -1.0
    shift_px: float = 0.0
    fitted: bool = False
    unlike: float = 0.0


def look(
    device: Any, frames: Sequence[SensorFrame], matrices: Sequence[Matrix | None], sighting: Sighting
) -> Seen | None:
    """What a sighting is; None where no frame knows its light. `matrices`: base → frame, None where not known."""
    blob, shape = sighting.best, frames[0].shape
    spot = Spot(blob.y, blob.x, LOOSE * blob.radius, LOOSE * blob.radius, see_through=True)
    reach = int((BESIDE + 1.7) * LOOSE * blob.radius) + 8
    window = Window(int(blob.y) - reach, int(blob.x) - reach, 2 * reach + 1, 2 * reach + 1).cut(shape)
    order = [each.frame for each in sorted(sighting.frames, key=lambda each: (-each.strength, each.frame))]
    order += [index for index in range(len(frames)) if index not in order]
    views: list[View] = []
    patches: list[Patch] = []
    for index in order:
        found = _view(device, frames[index], index, window, spot)
        if found is not None:
            views.append(found[0])
            patches.append(found[1])
        if len(views) == MOST_FRAMES:
            break
    if not views:
        return None
    pairs = _pairs(views, matrices, blob)
    veil = veil_of(patches, FIRST)
    if veil.depth <= 0:
        return None
    told = _told(device, patches, pairs, veil)
    if not _may_stay(told):
        return told
    begun = [replace(veil, y=blob.y, x=blob.x, radius=part * blob.radius, soft=0.4 * part * blob.radius) for part in STARTS]
    fit = fitted(device, pairs, [veil, *begun])
    return told if fit is None else replace(_told(device, patches, pairs, fit.veil), fitted=True, unlike=fit.unlike)


def _told(device: Any, patches: Sequence[Patch], pairs: Sequence[Pair], veil: Veil) -> Seen:
    each = [wishes(patch, veil) for patch in patches]
    depths = tuple(max(middle_wish(counts) - NONE, 0) * LEVELS / OCTAVE for counts in each)
    seen = Seen(veil, _agreement(sum(each, np.zeros_like(each[0])), veil), depths, len(patches))
    return _with_movement(device, pairs, seen)


def _may_stay(seen: Seen) -> bool:
    """True where a better fit may show that it stays on the sensor."""
    return 0.0 <= seen.unsure <= MAY_UNSURE and MAY_AGAINST - seen.unsure <= seen.moved <= STAYS + seen.unsure


def is_sure(seen: Seen) -> bool:
    """True where it surely stays on the sensor while the scene shifts; two frames at least show it about as deep."""
    if seen.fitted and seen.unlike >= SURE and _in_two(seen):
        return True
    if not 0.0 <= seen.unsure <= UNSURE or not AGAINST <= seen.moved <= min(STAYS, 1.0 - SURE * seen.unsure):
        return False
    return _in_two(seen)


def leans(seen: Seen) -> bool:
    """True where it rather stays on the sensor than moves with the scene."""
    stays = 0.0 <= seen.unsure <= LIKELY_UNSURE and abs(seen.moved) <= min(LIKELY_STAYS, 1.0 - 2.0 * seen.unsure)
    return (stays or seen.unlike >= LIKELY) and _in_two(seen)


def _in_two(seen: Seen) -> bool:
    return sum(0.4 * seen.veil.stops <= depth <= 2.5 * seen.veil.stops for depth in seen.depths) > 1


def _view(device: Any, frame: SensorFrame, index: int, window: Window, spot: Spot) -> tuple[View, Patch] | None:
    tile = frame.tile(device, window)
    trust: Tile = device.tile(window, tile.picture, ("trust",))
    _, peaks, coverage, covered = trust_planes(device, tile)
    if not covered:
        ones: Tile = device.tile(window, tile.picture, (COVERAGE,))
        ones.array.fill(1.0)
        coverage = device.planes(ones)[0]
    device.launch(
        TRUST, [*device.planes(tile, 3), *peaks, coverage], device.planes(trust), clip=CLIP, least=LEAST
    )
    known = np.asarray(device.download(trust.cut(spot.box(tile.picture)).array)) > 0
    if 100 * int(known.sum()) < LEAST_TRUSTED * known.size:
        return None
    seen: Tile = device.tile(window, tile.picture, (*COLOUR, COVERAGE))
    seen.array[:3] = tile.array[:3]
    seen.array[3] = trust.array[0]
    level: Tile = device.tile(window, tile.picture, ("level",))
    device.launch(LEVEL, device.planes(seen, 3), device.planes(level), weight=luminance_row())
    return View(index, level, trust), Patch(device, seen, spot, ())


def _agreement(counts: npt.NDArray[np.int64], veil: Veil) -> float:
    low, high = (NONE + (part * veil.depth) // 2 for part in AGREES)
    total = int(counts.sum())
    return int(counts[low : high + 1].sum()) / total if total else 0.0


def _pairs(views: Sequence[View], matrices: Sequence[Matrix | None], blob: Blob) -> list[Pair]:
    """The frame that shows the place best, with every other one whose way is known."""
    shifts = [scene_shift(matrices[views[0].frame], matrices[other.frame], blob.y, blob.x) for other in views[1:]]
    return [
        Pair(views[0], other, shift) for other, shift in zip(views[1:], shifts, strict=True) if shift is not None
    ]


def _with_movement(device: Any, pairs: Sequence[Pair], seen: Seen) -> Seen:
    weights, sum_moved, largest = 0.0, 0.0, 0.0
    for pair in pairs:
        shift = pair.shift
        largest = max(largest, exact.sqrt(shift[0] * shift[0] + shift[1] * shift[1]))
        told = _moved(device, pair.other, pair.first, seen.veil, shift)
        if told is not None:
            weight = 1.0 / max(told[1] * told[1], 1e-6)
            weights, sum_moved = weights + weight, sum_moved + weight * told[0]
    if weights == 0.0:
        return Seen(seen.veil, seen.agreement, seen.depths, seen.usable, shift_px=largest)
    return Seen(
        seen.veil, seen.agreement, seen.depths, seen.usable, sum_moved / weights, exact.sqrt(1.0 / weights), largest
    )


def scene_shift(first: Matrix | None, other: Matrix | None, y: float, x: float) -> tuple[float, float] | None:
    """(x, y) from a place to where the other frame shows what the first frame shows there."""
    if first is None or other is None:
        return None
    u, v, w = exact.matrix_vector(exact.matrix_inverse(first), (x, y, 1.0))
    across, down, z = exact.matrix_vector(other, (u / w, v / w, 1.0))
    return across / z - x, down / z - y


def _moved(device: Any, other: View, first: View, veil: Veil, shift: tuple[float, float]) -> tuple[float, float] | None:
    """(0 stays on the sensor … 1 moves with the scene, its standard deviation) from two frames."""
    middle = _slope(device, other, first, veil, shift, 0.0, 0.0)
    if middle is None:
        return None
    far = BESIDE * (veil.radius + 0.5 * veil.soft)
    beside = [_slope(device, other, first, veil, shift, down * far, across * far) for down, across in EIGHT]
    known = [value for value in beside if value is not None]
    if len(known) < 4:
        return None
    depth = veil.depth * float(LEVELS)
    spread = exact.sqrt(sum(value * value for value in known) / len(known))
    return -middle / depth, spread / depth


def _slope(
    device: Any, other: View, first: View, veil: Veil, shift: tuple[float, float], down: float, across: float
) -> float | None:
    """By how much a disc there would have to be deep, had it moved with the scene, to make the frames differ as they do."""
    y, x, reach = veil.y + down, veil.x + across, int(1.3 * veil.radius + 0.5 * veil.soft) + 3
    window = Window(int(y) - reach, int(x) - reach, 2 * reach + 1, 2 * reach + 1)
    inside = window.intersection(first.level.window)
    if 10 * inside.pixels < 9 * window.pixels:
        return None
    planes = [
        device.plane(tile.cut(inside).array[0], inside, tile.picture)
        for view in (other, first) for tile in (view.level, view.trust)
    ]
    picture = first.trust.picture
    over = PlaneArgument(0, 0, inside.y, inside.x, inside.height, inside.width, picture.height, picture.width)
    sums = device.tally(
        SWAY, planes, over, 5, centre=[x, y], radius=veil.radius, soft=veil.soft, shift=list(shift), every=every_px(veil.radius)
    )
    squares, product, difference, shape, count = (int(value) for value in sums)
    below = count * squares - shape * shape
    if count < LEAST_COUNTED or 10 * count * every_px(veil.radius) ** 2 < 8 * inside.pixels or below <= 0:
        return None
    return 256.0 * (count * product - difference * shape) / below
