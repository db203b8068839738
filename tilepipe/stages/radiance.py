"""The noise-optimal merge of bracketed frames to scene-linear radiance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.colour.spaces import flat
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Window
from tilepipe.stages.highlights import PARAMS as HIGHLIGHT_PARAMS
from tilepipe.stages.highlights import highlight_parameters

MOST_FRAMES = 16
VERSION = 2
PEAKS = ("peak_red", "peak_green", "peak_blue")
_PARAMS = "float per_light[16], ramp[16], peak_slope[16], light_slope[16], weight[16], growth[16], most, joint;"
MERGE = {
    count: Kernel(f"radiance_{count}", 6 * count, 3, params=_PARAMS, header="radiance.h")
    for count in (1, 2, 3, 4, 5, 6, 7, 8, 12, 16)
}
MERGE_COVERED = {
    count: Kernel(f"radiance_covered_{count}", 7 * count, 3, params=_PARAMS, header="radiance.h")
    for count in (2, 4, 8, 16)
}
COLOUR_MATRIX = Kernel("radiance_colour", 3, 3, params="float m[9];", header="radiance.h")
WORKING = Kernel("radiance_working", 3, 3, params=HIGHLIGHT_PARAMS, header="radiance.h")
ANY = Kernel("radiance_any", 2, 1, header="radiance.h")


@dataclass(frozen=True)
class RadianceMerge:
    """X = Σ w_k x_k/light_k / Σ w_k per colour, weights by the inverse of the noise's variance at X.

    Method, weights and what happens where all frames clip: `radiance.h`. A frame counts fully while the highest peak of
    its colours is below `full_below` of its clipping level and not at all from `none_above` on (chosen here: wide enough
    that a frame leaves without a seam, above it sensors are not quite linear); in between its weight falls as the square
    of the way left. All three colours come from the same frames, unless `colours_apart` is true in the facts of every
    frame (linear files that are no camera's: theory then holds colour by colour).
    """

    full_below: float = 0.8
    none_above: float = 0.98

    def run(self, device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any]) -> Tile:
        """Frame tiles, dark → bright, each holding at least `wanted` → red, green, blue[, coverage] in base units.

        Colours are linear Rec.2020 by the base frame's `to_working`; frames with another one are brought to the base's
        primaries before the merge. Where even the darkest frame of a camera clips, the result is neutral
        (`highlights.h`). Takes 1 to 16 frames; raises ValueError for more.
        """
        frames, base = facts["frames"], facts["base"]
        if len(tiles) != len(frames) or not 1 <= len(tiles) <= MOST_FRAMES:
            raise ValueError(f"{len(tiles)} frame tiles for {len(frames)} frames, at most {MOST_FRAMES}")
        tiles = [tile.cut(wanted) for tile in tiles]
        covers = [cover_of(device, tile) for tile in tiles] if any(tile.has_coverage for tile in tiles) else []
        coverage = [device.planes(cover)[0] for cover in covers]
        out: Tile = device.tile(wanted, tiles[0].picture, COLOUR + ((COVERAGE,) if covers else ()))
        colour = device.planes(out, 3)
        self.merge(device, tiles, facts, coverage, colour)
        dark = frames[0]
        device.launch(WORKING, colour, colour, **highlight_parameters(frames[base], dark["light"] / dark["clip"]))
        if covers:
            _any(device, coverage, device.planes(out)[3])
        return out

    def merge(
        self, device: Any, tiles: Sequence[Tile], facts: Mapping[str, Any], coverage: list[PlaneArgument],
        target: list[PlaneArgument],
    ) -> None:
        """The merge in the base frame's own primaries, base units; `coverage`: a plane of each frame, or none at all."""
        frames, base = facts["frames"], facts["base"]
        turned = [in_base_primaries(device, tile, frame, frames[base]) for tile, frame in zip(tiles, frames, strict=True)]
        values = [device.planes(tile, 3) for tile in turned]
        peaks = [peaks_of(device, tile) for tile in tiles]
        coverage = coverage if len(values) > 1 else []  # a single frame holds 0 where nothing is covered
        kernels = MERGE_COVERED if coverage else MERGE
        count = min(size for size in kernels if size >= len(values))
        padding = count - len(values)
        groups = [group + [group[0]] * padding for group in (values, peaks, [[plane] for plane in coverage]) if group]
        ins = [plane for group in groups for planes in group for plane in planes]
        device.launch(kernels[count], ins, target, **self.weights(frames, count))

    def weights(self, frames: Sequence[Mapping[str, Any]], count: int) -> dict[str, Any]:
        """The kernel's parameters for `frames`, filled up to `count` with frames of no weight."""
        lights = [frame["light"] for frame in frames]
        reads = [_read_noise(frame, frames[0]) for frame in frames]
        slope = 1.0 / (self.none_above - self.full_below)
        brightest = max(light * light / read for light, read in zip(lights, reads, strict=True))
        columns: dict[str, list[float]] = {
            "per_light": [1.0 / light for light in lights],
            "ramp": [self.none_above * slope for _ in frames],
            "peak_slope": [slope / frame["clip"] for frame in frames],
            "light_slope": [slope * frame["light"] / frame["clip"] for frame in frames],
            "weight": [light * light / read / brightest for light, read in zip(lights, reads, strict=True)],
            "growth": [frame["shot"] * frame["light"] / read for frame, read in zip(frames, reads, strict=True)],
        }
        filling = dict.fromkeys(columns, 0.0) | {"ramp": -1.0}
        missing = count - len(frames)
        full: dict[str, Any] = {name: values + [filling[name]] * missing for name, values in columns.items()}
        apart = all(frame.get("colours_apart", False) for frame in frames)
        return full | {"most": 1.25 * frames[0]["clip"] / lights[0], "joint": 0.0 if apart else 1.0}


def _read_noise(frame: Mapping[str, Any], darkest: Mapping[str, Any]) -> float:
    """λ_R, at least so large that a variance grows by no more than 2^28 up to the darkest frame's clipping level.

    Products of four such growths fit into float32. Over a bracket of n stops that is λ_R ≥ λ_S·2^(n − 28).
    """
    growth: float = frame["shot"] * frame["light"] / darkest["light"] * darkest["clip"]
    return max(float(frame["read"]), growth / 268435456.0, 1e-12)


def in_base_primaries(device: Any, tile: Tile, frame: Mapping[str, Any], base: Mapping[str, Any]) -> Tile:
    """The frame's colours in the base frame's primaries."""
    matrix = turn_of(frame, base)
    if matrix is None:
        return tile
    turned: Tile = device.tile(tile.window, tile.picture, COLOUR)
    device.launch(COLOUR_MATRIX, device.planes(tile, 3), device.planes(turned), m=matrix)
    return turned


def turn_of(frame: Mapping[str, Any], other: Mapping[str, Any]) -> tuple[float, ...] | None:
    """Colours of one frame → the other's primaries, row by row; None where they are the same."""
    own, wanted = _square(frame["to_working"]), _square(other["to_working"])
    return None if own == wanted else flat(exact.matrix_multiply(exact.matrix_inverse(wanted), own))


def _square(nine: Sequence[float]) -> exact.Matrix:
    a, b, c, d, e, f, g, h, i = (float(value) for value in nine)
    return ((a, b, c), (d, e, f), (g, h, i))


def peaks_of(device: Any, tile: Tile) -> list[PlaneArgument]:
    """The three peak planes; the colours themselves where a tile has none."""
    names = PEAKS if PEAKS[0] in tile.planes else COLOUR
    return [device.plane(tile.plane(name), tile.window, tile.picture) for name in names]


def cover_of(device: Any, tile: Tile) -> Tile:
    """The frame's coverage alone; a frame without that plane is covered everywhere."""
    if tile.has_coverage:
        index = tile.planes.index(COVERAGE)
        return Tile(tile.array[index : index + 1], tile.window, tile.picture, (COVERAGE,))
    cover: Tile = device.tile(tile.window, tile.picture, (COVERAGE,))
    cover.array.fill(1.0)
    return cover


def _any(device: Any, coverage: Sequence[PlaneArgument], target: PlaneArgument) -> None:
    device.launch(ANY, [coverage[0], coverage[-1]], [target])
    for plane in coverage[1:-1]:
        device.launch(ANY, [target, plane], [target])
