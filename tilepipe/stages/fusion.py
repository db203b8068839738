"""Exposure fusion: the well-exposed parts of display-encoded frames, joined level by level of their pyramids."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, Literal

from pydantic import Field

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.pyramid import Cover, Levels, apply, divided, expanded, plane_of
from tilepipe.stages.streaming import STREAM_PARAMS, Views, arena_bytes, stream, streams, view, views_of

WEIGHT = Kernel(
    "fusion_weight", 4, 1, 1, params="double contrast; double saturation; double falloff; int covered;",
    result="float64", header="fusion.h",
)
TOTAL = Kernel("fusion_total", 2, 1, source="float64", result="float64", header="fusion.h")
INVERSE = Kernel("fusion_inverse", 1, 1, source="float64", result="float64", header="fusion.h")
SHARE = Kernel("fusion_share", 2, 1, source="float64", header="fusion.h")
BEGIN = Kernel("fusion_begin", 3, 1, header="fusion.h")
ADD = Kernel("fusion_add", 4, 1, header="fusion.h")
LARGER = Kernel("fusion_larger", 2, 1, header="fusion.h")
STREAM = Kernel(
    "fusion_stream", form="driver", header="fusion.h",
    params=STREAM_PARAMS + "int frames; int covered; double contrast; double saturation; double falloff; int plain;",
)
_SPARE_ROWS = 9  # as in fusion.h
_GREY_ROWS = 4
_FALLOFF = 18.033688011112043  # 1 / (2 · 0.2² · ln 2): the Gaussian of the exposedness as a power of two
MOST_FRAMES = 16


class ExposureFusion(DeepStage):
    """Joins 1 to 16 frames of display-encoded values 0..1 (Mertens, Kautz, Van Reeth, CGF 28(1) 2009).

    Weights are C^contrast · S^saturation · E^exposedness + 1e-12 in float64: C = |Laplacian of grey| (.299, .587, .114;
    borders mirrored), S = standard deviation of red, green, blue, E = Π exp(−(v − ½)² / (2·0.2²)); their shares are
    summed in frame order. Pyramids are float32, down to 1×1 (`depth: full`) or floor(log2(shorter side)) levels
    (`paper`). The result is not clipped: −0.25 … 1.25 occur. Coverage multiplies a frame's weight; the result's
    coverage is the largest of the frames'.
    """

    version: ClassVar[int] = 1
    in_place: ClassVar[bool] = False
    accepts_strided: ClassVar[bool] = True

    contrast: float = Field(1.0, ge=0.0, le=4.0, description="Weight of local contrast (an exponent).")
    saturation: float = Field(1.0, ge=0.0, le=4.0, description="Weight of colourfulness (an exponent).")
    exposedness: float = Field(1.0, ge=0.0, le=4.0, description="Weight of being near the middle tones (an exponent).")
    depth: Literal["full", "paper"] = Field("full", description="Pyramid down to one pixel, or as deep as the paper's.")

    def top(self, shape: Shape) -> int:
        """The number of the coarsest level."""
        if self.depth == "full":
            return shape.depth
        return max(min(shape.height, shape.width).bit_length() - 2, 0)

    def _weights(self) -> dict[str, float]:
        return {
            "contrast": self.contrast, "saturation": self.saturation, "falloff": _FALLOFF * self.exposedness,
        }

    # ------------------------------------------------------------ windows and sizes
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        return 5 * frames + 1 if coverage else 4 * frames

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        return self._down(coarse, level, shape).made[0].padded(1).cut(shape)

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).made[0].padded(1).cut(shape)

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self._up(wanted, level, shape).sums[-1]

    def _down(self, coarse: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_down(shape, coarse, min(level, self.top(shape)))

    def _up(self, wanted: Window, level: int, shape: Shape) -> Levels:
        return pyramid.levels_up(shape, wanted, min(level, self.top(shape)))

    def arena(self, levels: Levels, frames: int, coverage: bool, *, sums: bool, collapse: bool) -> int:
        """Bytes of rings that the driver needs."""
        width = 2 * (levels.made[0].width + 2)
        doubles = 4 * 16 * (((width + 31) // 16) | 1) * (frames * _GREY_ROWS + frames + 1)
        return arena_bytes(
            levels, self.coarse_planes(frames, coverage, {}), 3, _SPARE_ROWS, coverage=coverage, sums=sums,
            collapse=collapse, margin_px=1, spare_bytes=doubles,
        )

    def deep_scratch_bytes(
        self, wanted: Window, level: int, shape: Shape, coverage: bool = False, frames: int = 4
    ) -> int:
        """Bytes of rings that `up` of `wanted` (and `down` of the same area) allocates on the CPU."""
        return self.arena(self._up(wanted, level, shape), frames, coverage, sums=True, collapse=True)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """As `deep_scratch_bytes`, for a tile amid a large picture, hand-over level 5 and the frames in `planes`."""
        shape = Shape(wanted.height + 1024, wanted.width + 1024)
        inside = Window(512, 512, wanted.height, wanted.width)
        return self.deep_scratch_bytes(inside, 5, shape, coverage=planes % 3 > 0, frames=max(planes // 3, 1))

    # ------------------------------------------------------------ pass 1
    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        levels = self._down(coarse, level, tiles[0].picture)
        out: Tile = device.tile(coarse, levels.shapes[-1], self.hand_over_names(tiles))
        if streams(device):
            self.run_stream(device, tiles, levels, handed=views_of(out))
        else:
            for index, plane in enumerate(self._base_planes(device, tiles, levels)):
                out.array[index] = pyramid.pyramid_of(device, plane, levels)[-1].array[0]
        return out

    @staticmethod
    def hand_over_names(tiles: Sequence[Tile]) -> tuple[str, ...]:
        """The hand-over planes: per frame its colours and share, then the frames' coverages and that of any of them."""
        numbers = range(len(tiles))
        names = [f"{plane} {k}" for k in numbers for plane in (*COLOUR, "share")]
        if tiles[0].has_coverage:
            names += [*(f"coverage {k}" for k in numbers), COVERAGE]
        return tuple(names)

    def run_stream(self, device: Any, tiles: Sequence[Tile], levels: Levels, **views: Views) -> None:
        """Runs the driver on the frames' tiles; which `views` are given says what it makes (streaming.h)."""
        if not 1 <= len(tiles) <= MOST_FRAMES:
            raise ValueError(f"fusion joins 1 to {MOST_FRAMES} frames, not {len(tiles)}")
        covered = tiles[0].has_coverage
        sources: Views = []
        for tile in tiles:
            sources += views_of(tile, 3)
            if covered:
                sources.append(view(tile.plane(COVERAGE), tile.window))
        collapses = "targets" in views
        needed = self.arena(levels, len(tiles), covered, sums=collapses and "kept" not in views, collapse=collapses)
        plain = int(self.contrast == 1.0 and self.saturation == 1.0)
        numbers: dict[str, Any] = {"frames": len(tiles), "covered": int(covered), "plain": plain, **self._weights()}
        stream(device, STREAM, levels, needed, sources=sources, **views, **numbers)

    def _base_planes(self, device: Any, tiles: Sequence[Tile], levels: Levels) -> list[Tile]:
        """Level 0 of every hand-over plane, value · coverage where there is coverage."""
        window = levels.made[0]
        covers = [plane_of(tile, COVERAGE).cut(window) for tile in tiles if tile.has_coverage]
        anywhere: Tile | None = None
        for cover in covers:
            anywhere = cover if anywhere is None else apply(device, LARGER, [anywhere, cover], window)
        planes: list[Tile] = []
        for k, (tile, share) in enumerate(zip(tiles, self._shares(device, tiles, window), strict=True)):
            colours = [plane_of(tile, name).cut(window) for name in COLOUR]
            if anywhere is not None:
                colours = [apply(device, pyramid.WEIGHTED, [colour, covers[k]], window) for colour in colours]
                share = apply(device, pyramid.WEIGHTED, [share, anywhere], window)
            planes += [*colours, share]
        return planes + covers + ([anywhere] if anywhere is not None else [])

    def _shares(self, device: Any, tiles: Sequence[Tile], window: Window) -> list[Tile]:
        raw = [self._raw_weight(device, tile, window) for tile in tiles]
        total = raw[0]
        for weight in raw[1:]:
            total = self._doubles(device, TOTAL, [total, weight], window, tiles[0].picture)
        inverse, shares = self._doubles(device, INVERSE, [total], window, tiles[0].picture), []
        for weight in raw:
            out = pyramid.one_plane(device, window, tiles[0].picture)
            ins = [device.plane(plane, window, tiles[0].picture) for plane in (weight, inverse)]
            device.launch(SHARE, ins, device.planes(out))
            shares.append(out)
        return shares

    def _raw_weight(self, device: Any, tile: Tile, window: Window) -> Any:
        """float64 `(y, x)`."""
        out = device.empty((window.height, window.width), "float64")
        planes = device.planes(tile)
        cover = planes[tile.planes.index(COVERAGE)] if tile.has_coverage else planes[0]
        device.launch(
            WEIGHT, [*planes[:3], cover], [device.plane(out, window, tile.picture)], covered=int(tile.has_coverage),
            **self._weights(),
        )
        return out

    @staticmethod
    def _doubles(device: Any, kernel: Kernel, arrays: list[Any], window: Window, picture: Shape) -> Any:
        out = device.empty((window.height, window.width), "float64")
        ins = [device.plane(array, window, picture) for array in arrays]
        device.launch(kernel, ins, [device.plane(out, window, picture)])
        return out

    # ------------------------------------------------------------ the coarse half
    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        top = self.top(shape)
        levels = pyramid.levels_whole(shape, min(level, top), top)
        planes = [plane_of(coarse, name) for name in coarse.planes]
        return self._blended(device, planes, coarse.has_coverage, levels, None)

    def _blended(
        self, device: Any, planes: list[Tile], covered: bool, levels: Levels, solved: Tile | None
    ) -> Tile:
        """The collapsed colours of the first level from its hand-over planes; without `solved` the last is the top."""
        frames = (len(planes) - 1) // 5 if covered else len(planes) // 4
        covers = [Cover.over(device, plane, levels) for plane in planes[4 * frames :]]
        anywhere = covers[-1] if covers else None
        shares = [pyramid.pyramid_of(device, planes[4 * k + 3], levels) for k in range(frames)]
        if anywhere is not None:
            shares = [_divided_levels(device, share, anywhere) for share in shares]
        out: Tile = device.tile(levels.sums[0], levels.shapes[0], COLOUR)
        for c in range(3):
            colours = [pyramid.pyramid_of(device, planes[4 * k + c], levels) for k in range(frames)]
            sums = [
                self._sum(device, shares, colours, covers, level, levels) for level in range(levels.coarsest)
            ]
            residual = plane_of(solved, COLOUR[c]) if solved else self._mixed(device, shares, colours, covers, levels)
            out.array[c] = pyramid.collapse(device, sums, residual, levels, anywhere).array[0]
        return out

    @staticmethod
    def _sum(
        device: Any, shares: list[list[Tile]], colours: list[list[Tile]], covers: list[Cover], level: int,
        levels: Levels,
    ) -> Tile:
        window = levels.sums[level]

        def laplacian(k: int) -> list[Tile]:
            wide = expanded(device, colours[k][level + 1], window, levels.shapes[level])
            own = divided(device, colours[k][level], covers[k].inverse[level] if covers else None, window)
            return [own, divided(device, wide, covers[k].inverse_expanded[level] if covers else None, window)]

        return _added(device, [shares[k][level] for k in range(len(shares))], laplacian, window)

    @staticmethod
    def _mixed(
        device: Any, shares: list[list[Tile]], colours: list[list[Tile]], covers: list[Cover], levels: Levels
    ) -> Tile:
        """The top level: the frames' values by their shares."""
        window = levels.sums[-1]
        nothing = pyramid.one_plane(device, window, levels.shapes[-1])
        nothing.array.fill(0)

        def value(k: int) -> list[Tile]:
            return [divided(device, colours[k][-1], covers[k].inverse[-1] if covers else None, window), nothing]

        return _added(device, [share[-1] for share in shares], value, window)

    # ------------------------------------------------------------ pass 2
    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any],
        out: Tile | None = None,
    ) -> Tile:
        """Pass 2: the pixels of `wanted`, written into `out` where one is given (on the CPU it may be strided)."""
        picture, covered = tiles[0].picture, tiles[0].has_coverage
        levels = self._up(wanted, level, picture)
        if out is None:
            out = device.tile(wanted, picture, (*COLOUR, COVERAGE) if covered else COLOUR)
        if streams(device):
            self.run_stream(device, tiles, levels, solved=views_of(solved, 3), targets=views_of(out))
            return out
        planes = self._base_planes(device, tiles, levels)
        made = self._blended(device, planes, covered, levels, solved.cut(levels.sums[-1]))
        out.array[:3] = made.array
        if covered:
            out.array[3] = planes[-1].cut(wanted).array[0]
            for c in range(3):
                kept = apply(device, pyramid.KEPT, [plane_of(out, COLOUR[c]), plane_of(out, COVERAGE)], wanted)
                out.array[c] = kept.array[0]
        return out


    # ------------------------------------------------------------ whole pictures in memory (streaming.run_in_memory)
    def kept_planes(self) -> int:
        return 3

    def keep(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, coarse: Tile, sums: Sequence[Tile]
    ) -> None:
        """The strip's own columns of the hand-over level and of the Laplacian sums of all levels below it."""
        levels = pyramid.levels_strip(tiles[0].picture, strip, level)
        handed, kept = views_of(coarse.cut(levels.sums[-1])), [row for tile in sums for row in views_of(tile)]
        self.run_stream(device, tiles, levels, handed=handed, kept=kept)

    def finish(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, sums: Sequence[Tile], solved: Tile,
        out: Tile,
    ) -> None:
        """The strip's pixels of the result, from kept sums; `out` may be the memory of the sums of level 0."""
        levels, kept = self._up(strip, level, out.picture), [row for tile in sums for row in views_of(tile)]
        self.run_stream(device, tiles, levels, solved=views_of(solved), kept=kept, targets=views_of(out.cut(strip)))


def _divided_levels(device: Any, levels: list[Tile], cover: Cover) -> list[Tile]:
    pairs = zip(levels, cover.inverse, strict=True)
    return [divided(device, value, inverse, value.window) for value, inverse in pairs]


def _added(device: Any, shares: list[Tile], laplacian: Callable[[int], list[Tile]], window: Window) -> Tile:
    total = apply(device, BEGIN, [shares[0], *laplacian(0)], window)
    for k in range(1, len(shares)):
        total = apply(device, ADD, [shares[k], *laplacian(k), total], window)
    return total
