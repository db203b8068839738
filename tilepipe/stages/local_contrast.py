"""Local contrast: detail and the range of light, each changed on its own, without halos along high edges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, PrivateAttr

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.exposure import Exposure
from tilepipe.stages.local_levels import COVERED_SUM, GUIDE_SUM, LocalLevels
from tilepipe.stages.local_lift import Lifts, ScaleWeight, lifts_of
from tilepipe.stages.point import like
from tilepipe.stages.pyramid import Cover, Levels, apply, at, plane_of
from tilepipe.stages.streaming import STREAM_PARAMS, arena_bytes, stream, streams, view, views_of
from tilepipe.units import Stops

ANCHOR = Kernel("local_anchor", 2, 1, params="int fixed; float anchor; float slope;", header="local_contrast.h")
STREAM = Kernel(
    "local_stream", form="driver", header="local_contrast.h",
    params=STREAM_PARAMS + "int nodes; double origin; double step; float low; float high; float inverse_step; "
    "float floor_squared; float slope; float inverse_edge; float rest; float lift; float noise[3]; float brighter[16]; "
    "float darker[16]; float spread[16];",
)
_SPARE_ROWS = 9  # as in local_contrast.h
_STREAMED = 16  # levels of the driver's tables
_MID_GREY = 0.18


class LocalContrast(DeepStage):
    """Changes fine detail and the overall range of light separately, without halos.

    A fast local Laplacian filter (Paris, Hasinoff, Kautz, TOG 30(4) 2011; Aubry et al., TOG 33(5) 2014) on log2
    luminance over the whole pyramid down to 1×1; the colour keeps its ratios. Around each brightness, differences d
    (in stops) become `range·d + (detail − range)·d / √(1 + (d/edge)²)`: slope `detail` for small ones, `range` for
    large ones. The curve is evaluated at fixed brightnesses ("nodes"), two per `edge` from −14 EV to +6 EV of diffuse
    white, and interpolated linearly in between; brighter than that the last node's curve goes on. Towards black the
    logarithm levels off at −14 EV (½·log2(Y² + 2^-28), Y cut at 0), so black and negative values are as continuous as
    the rest. The range is compressed around the brightness that `around` names; unset, around the middle tones of the
    base frame where `match` measured them, so that they stay as bright as it shows them, else around the picture's
    log-average luminance (the mean over all its pixels, in an order of sums that tiles do not change).

    Which brightness a place has is read at every level from what around it is about as bright (a bilateral mean), so
    that no place counts as something between the two sides of an edge. What remains of a halo beside an edge of 8 EV is,
    in any pixel from 8 px on, at most 0.4 L* for every `range` allowed, with detail lifted by 15 %; with a lift by half
    1 L*, with the most that is allowed 1.9 L* (`scripts/show_relief.py range detail`). Detail is lifted where it stands
    out from the noise that the merge knows, weighted by its size (`scales`); a lift darkens large places less than it
    brightens them. Pixels without coverage take no part and stay 0.
    """

    name: ClassVar[str] = "local_contrast"
    version: ClassVar[int] = 3
    uses: ClassVar[tuple[str, ...]] = ("frames", "scene")
    accepts_strided: ClassVar[bool] = True
    low_ev: ClassVar[float] = -14.0  # the nodes' fixed range, stops from diffuse white; chosen: a 14-bit sensor's floor
    high_ev: ClassVar[float] = 6.0  # … and six stops of light above the base frame's clipping level
    nodes_per_edge: ClassVar[int] = 2  # error .012 EV at .43·edge between nodes, second order in the spacing

    detail: float = Field(
        1.0, ge=0.0, le=2.0, examples=[1.15, 1.48], description="Contrast of fine detail: 1 leaves it, 1.3 lifts it 30 %.",
    )
    range: float = Field(1.0, ge=0.2, le=1.5, description="Range of light kept: 1 leaves it, 0.5 halves it in stops.")
    edge: Stops = Field(
        1.0, ge=0.25, le=4.0, description="How many stops a difference must have to count as range rather than detail."
    )
    around: Stops | None = Field(
        None, ge=-12, le=12,
        description="Brightness that `range` leaves alone, in stops from mid-grey; unset: the base's middle tones.",
    )

    scales: tuple[ScaleWeight, ...] = Field(
        (), max_length=8, description="How much of the lift detail of which size gets; unset: all sizes the same.",
    )
    deepen: float = Field(
        0.2, ge=0, le=1, description="Share of the lift that may darken large places, such as the sky between clouds.",
    )
    noise: float = Field(
        3.0, ge=0, le=8, description="Detail up to this many standard deviations of the merge's noise is not lifted.",
    )

    _exposures: tuple[Exposure, ...] = PrivateAttr(default=())

    def is_neutral(self) -> bool:
        return self.detail == 1.0 and self.range == 1.0

    @property
    def nodes(self) -> int:
        """How many brightnesses the curve is evaluated at."""
        spans = (self.high_ev - self.low_ev) / (self.edge / self.nodes_per_edge)
        return int(spans) + (int(spans) < spans) + 1

    def exposed(self, exposures: tuple[Exposure, ...]) -> LocalContrast:
        """The same step, knowing which exposures made the merged light brighter or darker before it."""
        known = self.model_copy()
        known._exposures = exposures
        return known

    def parameters(self) -> dict[str, Any]:
        found = super().parameters()
        return found | ({"exposures": [step.parameters() for step in self._exposures]} if self._exposures else {})

    def _lifts(self, shape: Shape, facts: Mapping[str, Any]) -> Lifts:
        stops = sum(step.stops_for(facts) for step in self._exposures)
        return lifts_of(self.detail, self.scales, self.deepen, self.noise, shape, facts.get("frames") or (), stops)

    @property
    def _levels(self) -> LocalLevels:
        step, floor = self.edge / self.nodes_per_edge, exact.exp2(2.0 * self.low_ev)
        return LocalLevels(self.nodes, self.low_ev, step, self.edge, self.range, floor)

    # ------------------------------------------------------------ windows and sizes
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        return self.nodes + (4 if coverage else 2)

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        return self._down(coarse, level, shape).made[0]

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).made[0]

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).sums[-1]

    @staticmethod
    def _down(coarse: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_down(shape, coarse, min(level, shape.depth))

    @staticmethod
    def _up(wanted: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_up(shape, wanted, min(level, shape.depth))

    def _arena(self, levels: Levels, coverage: bool, up: bool) -> int:
        planes = self.coarse_planes(1, coverage, {})
        return arena_bytes(levels, planes, 1, _SPARE_ROWS, coverage=coverage, sums=up, collapse=up)

    def deep_scratch_bytes(self, wanted: Window, level: int, shape: Shape, coverage: bool = False) -> int:
        """Bytes of rings that `up` of `wanted` (and `down` of the same area) allocates on the CPU."""
        return self._arena(self._up(wanted, level, shape), coverage, up=True)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """As `deep_scratch_bytes`, for a tile amid a large picture and a hand-over level of 5."""
        shape = Shape(wanted.height + 1024, wanted.width + 1024)
        return self.deep_scratch_bytes(Window(512, 512, wanted.height, wanted.width), 5, shape, coverage=planes > 3)

    # ------------------------------------------------------------ pass 1
    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        (tile,) = tiles
        levels = self._down(coarse, level, tile.picture)
        out: Tile = device.tile(coarse, levels.shapes[-1], self.hand_over_names(tiles))
        if streams(device):
            self._stream(device, tile, levels, facts, up=False, handed=views_of(out))
        else:
            self._levels.down(device, tile.cut(levels.made[0]), levels, out)
        return out

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]:
        """The hand-over planes: guide, nodes, sum of the guide; where there is coverage, its sum and coverage."""
        covered = (COVERED_SUM, COVERAGE) if tiles[0].has_coverage else ()
        return ("guide", *self._levels.names, GUIDE_SUM, *covered)

    def _stream(
        self, device: Any, tile: Tile, levels: Levels, facts: Mapping[str, Any], up: bool, **views: Any
    ) -> None:
        sources = views_of(tile, 3)
        if tile.has_coverage:
            sources.append(view(tile.plane(COVERAGE), tile.window))
        numbers: dict[str, Any] = {
            "nodes": self.nodes, "origin": self.low_ev, "step": self.edge / self.nodes_per_edge,
            "inverse_edge": 1.0 / self.edge, **self._levels.scale, **self._levels.linear, **self._lift_tables(tile, facts),
        }
        needed = self._arena(levels, tile.has_coverage, up)
        stream(device, STREAM, levels, needed, sources=sources, **views, **numbers)

    def _lift_tables(self, tile: Tile, facts: Mapping[str, Any]) -> dict[str, Any]:
        lifts = self._lifts(tile.picture, facts)
        tables = {"brighter": lifts.brighter, "darker": lifts.darker, "spread": lifts.spread}
        padded = {name: (*table[:_STREAMED], *(0.0,) * (_STREAMED - len(table))) for name, table in tables.items()}
        return {"rest": 1.0 - self.range, "lift": lifts.lift, "noise": lifts.noise, **padded}

    # ------------------------------------------------------------ the coarse half
    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        levels = pyramid.levels_whole(shape, min(level, shape.depth), shape.depth)
        covering = Cover.over(device, plane_of(coarse, COVERAGE), levels) if coarse.has_coverage else None
        guide = self._levels.guide(device, plane_of(coarse, "guide"), levels, coarse.has_coverage)
        lifts = self._lifts(shape, facts)
        numbers = [lifts.at(min(level, shape.depth) + above) for above in range(levels.coarsest)]
        sums = self._levels.sums(device, guide, at(coarse, 1, self._levels.names), levels, covering, numbers)
        return pyramid.collapse(device, sums, self._anchored(device, coarse, level, shape, levels, facts), levels, covering)

    def _anchor(self, facts: Mapping[str, Any]) -> float | None:
        """log2 of the luminance that stays; None: the picture's log average."""
        if self.around is not None:
            return exact.log2(_MID_GREY) + self.around
        middle = (facts.get("scene") or {}).get("middle_stops")
        return None if middle is None else float(middle) + sum(step.stops_for(facts) for step in self._exposures)

    def _anchored(
        self, device: Any, coarse: Tile, level: int, shape: Shape, levels: Levels, facts: Mapping[str, Any]
    ) -> Tile:
        area = plane_of(coarse, COVERED_SUM) if coarse.has_coverage else _areas(device, coarse, level, shape)
        total, count = (
            pyramid.box_pyramid_of(device, plane, levels)[-1] for plane in (plane_of(coarse, GUIDE_SUM), area)
        )
        anchor = self._anchor(facts)
        numbers: dict[str, Any] = {"fixed": int(anchor is not None), "anchor": anchor or 0.0, "slope": self.range - 1.0}
        return apply(device, ANCHOR, [total, count], total.window, **numbers)

    # ------------------------------------------------------------ pass 2
    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any],
        out: Tile | None = None,
    ) -> Tile:
        """Pass 2: the pixels of `wanted`, written into `out` where one is given (on the CPU it may be strided)."""
        (tile,) = tiles
        levels = self._up(wanted, level, tile.picture)
        if out is None:
            out = like(device, tile.cut(wanted))
        if streams(device):
            self._stream(device, tile, levels, facts, up=True, solved=views_of(solved, 1), targets=views_of(out, 3))
        else:
            lifts = self._lifts(tile.picture, facts)
            numbers = [lifts.at(number) for number in range(levels.coarsest)]
            self._levels.up(device, tile.cut(levels.made[0]), solved.cut(levels.sums[-1]), levels, numbers, out)
        return out

    # ------------------------------------------------------------ whole pictures in memory (streaming.run_in_memory)
    def top(self, shape: Shape) -> int:
        """The number of the coarsest level."""
        return shape.depth

    def kept_planes(self) -> int:
        return 1

    def keep(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, coarse: Tile, sums: Sequence[Tile],
        facts: Mapping[str, Any],
    ) -> None:
        """The strip's own columns of the hand-over level and of the Laplacian sums of all levels below it."""
        levels = pyramid.levels_strip(tiles[0].picture, strip, level)
        handed, kept = views_of(coarse.cut(levels.sums[-1])), [row for tile in sums for row in views_of(tile)]
        self._stream(device, tiles[0], levels, facts, up=False, handed=handed, kept=kept)

    def finish(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, sums: Sequence[Tile], solved: Tile,
        out: Tile,
    ) -> None:
        """The strip's pixels of the result, from kept sums; `out` may be the memory of the sums of level 0."""
        levels, kept = self._up(strip, level, out.picture), [row for tile in sums for row in views_of(tile)]
        targets = views_of(out.cut(strip), 3)
        self._stream(device, tiles[0], levels, {}, up=True, solved=views_of(solved, 1), kept=kept, targets=targets)


def _areas(device: Any, coarse: Tile, level: int, shape: Shape) -> Tile:
    """How many pixels of the picture lie under each pixel of the hand-over level."""
    grain = 1 << min(level, shape.depth)
    out = pyramid.one_plane(device, coarse.window, coarse.picture)
    sides = [np.full(-(-side // grain), grain, np.int64) for side in (shape.height, shape.width)]
    for side, counts in zip((shape.height, shape.width), sides, strict=True):
        counts[-1] = side - grain * (len(counts) - 1)
    out.array[0] = device.upload(np.multiply.outer(*sides).astype(np.float32))
    return out
