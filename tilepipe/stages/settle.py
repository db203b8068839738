"""Settles what moved on one frame: inside a group every frame shows that frame's light, so that any blend gives it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.motion_groups import AVERAGE
from tilepipe.measure.motion_members import FULL
from tilepipe.stages import settle_agree
from tilepipe.stages.highlights import PARAMS as HIGHLIGHT_PARAMS
from tilepipe.stages.highlights import highlight_parameters
from tilepipe.stages.radiance import COLOUR_MATRIX, PEAKS, cover_of, peaks_of, turn_of

VERSION = 4
GUIDE_PX, MEAN_PX = 1, 4
MARGIN_PX = max(GUIDE_PX + MEAN_PX, settle_agree.MARGIN_PX)
FULL_BELOW, NONE_ABOVE = 0.8, 0.95  # of the clipping level: over this, the next darker frame takes over
GOAL = 1.0  # the variance to reach beside that of the merge around
ALIKE = 1.5  # a guide's difference in σ up to which a pixel is alike; its own noise is about σ/3
SHARP = 3.0  # so of a pixel's three colours together, whose noise differs by about σ from one to the next
SIX = (*COLOUR, *PEAKS)

MEMBER = Kernel("settle_member", 0, 1, params="Plane weight; double per_cell, offset;", header="settle.h")
OVER = Kernel("settle_over", 12, 6, params=HIGHLIGHT_PARAMS + " float gain, full, none;", header="settle.h")
GUIDE = Kernel("settle_guide", 3, 1, GUIDE_PX, header="settle.h")
QUIET = Kernel(
    "settle_quiet", 4, 3, MEAN_PX, header="settle.h",
    params="float shot[16], read[16], most[16], light, goal, alike, sharp; int frames, frame;",
)
MEAN = Kernel("settle_mean", 13, 7, params="float per_light, full, none;", header="settle.h")
DIVIDE = Kernel("settle_divide", 13, 6, params="float gain;", header="settle.h")
MIX = Kernel("settle_mix", 3, 1, params="float gain;", header="settle.h")
SHARE = Kernel("settle_share", 3, 2, header="settle.h")


@dataclass(frozen=True)
class SettleMaps:
    """Memberships: uint8 `(choice, row, column)` of 0..128 in cells of `cell_px`, one plane per entry of `choices`.

    `factor`: full-size pixels to a pixel of the frames that are settled (1, or a proof's reduction). `alone`: uint8
    `(row, column)` of 0..128, where the chosen frame stands alone; elsewhere frames that show the same within noise, pixel
    by pixel, keep their own light. None: it does everywhere.
    """

    choices: tuple[int, ...]
    weights: npt.NDArray[np.uint8]
    cell_px: int
    factor: int = 1
    alone: npt.NDArray[np.uint8] | None = None

    @property
    def per_cell(self) -> float:
        """Cells to a pixel."""
        return self.factor / self.cell_px

    @property
    def offset(self) -> float:
        """Where the centre of pixel 0 lies, cells' centres at whole numbers."""
        return 0.5 * self.factor / self.cell_px - 0.5

    def cells(self, window: Window) -> Window:
        """The cells whose weights a window of pixels can read, cut to the map."""
        shape = Shape(*self.weights.shape[1:])
        y, x = (int((low * self.per_cell + self.offset) // 1) for low in (window.y, window.x))
        y_end, x_end = (int((high * self.per_cell + self.offset) // 1) + 2 for high in (window.y_end, window.x_end))
        found = Window.between(y, x, y_end, x_end)
        return Window.between(
            min(max(found.y, 0), shape.height - 1), min(max(found.x, 0), shape.width - 1),
            max(min(found.y_end, shape.height), 1), max(min(found.x_end, shape.width), 1),
        )

    def asks(self, window: Window) -> bool:
        """Whether anything in the window depends on what other frames show."""
        cells = self.cells(window)
        return self.alone is not None and bool((self.alone[cells.rows, cells.cols] < FULL).any())

    def in_use(self, window: Window) -> list[int]:
        """Indices of the choices that reach into the window."""
        cells = self.cells(window)
        return [index for index, plane in enumerate(self.weights) if plane[cells.rows, cells.cols].any()]


def settle_window(maps: SettleMaps | None, wanted: Window, shape: Shape) -> Window:
    """The window of the frames that settling `wanted` needs: more than itself only where something moved."""
    if maps is None or not maps.in_use(wanted):
        return wanted
    return wanted.padded(MARGIN_PX).cut(shape)


def settle(
    device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any], maps: SettleMaps | None
) -> list[Tile]:
    """Frame tiles, dark → bright, cut to `wanted`; inside groups each shows the chosen frame at its own exposure.

    x_k' = (1 − m)·x_k + m·s·light_k/light_c with the membership m, s the chosen frame c without its extra noise (and with
    the darker frames' light where it clips); peaks alike. Where the chosen frame does not stand alone, m is multiplied by
    what frame k does not keep of its own light: 0 where it agrees with the chosen one within noise. Where m is 0 the bits
    are those given. `tiles` hold at least `settle_window(…)`.
    """
    inner = [tile.cut(wanted) for tile in tiles]
    used = maps.in_use(wanted) if maps is not None else []
    if maps is None or not used:
        return inner
    frames = facts["frames"]
    picture = tiles[0].picture
    alone = members_of(device, maps, maps.alone, wanted, picture) if maps.asks(wanted) else None
    settled = [_Settled.of(device, tiles, wanted, facts, maps.choices[index], alone) for index in used]
    both = list(zip(settled, _parts(device, maps, used, settled, wanted, picture), strict=True))
    return [
        _mixed(device, tile, index, [(each, _open(device, each, part, index)) for each, part in both], frames)
        for index, tile in enumerate(inner)
    ]


@dataclass(frozen=True)
class _Settled:
    """Colours and peaks of `wanted` in units of frame `frame`, where that frame is covered, and what each frame keeps."""

    frame: int
    tile: Tile
    cover: Tile
    kept: tuple[Tile, ...] = ()

    @classmethod
    def of(
        cls, device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any], choice: int,
        alone: Tile | None,
    ) -> _Settled:
        if choice == AVERAGE:
            base = facts["base"]
            return cls(base, _mean(device, tiles, wanted, facts), cover_of(device, tiles[base].cut(wanted)))
        whole = _over_darker(device, tiles, facts, choice)
        quiet, cover = _quiet(device, whole, wanted, facts, choice), cover_of(device, tiles[choice].cut(wanted))
        if alone is None:
            return cls(choice, quiet, cover)
        frames = facts["frames"]
        turned = [in_primaries(device, tile, frame, frames[choice]) for tile, frame in zip(tiles, frames, strict=True)]
        kept = settle_agree.kept(device, whole, turned, wanted, frames, choice)
        return cls(choice, quiet, cover, tuple(settle_agree.opened(device, each, alone) for each in kept))


def _six(device: Any, tile: Tile) -> list[PlaneArgument]:
    return [*device.planes(tile, 3), *peaks_of(device, tile)]


def in_primaries(device: Any, tile: Tile, frame: Mapping[str, Any], other: Mapping[str, Any]) -> Tile:
    """The tile with its colours in the other frame's primaries; itself where they are the same."""
    matrix = turn_of(frame, other)
    if matrix is None:
        return tile
    turned: Tile = device.tile(tile.window, tile.picture, SIX + ((COVERAGE,) if tile.has_coverage else ()))
    device.launch(COLOUR_MATRIX, device.planes(tile, 3), device.planes(turned, 3), m=matrix)
    names = PEAKS if PEAKS[0] in tile.planes else COLOUR
    for index, name in enumerate(names):
        turned.array[3 + index] = tile.plane(name)
    if tile.has_coverage:
        turned.array[6] = tile.plane(COVERAGE)
    return turned


def _over_darker(device: Any, tiles: Sequence[Tile], facts: Mapping[str, Any], choice: int) -> Tile:
    """Frame `choice` where it does not clip, over what the darker ones show there."""
    frames = facts["frames"]
    below = in_primaries(device, tiles[0], frames[0], frames[choice])
    for index in range(1, choice + 1):
        frame = frames[index]
        tile = in_primaries(device, tiles[index], frame, frames[choice])
        out: Tile = device.tile(tile.window, tile.picture, SIX)
        parameters = highlight_parameters(frames[choice], 1.0 / frame["clip"])
        device.launch(
            OVER, [*_six(device, below), *_six(device, tile)], device.planes(out), **parameters,
            gain=frame["light"] / frames[index - 1]["light"], full=FULL_BELOW * frame["clip"],
            none=NONE_ABOVE * frame["clip"],
        )
        below = out
    return below


def _quiet(device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any], choice: int) -> Tile:
    """The tile with no more noise than the merge around has; peaks stay as they are."""
    frames = facts["frames"]
    out: Tile = device.tile(wanted, tile.picture, SIX)
    for target, source in zip(out.array[3:], peaks_of_arrays(tile.cut(wanted)), strict=True):
        target[:] = source
    around = wanted.padded(MEAN_PX).cut(tile.picture)
    guide: Tile = device.tile(around, tile.picture, ("guide",))
    device.launch(GUIDE, device.planes(tile, 3), device.planes(guide))
    filled = [0.0] * (16 - len(frames))
    device.launch(
        QUIET, [*device.planes(tile, 3), *device.planes(guide)], device.planes(out, 3),
        shot=[frame["shot"] / frame["light"] for frame in frames] + filled,
        read=[frame["read"] / (frame["light"] * frame["light"]) for frame in frames] + filled,
        most=[FULL_BELOW * frame["clip"] / frame["light"] for frame in frames] + filled,
        light=frames[choice]["light"], goal=GOAL, alike=ALIKE, sharp=SHARP, frames=len(frames), frame=choice,
    )
    return out


def peaks_of_arrays(tile: Tile) -> list[Any]:
    """The three peak planes as arrays; the colours themselves where a tile has none."""
    return [tile.plane(name) for name in (PEAKS if PEAKS[0] in tile.planes else COLOUR)]


def _mean(device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any]) -> Tile:
    """The mean of all frames that do not clip, in the base frame's units; the darkest where all do."""
    frames, base = facts["frames"], facts["base"]
    sums: Tile = device.tile(wanted, tiles[0].picture, (*SIX, "weight"))
    sums.array.fill(0)
    turned = [in_primaries(device, tile.cut(wanted), frame, frames[base]) for tile, frame in zip(tiles, frames, strict=True)]
    for tile, frame in zip(turned, frames, strict=True):
        device.launch(
            MEAN, [*device.planes(sums), *_six(device, tile)], device.planes(sums),
            per_light=frames[base]["light"] / frame["light"], full=FULL_BELOW * frame["clip"], none=NONE_ABOVE * frame["clip"],
        )
    out: Tile = device.tile(wanted, tiles[0].picture, SIX)
    device.launch(
        DIVIDE, [*device.planes(sums), *_six(device, turned[0])], device.planes(out),
        gain=frames[base]["light"] / frames[0]["light"],
    )
    return out


def _parts(
    device: Any, maps: SettleMaps, used: Sequence[int], settled: Sequence[_Settled], wanted: Window, picture: Shape
) -> list[Tile]:
    """How much each choice takes of what is there before it, in the order in which they are mixed in."""
    parts: list[Tile] = []
    taken: Tile = device.tile(wanted, picture, ("taken",))
    taken.array.fill(0)
    for index, each in zip(reversed(used), reversed(settled), strict=True):
        member = members_of(device, maps, maps.weights[index], wanted, picture)
        pair: Tile = device.tile(wanted, picture, ("part", "taken"))
        device.launch(
            SHARE, [*device.planes(member), *device.planes(each.cover), *device.planes(taken)], device.planes(pair)
        )
        parts.insert(0, Tile(pair.array[:1], wanted, picture, ("part",)))
        taken = Tile(pair.array[1:], wanted, picture, ("taken",))
    return parts


def members_of(device: Any, maps: SettleMaps, plane: Any, wanted: Window, picture: Shape) -> Tile:
    """A coarse map over the pixels of `wanted`, 0..1."""
    cells = maps.cells(wanted)
    weights = device.upload(np.ascontiguousarray(plane[cells.rows, cells.cols]))
    member: Tile = device.tile(wanted, picture, ("member",))
    device.launch(
        MEMBER, [], device.planes(member), weight=device.plane(weights, cells, Shape(*plane.shape)), per_cell=maps.per_cell,
        offset=maps.offset,
    )
    return member


def _open(device: Any, each: _Settled, part: Tile, index: int) -> Tile:
    """What a choice takes of frame `index`: all of its part but where the frame keeps its own light."""
    return settle_agree.opened(device, part, each.kept[index]) if each.kept else part


def _mixed(
    device: Any, tile: Tile, index: int, settled: Sequence[tuple[_Settled, Tile]], frames: Sequence[Mapping[str, Any]],
) -> Tile:
    """One frame with every choice mixed in."""
    frame = frames[index]
    out: Tile = device.tile(tile.window, tile.picture, SIX + ((COVERAGE,) if tile.has_coverage else ()))
    for target, source in zip(out.array, [*tile.array[:3], *peaks_of_arrays(tile)], strict=False):
        target[:] = source
    if tile.has_coverage:
        out.array[6] = tile.plane(COVERAGE)
    for each, part in settled:
        chosen = frames[each.frame]
        turned = in_primaries(device, each.tile, chosen, frame)
        gain = frame["light"] / chosen["light"]
        for plane, other in zip(device.planes(out, 6), device.planes(turned, 6), strict=True):
            device.launch(MIX, [plane, other, *device.planes(part)], [plane], gain=gain)
    return out
