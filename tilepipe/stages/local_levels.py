"""Local contrast level by level over whole planes: what a GPU does, and every device with the coarse levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.stages import pyramid
from tilepipe.stages.node_levels import node_planes, node_sum
from tilepipe.stages.point import colour_of
from tilepipe.stages.pyramid import Cover, Levels, apply, at, plane_of

LUMINANCE = Kernel("local_luminance", 3, 1, params="float floor_squared;", header="local_contrast.h")
GUARDED = Kernel("local_guarded", 2, 1, header="local_contrast.h")
GUIDE = Kernel("local_guide", 1, 1, 2, 2, params="float inverse_edge;", header="local_contrast.h")
COVERED_GUIDE = Kernel("local_guide_covered", 1, 1, 2, 2, params="float inverse_edge;", header="local_contrast.h")
REMAP = Kernel("local_remap", 1, 1, params="float node; float inverse_edge;", header="local_contrast.h")
POSITION = Kernel(
    "local_position", 1, 1, params="float low; float high; float inverse_step;", header="local_contrast.h"
)
HAT = Kernel("local_hat", 5, 2, params="float node;", header="local_contrast.h")
LIFT = Kernel(
    "local_lift", 3, 1, header="local_contrast.h",
    params="float rest; float lift; float brighter; float darker; float low; float step; float inverse_edge; float noise[3];",
)
APPLY = Kernel("local_apply", 4, 3, params="float floor_squared; float slope;", header="local_contrast.h")
GUIDE_SUM, COVERED_SUM = "sum of guide", "sum of coverage"


@dataclass(frozen=True)
class LocalLevels:
    """The curve at its nodes: how many, the first and their distance in stops, `edge`, `range`, light that counts as none."""

    nodes: int
    low: float
    step: float
    edge: float
    range: float
    floor_squared: float

    @property
    def names(self) -> tuple[str, ...]:
        """Of the nodes' planes."""
        return tuple(f"node {k}" for k in range(self.nodes))

    @property
    def scale(self) -> dict[str, Any]:
        return {"low": self.low, "high": self.low + (self.nodes - 1) * self.step, "inverse_step": 1.0 / self.step}

    @property
    def linear(self) -> dict[str, Any]:
        """What `local_apply` adds without a pyramid."""
        return {"floor_squared": self.floor_squared, "slope": self.range - 1.0}

    def down(self, device: Any, tile: Tile, levels: Levels, out: Tile) -> None:
        """Pass 1 into `out`, the hand-over planes."""
        luminance, cover = self._luminance(device, tile), _coverage(tile)
        guide = self.guide(device, _guarded(device, luminance, cover), levels, cover is not None)
        out.array[0] = guide[-1].array[0]
        pyramid.pyramid_of(device, self._nodes(device, luminance, cover), levels, last=at(out, 1, self.names))
        sums = {GUIDE_SUM: _weighted(device, luminance, cover)}
        if cover is not None:
            sums[COVERED_SUM] = cover
            out.plane(COVERAGE)[...] = pyramid.pyramid_of(device, cover, levels)[-1].array[0]
        for name, plane in sums.items():
            out.plane(name)[...] = pyramid.box_pyramid_of(device, plane, levels)[-1].array[0]

    def guide(self, device: Any, base: Tile, levels: Levels, covered: bool) -> list[Tile]:
        """The guide of each level on its `made` window."""
        guide = [base]
        for shape, window in zip(levels.shapes[1:], levels.made[1:], strict=True):
            out, kernel = pyramid.one_plane(device, window, shape), COVERED_GUIDE if covered else GUIDE
            device.launch(kernel, device.planes(guide[-1]), device.planes(out), inverse_edge=1.0 / self.edge)
            guide.append(out)
        return guide

    def _luminance(self, device: Any, tile: Tile) -> Tile:
        out = pyramid.one_plane(device, tile.window, tile.picture)
        device.launch(LUMINANCE, colour_of(device, tile), device.planes(out), floor_squared=self.floor_squared)
        return out

    def _nodes(self, device: Any, luminance: Tile, cover: Tile | None) -> Tile:
        """The curve around every node, a plane each."""
        nodes = [self.low + k * self.step for k in range(self.nodes)]
        return node_planes(device, REMAP, luminance, cover, self.names, {"node": nodes}, inverse_edge=1.0 / self.edge)

    def sums(
        self, device: Any, guide: list[Tile], nodes: Tile, levels: Levels, cover: Cover | None,
        lifts: Sequence[Mapping[str, Any]],
    ) -> list[Tile]:
        """Per level the Laplacians of the nodes' pyramids, interpolated at the guide's brightness, as they are added."""
        planes, sums = pyramid.pyramid_of(device, nodes, levels), []
        line: dict[str, Any] = {
            "rest": 1.0 - self.range, "inverse_edge": 1.0 / self.edge, "low": self.low, "step": self.step,
        }
        for level, (window, numbers) in enumerate(zip(levels.sums[:-1], lifts, strict=True)):
            position = apply(device, POSITION, [guide[level]], window, **self.scale)
            total, mean = node_sum(device, position, planes, level, levels, cover)
            sums.append(apply(device, LIFT, [total, mean, position], window, **line, **numbers))
        return sums

    def up(
        self, device: Any, tile: Tile, solved: Tile, levels: Levels, lifts: Sequence[Mapping[str, Any]], out: Tile
    ) -> None:
        """Pass 2 into `out`; `lifts`: of each level."""
        luminance, cover = self._luminance(device, tile), _coverage(tile)
        covering = Cover.over(device, cover, levels) if cover is not None else None
        guide = self.guide(device, _guarded(device, luminance, cover), levels, cover is not None)
        sums = self.sums(device, guide, self._nodes(device, luminance, cover), levels, covering, lifts)
        result = pyramid.collapse(device, sums, plane_of(solved, solved.planes[0]), levels, covering)
        own = colour_of(device, tile.cut(out.window))
        device.launch(APPLY, [*own, *device.planes(result)], colour_of(device, out), **self.linear)
        if cover is not None:
            colours = at(out, 0, COLOUR)
            apply(device, pyramid.KEPT, [colours, cover], out.window, colours)


def _coverage(tile: Tile) -> Tile | None:
    return plane_of(tile, COVERAGE) if tile.has_coverage else None


def _guarded(device: Any, value: Tile, cover: Tile | None) -> Tile:
    return value if cover is None else apply(device, GUARDED, [value, cover], value.window)


def _weighted(device: Any, value: Tile, cover: Tile | None) -> Tile:
    return value if cover is None else apply(device, pyramid.WEIGHTED, [value, cover], value.window)
