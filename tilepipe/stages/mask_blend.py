"""Blending by masks: a base frame, and from every other frame what its mask takes, joined across all scales."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.fusion_levels import Layer, blended
from tilepipe.stages.highlights import highlight_parameters
from tilepipe.stages.mask_blend_ranges import FrameMask, MaskRange, mask_ranges
from tilepipe.stages.pyramid import Levels, apply, plane_of
from tilepipe.stages.radiance import WORKING, cover_of, in_base_primaries, peaks_of
from tilepipe.stages.streaming import STREAM_PARAMS, Views, arena_bytes, stream, streams, views_of

_FILLING = "float per_light; float ramp; float slope; float joint; int darkest;"
FILL = Kernel("mask_fill", 9, 3, params=_FILLING, header="mask_blend.h")
FILL_COVERED = Kernel("mask_fill_covered", 11, 4, params=_FILLING, header="mask_blend.h")
FILL_ABOVE = Kernel("mask_fill_above", 8, 4, header="mask_blend.h")
CURVE = Kernel("mask_curve", 3, 3, params="float per_soft;", header="mask_blend.h")
DIFFERENCE = Kernel(
    "mask_difference", 7, 3, params="float per_soft; float begins; float slope;", header="mask_blend.h"
)
RESULT = Kernel("mask_result", 9, 3, params="float soft;", header="mask_blend.h")
BRIGHTNESS = Kernel(
    "mask_brightness", 2, 1, 1, params="float noise; int covered;", header="mask_blend.h"
)
MOST = Kernel("mask_brightest", 3, 1, params="float per_clip;", header="mask_blend.h")
RANGE = Kernel("mask_range", 1, 1, params="float begins; float slope;", header="mask_blend.h")
SHARE = Kernel("mask_share", 2, 2, params="float strength;", header="mask_blend.h")
STREAM = Kernel("mask_blend_stream", form="driver", header="mask_blend.h", params=STREAM_PARAMS + "int layers; int covered;")
_SPARE_ROWS = 5  # as in mask_blend.h
_SOFT_NOISES = 4.0  # the curve bends to linear at so many read noises of the base frame, chosen here: averages stay unbiased
_SOFTEST, _LEAST_SOFT = 2.0**-6, 2.0**-16


class MaskBlend(DeepStage):
    """Takes frame tiles, dark → bright; `up` gives linear Rec.2020 in base units, as the merge does.

    Every mask is a range of the base frame's brightness (`mask_blend_ranges`). The frame on top takes its mask's part, the
    next one its mask's part of what is left, the base frame the rest. How frames are filled and joined: `mask_blend.h`.
    """

    version: ClassVar[int] = 2
    in_place: ClassVar[bool] = False

    frames: tuple[FrameMask, ...] = Field((), description="Masks as stated; frames that are not named have automatic ones.")
    full_below: float = Field(0.8, gt=0.0, lt=1.0, description="Up to which part of its clipping level a frame is its own.")
    none_above: float = Field(0.98, gt=0.0, le=1.0, description="From which part on it is filled from the darker one.")

    # ------------------------------------------------------------ windows and sizes
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        return 4 * max(frames - 1, 1) + coverage

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        return self._down(coarse, level, shape).made[0].padded(1).cut(shape)

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).made[0].padded(1).cut(shape)

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).sums[-1]

    @staticmethod
    def _down(coarse: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_down(shape, coarse, min(level, shape.depth))

    @staticmethod
    def _up(wanted: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_up(shape, wanted, min(level, shape.depth))

    def _arena(self, levels: Levels, layers: int, coverage: bool, up: bool) -> int:
        return arena_bytes(levels, 4 * layers + coverage, 3, _SPARE_ROWS, coverage=coverage, sums=up, collapse=up)

    def deep_scratch_bytes(
        self, wanted: Window, level: int, shape: Shape, coverage: bool = False, frames: int = 4
    ) -> int:
        """Filled frames, differences, shares, the base on its curve, and rings, for `up` of `wanted`."""
        levels = self._up(wanted, level, shape)
        rings = self._arena(levels, max(frames - 1, 1), coverage, up=True)
        return 4 * (8 * frames + 10) * levels.made[0].pixels + rings

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """As `deep_scratch_bytes`, for a tile amid a large picture, hand-over level 5 and the frames in `planes`."""
        shape, inside = Shape(wanted.height + 1024, wanted.width + 1024), Window(512, 512, wanted.height, wanted.width)
        return self.deep_scratch_bytes(inside, 5, shape, coverage=planes % 3 > 0, frames=max(planes // 3, 1))

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]:
        """Per layer the three differences and the share, then the coverage of any frame."""
        names = [f"{plane} {k}" for k in range(max(len(tiles) - 1, 1)) for plane in (*COLOUR, "share")]
        return (*names, COVERAGE) if any(tile.has_coverage for tile in tiles) else tuple(names)

    # ------------------------------------------------------------ the two passes
    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        levels = self._down(coarse, level, tiles[0].picture)
        sources, _ = self.prepared(device, tiles, levels.made[0], facts)
        out: Tile = device.tile(coarse, levels.shapes[-1], self.hand_over_names(tiles))
        if streams(device):
            handed = [out.planes.index(name) for name in sources.planes]
            for index in set(range(len(out.planes))) - set(handed):
                out.array[index].fill(0)
            views = views_of(out)
            self._stream(device, sources, levels, handed=[views[index] for index in handed])
        else:
            for index, plane in enumerate(self._weighted(device, sources)):
                out.array[index] = pyramid.pyramid_of(device, plane, levels)[-1].array[0]
        return out

    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        levels = pyramid.levels_whole(shape, min(level, shape.depth), shape.depth)
        return _blended(device, [plane_of(coarse, name) for name in coarse.planes], coarse.has_coverage, levels, None)

    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any]
    ) -> Tile:
        levels = self._up(wanted, level, tiles[0].picture)
        sources, base = self.prepared(device, tiles, levels.made[0], facts)
        covered = COVERAGE in sources.planes
        if streams(device):
            joined = device.tile(wanted, tiles[0].picture, COLOUR)
            self._stream(device, sources, levels, solved=views_of(solved, 3), targets=views_of(joined))
        else:
            joined = _blended(device, self._weighted(device, sources), covered, levels, solved.cut(levels.sums[-1]))
        out: Tile = device.tile(wanted, tiles[0].picture, (*COLOUR, COVERAGE) if covered else COLOUR)
        colour, soft = device.planes(out, 3), soft_level(facts)
        device.launch(RESULT, [*device.planes(base.cut(wanted)), *device.planes(joined)], colour, soft=soft)
        frames, dark = facts["frames"], facts["frames"][0]
        device.launch(
            WORKING, colour, colour, **highlight_parameters(frames[facts["base"]], dark["light"] / dark["clip"])
        )
        if covered:
            out.array[3] = sources.cut(wanted).plane(COVERAGE)
            for c, name in enumerate(COLOUR):
                kept = apply(device, pyramid.KEPT, [plane_of(out, name), plane_of(out, COVERAGE)], wanted)
                out.array[c] = kept.array[0]
        return out

    def _stream(self, device: Any, sources: Tile, levels: Levels, **views: Views) -> None:
        covered, up = COVERAGE in sources.planes, "targets" in views
        layers = len(sources.planes) // 4
        needed = self._arena(levels, layers, covered, up)
        stream(device, STREAM, levels, needed, sources=views_of(sources), layers=layers, covered=int(covered), **views)

    @staticmethod
    def _weighted(device: Any, sources: Tile) -> list[Tile]:
        """The planes of the pyramids' first level, value · coverage where there is coverage."""
        planes = [plane_of(sources, name) for name in sources.planes]
        if COVERAGE not in sources.planes:
            return planes
        *values, cover = planes
        return [*(apply(device, pyramid.WEIGHTED, [value, cover], value.window) for value in values), cover]

    # ------------------------------------------------------------ frames → differences and shares
    def prepared(
        self, device: Any, tiles: Sequence[Tile], window: Window, facts: Mapping[str, Any]
    ) -> tuple[Tile, Tile]:
        """(Per layer red, green, blue of the difference and its share[, coverage of any] of `window`; the base as it is
        and on its curve: six planes.) `tiles` hold a pixel more on every side."""
        frames, chosen = facts["frames"], facts["base"]
        wide = window.padded(1).cut(tiles[0].picture)
        cut = [tile.cut(wide) for tile in tiles]
        covered = any(tile.has_coverage for tile in cut)
        filled = self.filled(device, cut if covered else cut[: chosen + 1], facts)
        brightness = _brightness(device, filled[chosen], window, frames[chosen])
        ranges = mask_ranges(self.frames, facts) if len(tiles) > 1 else [MaskRange(0, 0.0, 1.0, 0.0)]
        used = _in_use(device, ranges, brightness)
        most = max(ranges[k].index for k in used)
        if len(filled) <= most:
            filled = self.filled(device, cut[: most + 1], facts, filled)
        soft, base = soft_level(facts), filled[chosen].cut(window)
        both: Tile = device.tile(window, base.picture, (*COLOUR, *(f"{name} on the curve" for name in COLOUR)))
        both.array[:3] = base.array[:3]
        curved = device.planes(both)[3:]
        device.launch(CURVE, device.planes(base, 3), curved, per_soft=1.0 / soft)
        names = [f"{plane} {k}" for k in used for plane in (*COLOUR, "share")]
        out: Tile = device.tile(window, base.picture, (*names, COVERAGE) if covered else tuple(names))
        targets = device.planes(out)
        for place, each in enumerate(ranges[k] for k in used):
            ins = [*device.planes(filled[each.index].cut(window), 3), *curved, *device.planes(brightness)]
            begins, slope = each.counts_from
            device.launch(
                DIFFERENCE, ins, targets[4 * place : 4 * place + 3], per_soft=1.0 / soft, begins=begins, slope=slope
            )
        self._share_out(device, [ranges[k] for k in used], brightness, targets)
        if covered:
            out.plane(COVERAGE)[...] = base.plane(COVERAGE)
        return out, both

    def filled(
        self, device: Any, tiles: Sequence[Tile], facts: Mapping[str, Any], known: Sequence[Tile] = ()
    ) -> list[Tile]:
        """Every frame in base units and the base's primaries, from the next darker one where it clips or does not reach.

        `tiles` may leave out the brightest ones where all are covered; `known`: what was made of the first of them before.
        """
        frames, base = facts["frames"], facts["frames"][facts["base"]]
        covered = any(tile.has_coverage for tile in tiles)
        apart = all(frame.get("colours_apart", False) for frame in frames)
        slope = 1.0 / (self.none_above - self.full_below)
        made = list(known)
        for k in range(len(known), len(tiles)):
            tile, frame = tiles[k], frames[k]
            turned = in_base_primaries(device, tile, frame, base)
            out: Tile = device.tile(tile.window, tile.picture, (*COLOUR, COVERAGE) if covered else COLOUR)
            own = device.planes(turned, 3)
            below = device.planes(made[-1]) if made else [*own, own[0]]
            ins = [*own, *peaks_of(device, tile), *below[:3]]
            if covered:
                ins += [device.planes(cover_of(device, tile))[0], below[3]]
            numbers = {
                "per_light": 1.0 / frame["light"], "ramp": self.none_above * slope, "slope": slope / frame["clip"],
                "joint": 0.0 if apart else 1.0, "darkest": int(k == 0),
            }
            device.launch(FILL_COVERED if covered else FILL, ins, device.planes(out), **numbers)
            made.append(out)
        return _filled_from_above(device, made) if covered else made

    @staticmethod
    def _share_out(device: Any, ranges: Sequence[MaskRange], brightness: Tile, targets: Sequence[Any]) -> None:
        rest = [pyramid.one_plane(device, brightness.window, brightness.picture) for _ in range(2)]
        rest[0].array.fill(1)
        for k, each in enumerate(ranges):
            mask = mask_plane(device, each, brightness)
            ins = [device.planes(mask)[0], device.planes(rest[k % 2])[0]]
            device.launch(SHARE, ins, [targets[4 * k + 3], device.planes(rest[1 - k % 2])[0]], strength=each.strength)


def _in_use(device: Any, ranges: Sequence[MaskRange], brightness: Tile) -> list[int]:
    """Which masks reach into a tile, or come so near that their frame's difference counts; the first where none does.

    The others' differences and shares are 0 there, and what is added of them is 0: leaving them out changes no bit. Asked
    only where looking costs little.
    """
    if not streams(device):
        return list(range(len(ranges)))
    low, high = brightness.array.min(), brightness.array.max()
    found = []
    for k, each in enumerate(ranges):
        ends = [np.float32(begins) for begins in (each.begins, each.counts_from[0])]  # as the kernels take them
        if low < max(ends) if each.slope < 0.0 else high > min(ends):
            found.append(k)
    return found or [0]


def mask_plane(device: Any, each: MaskRange, brightness: Tile) -> Tile:
    """A frame's mask 0 … 1 as one plane; the only place that says what a mask is, so that others may stand in for it."""
    return apply(device, RANGE, [brightness], brightness.window, begins=each.begins, slope=each.slope)


def soft_level(facts: Mapping[str, Any]) -> float:
    """Where the curve turns from linear to logarithmic, in base units."""
    base = facts["frames"][facts["base"]]
    noise = exact.sqrt(max(float(base["read"]), 0.0)) / base["light"]
    return float(min(max(_SOFT_NOISES * noise, _LEAST_SOFT), _SOFTEST))


def _brightness(device: Any, base: Tile, window: Window, frame: Mapping[str, Any]) -> Tile:
    planes, per_clip = device.planes(base), frame["light"] / frame["clip"]
    noise = _SOFT_NOISES * exact.sqrt(max(float(frame["read"]), 0.0)) / frame["clip"]
    most, out = (pyramid.one_plane(device, each, base.picture) for each in (base.window, window))
    device.launch(MOST, planes[:3], device.planes(most), per_clip=per_clip)
    cover = planes[3] if base.has_coverage else device.planes(most)[0]
    device.launch(
        BRIGHTNESS, [*device.planes(most), cover], device.planes(out), noise=noise, covered=int(base.has_coverage)
    )
    return out


def _filled_from_above(device: Any, made: list[Tile]) -> list[Tile]:
    """Frames dark → bright, now also from the brighter one where neither they nor a darker one reach."""
    for k in reversed(range(len(made) - 1)):
        out: Tile = device.tile(made[k].window, made[k].picture, made[k].planes)
        device.launch(FILL_ABOVE, [*device.planes(made[k]), *device.planes(made[k + 1])], device.planes(out))
        made[k] = out
    return made


def _blended(device: Any, planes: list[Tile], covered: bool, levels: Levels, solved: Tile | None) -> Tile:
    cover = planes[-1] if covered else None
    layers = [Layer(planes[4 * k : 4 * k + 3], planes[4 * k + 3], cover) for k in range(len(planes) // 4)]
    return blended(device, layers, cover, levels, solved)
