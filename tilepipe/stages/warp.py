"""Resampling: a map from output to input pixels as an integer coordinate grid, and the 6×6 windowed sinc over it."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.mesh import Mesh

GRID = Kernel(
    "warp_grid", 0, 2, params="double m[9]; const int* mesh; int rows, cols, height, width;", result="int32",
    header="warp.h",
)
COLOURS = Kernel(
    "warp_colour", 0, 3, header="warp.h",
    params="Plane source[3]; Plane coverage; Plane across; Plane down; const float* taps; int leaves;",
)
PLANE = Kernel(
    "warp_plane", 0, 1, header="warp.h",
    params="Plane source; Plane coverage; Plane across; Plane down; const float* taps; int what, leaves;",
)
ROWS = Kernel(
    "warp_rows", form="driver", header="warp_rows.h",
    params="Plane source[8]; Plane result[8]; int values, peaks; Plane coverage; Plane covered; "
    "Plane across; Plane down; const float* taps;",
)
SHIFT = Kernel(
    "warp_shift", form="driver", header="warp_rows.h",
    params="Plane source[3]; Plane result[3]; int planes; Plane coverage; int across, down; const float* taps; "
    "float* scratch; int what;",
)

PHASES = 1024  # positions are whole 1/1024 px
NODE_PX = 16  # distance of the grid's nodes in output pixels
BELOW_PX, ABOVE_PX = 3, 4  # samples beside a position, one more than the filter reads: the border mirrors about its rim
PEAKS = ("peak_red", "peak_green", "peak_blue")
_VALUE, _PEAK, _COVER = 0, 1, 2
_NOWHERE = PlaneArgument()
Job = tuple[int, PlaneArgument, PlaneArgument]  # what to do, source, result
# Kaiser's window with beta 4.5 (Kaiser & Schafer 1980), chosen here: with it the largest error of a sine of up to
# 0.25 cycles/px is 0.7 % of its amplitude over all phases, against 2.4 % for a sinc-shaped window as wide and 2.1 % for
# Hann's; a smaller beta is better beyond 0.27 and worse below.
_BETA = 4.5
_WEIGHT_STEPS = 1 << 23  # weights are whole 2^-23, so that sums of them below 2 are exact in float32


def _bessel(x: float) -> float:
    """The modified Bessel function I0 by its power series (Abramowitz & Stegun 9.6.12), 30 terms: float64 for x ≤ 8."""
    term, total = 1.0, 1.0
    for index in range(1, 31):
        half = x / (2.0 * index)
        term = term * half * half
        total = total + term
    return total


def window_at(distance: float) -> float:
    """Kaiser's window, 3 units to both sides."""
    inside = 1.0 - (distance / 3.0) * (distance / 3.0)
    return _bessel(_BETA * exact.sqrt(inside)) / _bessel(_BETA) if inside > 0.0 else 0.0


def _sinc(distance: float) -> float:
    angle = math.pi * distance
    return exact.sin(angle) / angle if distance != 0.0 else 1.0


def sinc_weights(distances: Sequence[float]) -> list[float]:
    """Weights of samples at these distances from a position: windowed sinc, exact for constants and for ramps.

    The sinc alone leans by up to 1/100 px; what its first moment is short of is added as a slope under the same window.
    The weights are whole multiples of 2^-23 and add up to 1 exactly.
    """
    windows = [window_at(distance) for distance in distances]
    raw = [_sinc(distance) * window for distance, window in zip(distances, windows, strict=True)]
    total = _sum(raw)
    weights = [value / total for value in raw]
    lean = _sum(weight * distance for weight, distance in zip(weights, distances, strict=True))
    zeroth, first = _sum(windows), _sum(w * d for w, d in zip(windows, distances, strict=True))
    second = _sum(w * d * d for w, d in zip(windows, distances, strict=True))
    determinant = zeroth * second - first * first
    level, slope = lean * first / determinant, -lean * zeroth / determinant
    terms = zip(weights, windows, distances, strict=True)
    return whole_weights([weight + window * (level + slope * distance) for weight, window, distance in terms])


def main_lobe(distances: Sequence[float]) -> list[float]:
    """Weights of samples nearer than 1 by the windowed sinc's main lobe, none negative; whole 2^-23, adding up to 1."""
    return whole_weights([_sinc(d) * window_at(d) if -1.0 < d < 1.0 else 0.0 for d in distances])


def _sum(values: Iterable[float]) -> float:
    """The sum in order: Python's own `sum` compensates from version 3.12 on."""
    total = 0.0
    for value in values:
        total = total + value
    return total


def whole_weights(raw: Sequence[float]) -> list[float]:
    """Weights as whole multiples of 2^-23 that add up to 1 exactly; the largest takes what rounding leaves."""
    total = _sum(raw)
    steps = [math.floor(value / total * _WEIGHT_STEPS + 0.5) for value in raw]
    largest = max(range(len(steps)), key=lambda index: (steps[index], -index))
    steps[largest] += _WEIGHT_STEPS - sum(steps)
    return [count / _WEIGHT_STEPS for count in steps]


@functools.cache
def tap_table() -> Any:
    """float32 (1024, 8): six weights and two zeros for every phase."""
    table = np.zeros((PHASES, 8), np.float32)
    for phase in range(PHASES):
        table[phase, :6] = sinc_weights([tap - 2 - phase / PHASES for tap in range(6)])
    table.setflags(write=False)
    return table


@dataclass(frozen=True)
class Warp:
    """A projective map of output pixels to input pixels and the resampling along it.

    `matrix`, row by row, takes (x, y, 1) of an output pixel's centre to (x·w, y·w, w) of the input; pixel centres are
    whole numbers. Positions are rounded to 1/1024 px on a grid of nodes every 16 px, bilinear in integers between them.

    A value is the weighted sum over 6×6 samples, column by column and then along the row; each of the two sums stays
    between its two nearest samples, but for a crest or trough that shows on both sides, and the three colours give way
    together: constants stay exact, steps get no rings, fine texture keeps its height. Samples beyond the input's border
    are mirrored; positions more than half a pixel beyond it are uncovered.

    A `mesh` over the output picture adds its displacements to the matrix's positions.
    """

    version: ClassVar[int] = 1  # of the resampling: a part of every key that holds a warp

    matrix: tuple[float, ...]
    out_shape: Shape
    in_shape: Shape
    mesh: Mesh | None = None

    @classmethod
    def from_matrix(cls, matrix: Matrix, out_shape: Shape, in_shape: Shape, mesh: Mesh | None = None) -> Warp:
        """Raises ValueError for a map that is not finite or folds over within the output picture."""
        if mesh is not None and mesh.shape != out_shape:
            raise ValueError(f"a mesh over {mesh.shape} does not fit an output of {out_shape}")
        warp = cls(tuple(float(value) for row in matrix for value in row), out_shape, in_shape, mesh)
        if not all(math.isfinite(value) for value in warp.matrix):
            raise ValueError(f"a map of pixels must be finite, not {matrix}")
        if any(w <= 0.0 for _, _, w in warp._corners(warp._node_rectangle(out_shape.whole))):
            raise ValueError(f"this map folds over within {out_shape}: {matrix}")
        return warp

    def facts(self) -> list[Any]:
        """All that its pixels depend on besides their source, for keys."""
        return [self.version, *self.matrix, *([self.mesh.facts()] if self.mesh is not None else [])]

    @functools.cached_property
    def shift(self) -> tuple[int, int] | None:
        """(down, across) in 1/1024 px where the map is nothing but a shift."""
        a, b, across, c, d, down, e, f, g = self.matrix
        if self.mesh is not None or (a, b, c, d, e, f, g) != (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0):
            return None
        return round(down * PHASES), round(across * PHASES)

    @property
    def is_identity(self) -> bool:
        """True if every output pixel is the input pixel of the same place."""
        return self.shift == (0, 0) and self.out_shape == self.in_shape

    @functools.cached_property
    def leaves_input(self) -> bool:
        """True if some output pixels may lie outside the input: the result then carries coverage."""
        if self.shift is not None:
            down, across = self.shift
            return not (self._fits(down, self.out_shape.height, self.in_shape.height)
                        and self._fits(across, self.out_shape.width, self.in_shape.width))
        high, wide = self.out_shape.height - 1.0, self.out_shape.width - 1.0
        points = [self._at(x, y) for y in (0.0, high) for x in (0.0, wide)]
        reach = 0.5 - 4.0 / PHASES - self._play  # rounding and the grid move a position by less than this
        return any(not (-reach <= x / w <= self.in_shape.width - 1 + reach
                        and -reach <= y / w <= self.in_shape.height - 1 + reach) for x, y, w in points)

    @property
    def _play(self) -> float:
        return self.mesh.largest_px if self.mesh is not None else 0.0

    @staticmethod
    def _fits(shift: int, out_px: int, in_px: int) -> bool:
        half = PHASES // 2
        return shift >= -half and (out_px - 1) * PHASES + shift <= (in_px - 1) * PHASES + half

    def _at(self, x: float, y: float) -> tuple[float, float, float]:
        m = self.matrix
        return m[0] * x + m[1] * y + m[2], m[3] * x + m[4] * y + m[5], m[6] * x + m[7] * y + m[8]

    @staticmethod
    def _node_rectangle(wanted: Window) -> Window:
        """The grid nodes around `wanted`, as a window of the grid."""
        return Window.between(
            wanted.y // NODE_PX, wanted.x // NODE_PX,
            (wanted.y_end - 1) // NODE_PX + 2, (wanted.x_end - 1) // NODE_PX + 2,
        )

    def _corners(self, nodes: Window) -> list[tuple[float, float, float]]:
        rows, cols = (nodes.y, nodes.y_end - 1), (nodes.x, nodes.x_end - 1)
        return [self._at(float(col * NODE_PX), float(row * NODE_PX)) for row in rows for col in cols]

    def input_window(self, wanted: Window) -> Window:
        """The window of the input that `wanted` needs, cut to the input; one pixel where it lies outside altogether."""
        if self.shift is not None:
            down, across = (offset // PHASES for offset in self.shift)
            low_y, high_y = wanted.y + down, wanted.y_end - 1 + down
            low_x, high_x = wanted.x + across, wanted.x_end - 1 + across
        else:
            points = [(x / w, y / w) for x, y, w in self._corners(self._node_rectangle(wanted))]
            play = self._play + 1.0
            low_x, high_x = math.floor(min(x for x, _ in points) - play), math.ceil(max(x for x, _ in points) + play)
            low_y, high_y = math.floor(min(y for _, y in points) - play), math.ceil(max(y for _, y in points) + play)
        y, y_end = self._reached(low_y, high_y, self.in_shape.height)
        x, x_end = self._reached(low_x, high_x, self.in_shape.width)
        return Window.between(y, x, y_end, x_end)

    @staticmethod
    def _reached(low: int, high: int, size: int) -> tuple[int, int]:
        first = min(max(low - BELOW_PX, 0), size - 1)
        return first, min(max(high + ABOVE_PX + 1, first + 1), size)

    def planes(self, planes: tuple[str, ...], peaks: bool = False) -> tuple[str, ...]:
        """Names of the planes that `run` gives for a tile with `planes`."""
        given = tuple(name for name in planes if name != COVERAGE)
        added = PEAKS if peaks and not self.is_identity and not any(name in given for name in PEAKS) else ()
        return given + added + ((COVERAGE,) if COVERAGE in planes or self.leaves_input else ())

    def scratch_bytes(self, wanted: Window) -> int:
        """Bytes beside input and output: the grid's nodes, or the rows of a shift."""
        nodes = self._node_rectangle(wanted)
        return max(8 * nodes.pixels, 12 * (wanted.width + 32))

    def run(self, device: Any, tile: Tile, wanted: Window, *, peaks: bool = False) -> Tile:
        """The pixels of `wanted` from a tile that holds at least `input_window(wanted)`.

        Value planes are interpolated; planes `peak_…` take the largest sample that entered; `peaks` makes them from the
        colour planes where the tile has none. Coverage becomes Σkc, and values beside a ragged edge Σkcv/Σkc.
        An identity gives a view of the tile.
        """
        if self.is_identity:
            return tile.cut(wanted)
        out: Tile = device.tile(wanted, self.out_shape, self.planes(tile.planes, peaks))
        if hasattr(device, "drive"):
            (self._drive_rows if self.shift is None else self._drive_shift)(device, tile, out)
        else:
            self._launch(device, tile, out)
        return out

    def _jobs(self, device: Any, tile: Tile, out: Tile) -> list[Job]:
        """(what, source, result) of every plane, values first, the coverage last."""
        def plane(of: Tile, name: str) -> PlaneArgument:
            found: PlaneArgument = device.plane(of.plane(name), of.window, of.picture)
            return found

        jobs = []
        for name in out.planes:
            origin = name if name in tile.planes else name.removeprefix("peak_")
            what = _COVER if name == COVERAGE else _PEAK if name in PEAKS else _VALUE
            source = tile.planes[0] if what == _COVER and not tile.has_coverage else origin
            jobs.append((what, plane(tile, source), plane(out, name)))
        return sorted(jobs, key=lambda job: job[0])

    def _grid(self, device: Any, wanted: Window) -> tuple[Any, list[PlaneArgument]]:
        nodes = self._node_rectangle(wanted)
        whole = self._node_rectangle(self.out_shape.whole).shape
        array = device.empty((2, nodes.height, nodes.width), np.int32)
        planes = [device.plane(array[index], nodes, whole) for index in (0, 1)]
        rows, cols = (self.mesh.rows, self.mesh.cols) if self.mesh is not None else (0, 0)
        table, address = self._mesh_table(device)
        device.launch(
            GRID, [], planes, m=self.matrix, mesh=address, rows=rows, cols=cols, height=self.out_shape.height,
            width=self.out_shape.width,
        )
        return (array, table), planes

    def _mesh_table(self, device: Any) -> tuple[Any, int]:
        mesh = self.mesh
        values = np.zeros((1, 1), np.int32) if mesh is None else np.array([[*mesh.across, *mesh.down]], np.int32)
        table, shape = device.upload(values), Shape(*values.shape)
        plane = device.plane(table, shape.whole, shape)
        return table, plane.p

    def _taps(self, device: Any) -> tuple[Any, int]:
        table = device.upload(tap_table())
        plane = device.plane(table, Window(0, 0, PHASES, 8), Shape(PHASES, 8))
        return table, plane.p

    def _covering(self, device: Any, tile: Tile) -> PlaneArgument:
        if not tile.has_coverage:
            return _NOWHERE
        plane: PlaneArgument = device.plane(tile.plane(COVERAGE), tile.window, tile.picture)
        return plane

    def _drive_rows(self, device: Any, tile: Tile, out: Tile) -> None:
        jobs = self._jobs(device, tile, out)
        kept, (across, down) = self._grid(device, out.window)
        table, taps = self._taps(device)
        colour = [job for job in jobs if job[0] != _COVER]
        covered = jobs[-1][2] if out.has_coverage else _NOWHERE
        for start in range(0, max(len(colour), 1), 8):
            part = colour[start : start + 8]
            device.drive(
                ROWS, 0, out.window.height, source=[job[1] for job in part], result=[job[2] for job in part],
                values=sum(job[0] == _VALUE for job in part), peaks=sum(job[0] == _PEAK for job in part),
                coverage=self._covering(device, tile), covered=covered, across=across, down=down, taps=taps,
            )
        del kept, table

    def _drive_shift(self, device: Any, tile: Tile, out: Tile) -> None:
        assert self.shift is not None
        down, across = self.shift
        table, taps = self._taps(device)
        scratch = device.empty((1, 3 * (out.window.width + 32)))
        rows = device.plane(scratch, Window(0, 0, 1, scratch.shape[1]), Shape(1, scratch.shape[1]))
        for what, sources, results in _together(self._jobs(device, tile, out)):
            device.drive(
                SHIFT, 0, out.window.height, source=sources, result=results, planes=len(sources),
                coverage=self._covering(device, tile), across=across, down=down, taps=taps, scratch=rows.p, what=what,
            )
        del table

    def _launch(self, device: Any, tile: Tile, out: Tile) -> None:
        kept, (across, down) = self._grid(device, out.window)
        table, taps = self._taps(device)
        common = {"across": across, "down": down, "taps": taps, "leaves": int(out.has_coverage)}
        cover = self._covering(device, tile)
        for what, sources, results in _together(self._jobs(device, tile, out)):
            if len(sources) == 3:
                device.launch(COLOURS, [], results, source=sources, coverage=cover, **common)
            else:
                device.launch(PLANE, [], results, source=sources[0], coverage=cover, what=what, **common)
        del kept, table


def _together(jobs: Sequence[Job]) -> list[tuple[int, list[PlaneArgument], list[PlaneArgument]]]:
    """The first three value planes, the colours, as one job; every other plane by itself."""
    trio = 3 if sum(what == _VALUE for what, _, _ in jobs) >= 3 else 0
    colours = [(_VALUE, [job[1] for job in jobs[:trio]], [job[2] for job in jobs[:trio]])] if trio else []
    return colours + [(what, [source], [result]) for what, source, result in jobs[trio:]]
