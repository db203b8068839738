"""Tells, pixel by pixel, which frames show the same as the one that a group is taken from: they keep their own light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.radiance import peaks_of

SEEN_PX, ALIKE_PX, LEAST_PX = 1, 4, 1
MARGIN_PX = SEEN_PX + 2 * (ALIKE_PX + LEAST_PX)  # agreement is asked for twice, the second time of what the first one gave
LIMIT = 0.8  # of the clipping level, as where a frame of the merge begins to leave
ALIKE = 0.5  # a mean's difference in σ of one sample up to which a pixel is alike; the mean's own noise is about σ/3
HERE, AROUND = 1.5, 0.3  # σ of one sample up to which means of 3×3 and of 81 pixels may differ
LEVEL = 0.01  # of the light, on top: Weber's fraction at a good screen

PLANES = ("mean", "variance")
SEEN = Kernel("settle_seen", 6, 2, SEEN_PX, params="float per_light, shot, read, limit;", header="settle_agree.h")
BRIGHTER = Kernel("settle_brighter", 4, 2, header="settle_agree.h")
TOWARD = Kernel("settle_toward", 5, 2, header="settle_agree.h")
AGREES = Kernel("settle_agrees", 4, 1, ALIKE_PX, params="float alike, here, around, level;", header="settle_agree.h")
LEAST = Kernel("settle_least", 1, 1, LEAST_PX, header="settle_agree.h")
BOUNDED = Kernel("settle_bounded", 5, 1, LEAST_PX, header="settle_agree.h")
OPEN = Kernel("settle_open", 2, 1, header="settle_agree.h")


def kept(
    device: Any, whole: Tile, tiles: Sequence[Tile], wanted: Window, frames: Sequence[Mapping[str, Any]], choice: int
) -> list[Tile]:
    """How far each frame keeps its own light over `wanted`, one plane 0..1 a frame, where a group comes from frame `choice`.

    `whole`: the chosen frame's colours and peaks over `wanted` and `MARGIN_PX` around it (cut to the picture), the darker
    frames' light where it clips; `tiles`: all frames, dark → bright, over the same window and in the same primaries. The
    brightest frame that sees a place is compared with the chosen one; the others with both, in the measure in which they
    agreed: the brighter one's noise hides less.
    """
    picture = tiles[0].picture
    first = wanted.padded(ALIKE_PX + LEAST_PX).cut(picture)
    around = wanted.padded(MARGIN_PX - SEEN_PX).cut(picture)
    chosen = _seen(device, whole, frames[choice], around)
    seen = [chosen if k == choice else _seen(device, tile, frames[k], around) for k, tile in enumerate(tiles)]
    bright = chosen
    for other in seen[choice + 1 :]:
        made: Tile = device.tile(around, picture, PLANES)
        device.launch(BRIGHTER, [*device.planes(bright), *device.planes(other)], device.planes(made))
        bright = made
    sure: Tile = device.tile(first, picture, ("kept",))
    device.launch(LEAST, device.planes(_agreement(device, chosen, bright, first)), device.planes(sure))
    reference: Tile = device.tile(first, picture, PLANES)
    planes = [*device.planes(chosen.cut(first)), *device.planes(bright.cut(first)), *device.planes(sure)]
    device.launch(TOWARD, planes, device.planes(reference))
    beside = [device.planes(sure)[0], device.planes(bright)[0], device.planes(chosen)[0]]
    found = []
    for k, other in enumerate(seen):
        keeps: Tile = device.tile(wanted, picture, ("kept",))
        if k != choice:
            own = _agreement(device, reference, other.cut(first), wanted)
            device.launch(BOUNDED, [*device.planes(own), device.planes(other)[1], *beside], device.planes(keeps))
        found.append(sure.cut(wanted) if k == choice else keeps)
    return found


def _seen(device: Any, tile: Tile, frame: Mapping[str, Any], around: Window) -> Tile:
    made: Tile = device.tile(around, tile.picture, PLANES)
    device.launch(
        SEEN, [*device.planes(tile, 3), *peaks_of(device, tile)], device.planes(made), per_light=1.0 / frame["light"],
        shot=frame["shot"] / frame["light"], read=frame["read"] / (frame["light"] * frame["light"]),
        limit=LIMIT * frame["clip"],
    )
    return made


def _agreement(device: Any, reference: Tile, other: Tile, wanted: Window) -> Tile:
    """1 where both show the same within noise, 0 where they surely do not, over `wanted` and a pixel around it."""
    made: Tile = device.tile(wanted.padded(LEAST_PX).cut(reference.picture), reference.picture, ("kept",))
    device.launch(
        AGREES, [*device.planes(reference), *device.planes(other)], device.planes(made), alike=ALIKE, here=HERE,
        around=AROUND, level=LEVEL,
    )
    return made


def opened(device: Any, part: Tile, kept: Tile) -> Tile:
    """What is left of a part where something else holds: part · (1 − kept)."""
    made: Tile = device.tile(part.window, part.picture, part.planes)
    device.launch(OPEN, [*device.planes(part), *device.planes(kept)], device.planes(made))
    return made
