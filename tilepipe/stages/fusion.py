"""Exposure fusion: the well-exposed parts of display-encoded frames, joined level by level of their pyramids."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Literal

from pydantic import Field

from tilepipe.device.kernel import Kernel, PlaneArgument, Stack
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.fusion_levels import blended_planes
from tilepipe.stages.pyramid import Levels, apply, at
from tilepipe.stages.streaming import STREAM_PARAMS, Views, arena_bytes, stream, streams, view, views_of

_WEIGHING = "double contrast; double saturation; double falloff; int covered;"
WEIGHT = Kernel("fusion_weight", 4, 1, 1, params=_WEIGHING, result="float64", header="fusion.h")
COPY_WEIGHT = Kernel("fusion_copy_weight", 5, 1, 1, params=_WEIGHING, result="float64", header="fusion.h")
COPY = Kernel(
    "extended_copy", 3, 4, params="float middle; float half; float above; float below; float bend;",
    header="extended_fusion.h",
)
TOTAL = Kernel("fusion_total", 2, 1, source="float64", result="float64", header="fusion.h")
INVERSE = Kernel("fusion_inverse", 1, 1, source="float64", result="float64", header="fusion.h")
SHARE = Kernel("fusion_share", 2, 1, source="float64", header="fusion.h")
LARGER = Kernel("fusion_larger", 2, 1, header="fusion.h")
STREAM = Kernel(
    "fusion_stream", form="driver", header="fusion.h",
    params=STREAM_PARAMS + "int frames; int covered; double contrast; double saturation; double falloff; int plain; "
    "int copies; float middles[16]; float half; float above; float below; float bend;",
)
_SPARE_ROWS = 9  # as in fusion.h
_GREY_ROWS = 4
_FALLOFF = 18.033688011112043  # 1 / (2 · 0.2² · ln 2): the Gaussian of the exposedness as a power of two
MOST_FRAMES = 16
_SLOPE = "slope"


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

    @property
    def middles(self) -> tuple[float, ...]:
        """The middles of the ranges that copies of a frame keep; one alone stands for the frame as it is."""
        return (0.5,)

    def curve(self) -> dict[str, float]:
        """What shapes a copy beside its middle (extended_fusion.h)."""
        return {"half": 0.5, "above": 1.0, "below": 0.0, "bend": 0.5}

    def _weights(self) -> dict[str, float]:
        return {
            "contrast": self.contrast, "saturation": self.saturation, "falloff": _FALLOFF * self.exposedness,
        }

    # ------------------------------------------------------------ windows and sizes
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        return 4 * frames * len(self.middles) + (frames + 1 if coverage else 0)

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
        copies = frames * len(self.middles)
        doubles = 4 * 16 * (((width + 31) // 16) | 1) * (copies * _GREY_ROWS + copies + 1)
        if len(self.middles) > 1:
            doubles += 4 * 16 * (((width // 2 + 31) // 16) | 1) * copies * _GREY_ROWS
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
            pyramid.pyramid_of(device, self._base(device, tiles, levels), levels, last=out)
        return out

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]:
        """The hand-over planes: per copy its colours and share, then the frames' coverages and that of any of them."""
        numbers = range(len(tiles) * len(self.middles))
        names = [f"{plane} {k}" for k in numbers for plane in (*COLOUR, "share")]
        if any(tile.has_coverage for tile in tiles):
            names += [*(f"coverage {k}" for k in range(len(tiles))), COVERAGE]
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
        numbers: dict[str, Any] = {
            "frames": len(tiles), "covered": int(covered), "plain": plain, **self._weights(),
            "copies": len(self.middles), "middles": list(self.middles), **self.curve(),
        }
        stream(device, STREAM, levels, needed, sources=sources, **views, **numbers)

    def _base(self, device: Any, tiles: Sequence[Tile], levels: Levels) -> Tile:
        """Level 0 of every hand-over plane, value · coverage where there is coverage."""
        window, picture = levels.made[0], tiles[0].picture
        out: Tile = device.tile(window, picture, self.hand_over_names(tiles))
        copies = [copy for tile in tiles for copy in self._copies(device, tile.cut(window.padded(1).cut(picture)))]
        shares = self._shares(device, copies, window)
        count, covered = len(copies), tiles[0].has_coverage
        if covered:
            for index, tile in enumerate(tiles):
                out.array[4 * count + index] = tile.cut(window).plane(COVERAGE)
            self._anywhere(device, out, 4 * count, len(tiles))
        for k, copy in enumerate(copies):
            colours, target = at(copy, 0, COLOUR, window), at(out, 4 * k, COLOUR)
            own, share = at(shares, k, ("share",)), at(out, 4 * k + 3, ("share",))
            if covered:
                cover = at(out, 4 * count + k // len(self.middles), (COVERAGE,))
                apply(device, pyramid.WEIGHTED, [colours, cover], window, target)
                apply(device, pyramid.WEIGHTED, [own, at(out, len(out.planes) - 1, (COVERAGE,))], window, share)
            else:
                target.array[...] = colours.array
                share.array[...] = own.array
        return out

    @staticmethod
    def _anywhere(device: Any, out: Tile, first: int, frames: int) -> None:
        """The last plane: the coverage of any of the frames, whose own begin at plane `first`."""
        last = at(out, first + frames, (COVERAGE,))
        last.array[...] = out.array[first : first + 1]
        for index in range(1, frames):
            apply(device, LARGER, [last, at(out, first + index, (COVERAGE,))], out.window, last)

    def _copies(self, device: Any, tile: Tile) -> list[Tile]:
        """The frame's copies with the slope of their curves; a frame that is its own copy stays as it is."""
        if len(self.middles) == 1:
            return [tile]
        names, made = (*COLOUR, _SLOPE, *tile.planes[3:]), []
        for middle in self.middles:
            copy: Tile = device.tile(tile.window, tile.picture, names)
            device.launch(COPY, device.planes(tile, 3), device.planes(copy, 4), middle=middle, **self.curve())
            copy.array[4:] = tile.array[3:]
            made.append(copy)
        return made

    def _shares(self, device: Any, tiles: Sequence[Tile], window: Window) -> Tile:
        """Every copy's share of the weights, a plane each."""
        picture, count = tiles[0].picture, len(tiles)
        weights = device.empty((count + 2, window.height, window.width), "float64")  # and their total, and its inverse
        planes = [device.plane(plane, window, picture) for plane in weights]
        for tile, target in zip(tiles, planes, strict=False):
            self._raw_weight(device, tile, target)
        total = planes[0]
        for weight in planes[1:count]:
            device.launch(TOTAL, [total, weight], [planes[count]])
            total = planes[count]
        device.launch(INVERSE, [total], [planes[count + 1]])
        out: Tile = device.tile(window, picture, tuple(f"share {k}" for k in range(count)))
        stack = Stack(count, [int(weights.strides[0]), 0], [int(out.array.strides[0])])
        device.launch(SHARE, [planes[0], planes[count + 1]], device.planes(out, 1), stack=stack)
        return out

    def _raw_weight(self, device: Any, tile: Tile, target: PlaneArgument) -> None:
        planes = device.planes(tile)
        ins = [*planes[:3], planes[tile.planes.index(COVERAGE)] if tile.has_coverage else planes[0]]
        if _SLOPE in tile.planes:
            ins.append(planes[tile.planes.index(_SLOPE)])
        device.launch(
            WEIGHT if len(ins) == 4 else COPY_WEIGHT, ins, [target], covered=int(tile.has_coverage), **self._weights()
        )

    # ------------------------------------------------------------ the coarse half
    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        top = self.top(shape)
        levels = pyramid.levels_whole(shape, min(level, top), top)
        return self._blended(device, coarse, levels, None, None)

    def _blended(self, device: Any, planes: Tile, levels: Levels, solved: Tile | None, last: Tile | None) -> Tile:
        """The collapsed colours of the first level from its hand-over planes; without `solved` the last is the top."""
        copies, count = len(self.middles), len(planes.planes)
        if not planes.has_coverage:
            return blended_planes(device, planes, None, copies, None, levels, solved, last)
        frames = (count - 1) // (4 * copies + 1)
        layers = at(planes, 0, planes.planes[: 4 * copies * frames])
        covers = at(planes, 4 * copies * frames, planes.planes[4 * copies * frames : -1])
        anywhere = at(planes, count - 1, (COVERAGE,))
        return blended_planes(device, layers, covers, copies, anywhere, levels, solved, last)

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
        planes, colours = self._base(device, tiles, levels), at(out, 0, COLOUR)
        self._blended(device, planes, levels, solved.cut(levels.sums[-1]), colours)
        if covered:
            out.array[3] = planes.cut(wanted).array[-1]
            apply(device, pyramid.KEPT, [colours, at(out, 3, (COVERAGE,))], wanted, colours)
        return out


    # ------------------------------------------------------------ whole pictures in memory (streaming.run_in_memory)
    def kept_planes(self) -> int:
        return 3

    def keep(
        self, device: Any, tiles: Sequence[Tile], strip: Window, level: int, coarse: Tile, sums: Sequence[Tile],
        facts: Mapping[str, Any],
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
