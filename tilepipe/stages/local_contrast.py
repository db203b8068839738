"""Local contrast: detail and the range of light, each changed on its own, without halos along high edges."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.pyramid import Cover, Levels, apply, divided, expanded, plane_of
from tilepipe.stages.streaming import STREAM_PARAMS, arena_bytes, stream, streams, view, views_of
from tilepipe.units import Stops

LUMINANCE = Kernel("local_luminance", 3, 1, params="float floor_squared;", header="local_contrast.h")
REMAP = Kernel(
    "local_remap", 1, 1, params="float node; float slope; float gain; float inverse_edge;", header="local_contrast.h"
)
POSITION = Kernel(
    "local_position", 1, 1, params="float low; float high; float inverse_step;", header="local_contrast.h"
)
HAT = Kernel("local_hat", 4, 1, params="float node;", header="local_contrast.h")
ANCHOR = Kernel("local_anchor", 3, 1, params="int fixed; float anchor; float slope;", header="local_contrast.h")
APPLY = Kernel("local_apply", 4, 3, header="local_contrast.h")
STREAM = Kernel(
    "local_stream", form="driver", header="local_contrast.h",
    params=STREAM_PARAMS + "int nodes; double origin; double step; float low; float high; float inverse_step; "
    "float floor_squared; float slope; float gain; float inverse_edge;",
)
_SPARE_ROWS = 8  # as in local_contrast.h
_MID_GREY = 0.18
GUIDE_SUM, COVERED_SUM = "sum of guide", "sum of coverage"


class LocalContrast(DeepStage):
    """Changes fine detail and the overall range of light separately, without halos.

    A fast local Laplacian filter (Paris, Hasinoff, Kautz, TOG 30(4) 2011; Aubry et al., TOG 33(5) 2014) on log2
    luminance over the whole pyramid down to 1×1; the colour keeps its ratios. Around each brightness, differences d
    (in stops) become `range·d + (detail − range)·d / √(1 + (d/edge)²)`: slope `detail` for small ones, `range` for
    large ones. The curve is evaluated at fixed brightnesses ("nodes"), two per `edge` from −14 EV to +6 EV of diffuse
    white, and interpolated linearly in between; brighter than that the last node's curve goes on. Towards black the
    logarithm levels off at −14 EV (½·log2(Y² + 2^-28), Y cut at 0), so black and negative values are as continuous as
    the rest. The range is compressed around the picture's log-average luminance (the mean over all its pixels, in an
    order of sums that tiles do not change), or around the brightness that `around` names. With the log average the
    picture gets neither darker nor brighter overall: to about 0.2 EV in the worst case tried, two halves 8 EV apart.
    Pixels without coverage take no part and stay 0.
    """

    name: ClassVar[str] = "local_contrast"
    version: ClassVar[int] = 1
    accepts_strided: ClassVar[bool] = True
    low_ev: ClassVar[float] = -14.0  # the nodes' fixed range, stops from diffuse white; chosen: a 14-bit sensor's floor
    high_ev: ClassVar[float] = 6.0  # … and six stops of light above the base frame's clipping level
    nodes_per_edge: ClassVar[int] = 2  # error .012 EV at .43·edge between nodes, second order in the spacing

    detail: float = Field(1.0, ge=0.0, le=4.0, description="Contrast of fine detail: 1 leaves it, 1.3 lifts it 30 %.")
    range: float = Field(1.0, ge=0.2, le=1.5, description="Range of light kept: 1 leaves it, 0.5 halves it in stops.")
    edge: Stops = Field(
        1.0, ge=0.25, le=4.0, description="How many stops a difference must have to count as range rather than detail."
    )
    around: Stops | None = Field(
        None, ge=-12, le=12,
        description="Brightness that `range` leaves alone, in stops from mid-grey; unset: the picture's log average.",
    )

    def is_neutral(self) -> bool:
        return self.detail == 1.0 and self.range == 1.0

    @property
    def nodes(self) -> int:
        """How many brightnesses the curve is evaluated at."""
        spans = (self.high_ev - self.low_ev) / (self.edge / self.nodes_per_edge)
        return int(spans) + (int(spans) < spans) + 1

    def _curve(self) -> dict[str, float]:
        return {"slope": self.range - 1.0, "gain": self.detail - self.range, "inverse_edge": 1.0 / self.edge}

    def _scale(self) -> dict[str, float]:
        step = self.edge / self.nodes_per_edge
        high = self.low_ev + (self.nodes - 1) * step
        return {"low": self.low_ev, "high": high, "inverse_step": 1.0 / step}

    def _floor_squared(self) -> float:
        return exact.exp2(2.0 * self.low_ev)

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
            self._stream(device, tile, levels, up=False, handed=views_of(out))
        else:
            self._down_by_levels(device, tile.cut(levels.made[0]), levels, out)
        return out

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]:
        """The hand-over planes: guide, nodes, sum of the guide; where there is coverage, its sum and coverage."""
        covered = (COVERED_SUM, COVERAGE) if tiles[0].has_coverage else ()
        return ("guide", *map(_node_name, range(self.nodes)), GUIDE_SUM, *covered)

    def _stream(self, device: Any, tile: Tile, levels: Levels, up: bool, **views: Any) -> None:
        sources = views_of(tile, 3)
        if tile.has_coverage:
            sources.append(view(tile.plane(COVERAGE), tile.window))
        numbers: dict[str, Any] = {
            "nodes": self.nodes, "origin": self.low_ev, "step": self.edge / self.nodes_per_edge,
            "floor_squared": self._floor_squared(), **self._scale(), **self._curve(),
        }
        needed = self._arena(levels, tile.has_coverage, up)
        stream(device, STREAM, levels, needed, sources=sources, **views, **numbers)

    def _down_by_levels(self, device: Any, tile: Tile, levels: Levels, out: Tile) -> None:
        luminance, cover = self._luminance(device, tile), _coverage(tile)
        weighted = _weighted(device, luminance, cover)
        out.array[0] = pyramid.pyramid_of(device, weighted, levels)[-1].array[0]
        for k in range(self.nodes):
            base = _weighted(device, self._node(device, luminance, k), cover)
            out.array[1 + k] = pyramid.pyramid_of(device, base, levels)[-1].array[0]
        sums = {GUIDE_SUM: weighted}
        if cover is not None:
            sums[COVERED_SUM] = cover
            out.plane(COVERAGE)[...] = pyramid.pyramid_of(device, cover, levels)[-1].array[0]
        for name, plane in sums.items():
            out.plane(name)[...] = pyramid.box_pyramid_of(device, plane, levels)[-1].array[0]

    def _luminance(self, device: Any, tile: Tile) -> Tile:
        out = pyramid.one_plane(device, tile.window, tile.picture)
        device.launch(LUMINANCE, colour_of(device, tile), device.planes(out), floor_squared=self._floor_squared())
        return out

    def _node(self, device: Any, luminance: Tile, k: int) -> Tile:
        node = self.low_ev + k * (self.edge / self.nodes_per_edge)
        return apply(device, REMAP, [luminance], luminance.window, node=node, **self._curve())

    # ------------------------------------------------------------ the coarse half
    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        levels = pyramid.levels_whole(shape, min(level, shape.depth), shape.depth)
        covering = Cover.over(device, plane_of(coarse, COVERAGE), levels) if coarse.has_coverage else None
        guide = pyramid.pyramid_of(device, plane_of(coarse, "guide"), levels)
        sums = self._sums(device, guide, lambda k: plane_of(coarse, _node_name(k)), levels, covering)
        top = divided(device, guide[-1], covering.inverse[-1] if covering else None, levels.made[-1])
        top = self._anchored(device, coarse, top, level, shape, levels)
        return pyramid.collapse(device, sums, top, levels, covering)

    def _anchored(self, device: Any, coarse: Tile, top: Tile, level: int, shape: Shape, levels: Levels) -> Tile:
        area = plane_of(coarse, COVERED_SUM) if coarse.has_coverage else _areas(device, coarse, level, shape)
        total, count = (
            pyramid.box_pyramid_of(device, plane, levels)[-1] for plane in (plane_of(coarse, GUIDE_SUM), area)
        )
        fixed = self.around is not None
        anchor = exact.log2(_MID_GREY) + self.around if self.around is not None else 0.0
        numbers = {"fixed": int(fixed), "anchor": anchor, "slope": self.range - 1.0}
        return apply(device, ANCHOR, [top, total, count], top.window, **numbers)

    def _sums(
        self, device: Any, guide: list[Tile], node: Callable[[int], Tile], levels: Levels, cover: Cover | None
    ) -> list[Tile]:
        """Per level the Laplacians of the nodes' pyramids, interpolated at the guide's brightness."""
        windows, positions, sums = levels.sums[:-1], [], []
        for level, window in enumerate(windows):
            value = divided(device, guide[level], cover.inverse[level] if cover else None, window)
            positions.append(apply(device, POSITION, [value], window, **self._scale()))
            sums.append(pyramid.one_plane(device, window, value.picture))
            sums[-1].array.fill(0)
        for k in range(self.nodes):
            planes = pyramid.pyramid_of(device, node(k), levels)
            for level, window in enumerate(windows):
                wide = expanded(device, planes[level + 1], window, levels.shapes[level])
                wide = divided(device, wide, cover.inverse_expanded[level] if cover else None, window)
                own = divided(device, planes[level], cover.inverse[level] if cover else None, window)
                sums[level] = apply(device, HAT, [positions[level], own, wide, sums[level]], window, node=float(k))
        return sums

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
            self._stream(device, tile, levels, up=True, solved=views_of(solved, 1), targets=views_of(out, 3))
        else:
            self._up_by_levels(device, tile.cut(levels.made[0]), solved.cut(levels.sums[-1]), levels, out)
        return out

    def _up_by_levels(self, device: Any, tile: Tile, solved: Tile, levels: Levels, out: Tile) -> None:
        luminance, cover = self._luminance(device, tile), _coverage(tile)
        covering = Cover.over(device, cover, levels) if cover is not None else None
        guide = pyramid.pyramid_of(device, _weighted(device, luminance, cover), levels)
        sums = self._sums(
            device, guide, lambda k: _weighted(device, self._node(device, luminance, k), cover), levels, covering
        )
        result = pyramid.collapse(device, sums, plane_of(solved, solved.planes[0]), levels, covering)
        own = colour_of(device, tile.cut(out.window))
        device.launch(APPLY, [*own, *device.planes(result)], colour_of(device, out))
        if cover is not None:
            for c, colour in enumerate(COLOUR):
                out.array[c] = apply(device, pyramid.KEPT, [plane_of(out, colour), cover], out.window).array[0]

    # ------------------------------------------------------------ whole pictures in memory (streaming.run_in_memory)
    def top(self, shape: Shape) -> int:
        """The number of the coarsest level."""
        return shape.depth

    def kept_planes(self) -> int:
        return 1

    def keep(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, coarse: Tile, sums: Sequence[Tile]
    ) -> None:
        """The strip's own columns of the hand-over level and of the Laplacian sums of all levels below it."""
        levels = pyramid.levels_strip(tiles[0].picture, strip, level)
        handed, kept = views_of(coarse.cut(levels.sums[-1])), [row for tile in sums for row in views_of(tile)]
        self._stream(device, tiles[0], levels, up=False, handed=handed, kept=kept)

    def finish(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, sums: Sequence[Tile], solved: Tile,
        out: Tile,
    ) -> None:
        """The strip's pixels of the result, from kept sums; `out` may be the memory of the sums of level 0."""
        levels, kept = self._up(strip, level, out.picture), [row for tile in sums for row in views_of(tile)]
        targets = views_of(out.cut(strip), 3)
        self._stream(device, tiles[0], levels, up=True, solved=views_of(solved, 1), kept=kept, targets=targets)


def _node_name(k: int) -> str:
    return f"node {k}"


def _areas(device: Any, coarse: Tile, level: int, shape: Shape) -> Tile:
    """How many pixels of the picture lie under each pixel of the hand-over level."""
    grain = 1 << min(level, shape.depth)
    out = pyramid.one_plane(device, coarse.window, coarse.picture)
    sides = [np.full(-(-side // grain), grain, np.int64) for side in (shape.height, shape.width)]
    for side, counts in zip((shape.height, shape.width), sides, strict=True):
        counts[-1] = side - grain * (len(counts) - 1)
    out.array[0] = device.upload(np.multiply.outer(*sides).astype(np.float32))
    return out


def _coverage(tile: Tile) -> Tile | None:
    return plane_of(tile, COVERAGE) if tile.has_coverage else None


def _weighted(device: Any, value: Tile, cover: Tile | None) -> Tile:
    return value if cover is None else apply(device, pyramid.WEIGHTED, [value, cover], value.window)
