"""Smooth surfaces over a picture: values on a coarse grid, bilinear between its nodes, fitted to scattered measurements."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tilepipe.geometry import Shape

CELLS = 8  # along the longer side
LEAST_CELLS = 2
CUT = 3.0  # Tukey's, in standard deviations
AGREES = 3.0
# Added spread per round, in parts of a priori steps between nodes: first the surface is led by all, stiffly; then by what
# agrees, ever more closely (graduated non-convexity: Blake & Zisserman, Visual Reconstruction, 1987).
SPREADS = (1.0, 0.7, 0.5, 0.4, 0.3, 0.3, 0.2, 0.2, 0.15, 0.15, 0.1, 0.1, 0.05, 0.0, 0.0)


@dataclass(frozen=True)
class Sample:
    """One measurement: `value` at pixel (x, y), known to `weight` (inverse variance), heard with `voice` (0..1)."""

    x: float
    y: float
    value: float
    weight: float
    voice: float = 1.0


@dataclass(frozen=True)
class Stiffness:
    """A priori spread of values, of steps between neighbouring nodes, and of changes of such steps."""

    value: float
    step: float
    bend: float


@dataclass(frozen=True)
class Lattice:
    """The grid: `rows` × `cols` nodes, the outer ones on the picture's outer pixels."""

    rows: int
    cols: int
    height: int
    width: int

    @classmethod
    def over(cls, shape: Shape) -> Lattice:
        """About square cells, `CELLS` along the longer side."""
        cell = max(shape.height, shape.width) / CELLS
        rows, cols = (max(round(size / cell), LEAST_CELLS) + 1 for size in (shape.height, shape.width))
        return cls(rows, cols, shape.height, shape.width)

    def place(self, row: int, col: int) -> tuple[float, float]:
        """(x, y) of a node in pixels."""
        return col * (self.width - 1) / (self.cols - 1), row * (self.height - 1) / (self.rows - 1)

    def corners(self, x: float, y: float) -> list[tuple[int, float]]:
        """The four nodes around a pixel (held at the picture's border) and their bilinear shares."""
        u = min(max(x * (self.cols - 1) / max(self.width - 1, 1), 0.0), float(self.cols - 1))
        v = min(max(y * (self.rows - 1) / max(self.height - 1, 1), 0.0), float(self.rows - 1))
        col, row = min(int(u), self.cols - 2), min(int(v), self.rows - 2)
        fx, fy = u - col, v - row
        at = row * self.cols + col
        return [
            (at, (1.0 - fx) * (1.0 - fy)), (at + 1, fx * (1.0 - fy)), (at + self.cols, (1.0 - fx) * fy),
            (at + self.cols + 1, fx * fy),
        ]

    def value(self, nodes: Sequence[float], x: float, y: float) -> float:
        (a, p), (b, q), (c, r), (d, s) = self.corners(x, y)
        return nodes[a] * p + nodes[b] * q + nodes[c] * r + nodes[d] * s

    def smoothness(self, stiffness: Stiffness) -> Iterator[tuple[list[tuple[int, float]], float]]:
        """Linear forms that should be small, each with the inverse variance by which it is."""
        size, step, bend = (1.0 / (spread * spread) for spread in (stiffness.value, stiffness.step, stiffness.bend))
        for row in range(self.rows):
            for col in range(self.cols):
                at = row * self.cols + col
                yield [(at, 1.0)], size
                for beside, room, before in ((1, col + 1 < self.cols, col > 0), (self.cols, row + 1 < self.rows, row > 0)):
                    if room:
                        yield [(at, -1.0), (at + beside, 1.0)], step
                    if room and before:
                        yield [(at - beside, 1.0), (at, -2.0), (at + beside, 1.0)], bend
                if col + 1 < self.cols and row + 1 < self.rows:
                    below = at + self.cols
                    yield [(at, 1.0), (at + 1, -1.0), (below, -1.0), (below + 1, 1.0)], 2.0 * bend


def fit_surface(lattice: Lattice, samples: Sequence[Sample], stiffness: Stiffness) -> list[float]:
    """Node values by reweighted least squares from 0, in plain float64 of fixed order.

    A sample counts by Tukey's weight of its distance from the surface of the round before: what lies far from all that
    is known of its surroundings says nothing, and what agrees with them carries the surface on.
    """
    nodes = [0.0] * (lattice.rows * lattice.cols)
    shares = [lattice.corners(sample.x, sample.y) for sample in samples]
    smooth = list(lattice.smoothness(stiffness))
    for part in SPREADS:
        spread = part * stiffness.step
        band = [[0.0] * (2 * lattice.cols + 1) for _ in nodes]
        right = [0.0] * len(nodes)
        for form, weight in smooth:
            _add(band, form, weight)
        for sample, share in zip(samples, shares, strict=True):
            loose = sample.weight / (1.0 + sample.weight * spread * spread)
            weight = loose * sample.voice * _tukey(distance(sample, share, nodes, loose) / CUT)
            if weight > 0.0:
                _add(band, share, weight)
                for at, own in share:
                    right[at] += weight * own * sample.value
        nodes = solve_band(band, right)
    return nodes


def distance(sample: Sample, share: Sequence[tuple[int, float]], nodes: Sequence[float], weight: float) -> float:
    """How far a sample lies from the surface, in standard deviations by `weight`."""
    surface = 0.0
    for at, part in share:
        surface += nodes[at] * part
    return math.sqrt(weight) * abs(sample.value - surface)


@dataclass(frozen=True)
class Costs:
    """What samples cost without a surface and under it: squared distances of at most `AGREES`², times their voices.

    `before`, `after`: over the samples that agree with either; `kept`: under it, over those that agree without it;
    `due`: these without it.
    """

    before: float = 0.0
    after: float = 0.0
    due: float = 0.0
    kept: float = 0.0

    def __add__(self, other: Costs) -> Costs:
        return Costs(
            self.before + other.before, self.after + other.after, self.due + other.due, self.kept + other.kept
        )


def costs_of(lattice: Lattice, samples: Sequence[Sample], nodes: Sequence[float]) -> Costs:
    """The costs of samples beside a surface."""
    before = after = due = kept = 0.0
    flat = [0.0] * len(nodes)
    for sample in samples:
        share = lattice.corners(sample.x, sample.y)
        one, other = (distance(sample, share, each, sample.weight) for each in (flat, nodes))
        small, large = (sample.voice * min(each * each, AGREES * AGREES) for each in (other, one))
        if min(one, other) < AGREES:
            before, after = before + large, after + small
        if one < AGREES:
            due, kept = due + large, kept + small
    return Costs(before, after, due, kept)


def costs_unseen(lattice: Lattice, samples: Sequence[Sample], stiffness: Stiffness, folds: int = 4) -> Costs:
    """The costs of samples beside surfaces that were fitted without them.

    The k-th of every `folds` samples is left out in turn (Stone, JRSS B 36(2), 1974).
    """
    total = Costs()
    for fold in range(folds):
        nodes = fit_surface(lattice, [s for i, s in enumerate(samples) if i % folds != fold], stiffness)
        total = total + costs_of(lattice, samples[fold::folds], nodes)
    return total


def _tukey(part: float) -> float:
    return (1.0 - part * part) * (1.0 - part * part) if part < 1.0 else 0.0


def _add(band: list[list[float]], form: Sequence[tuple[int, float]], weight: float) -> None:
    """Adds weight·form·formᵀ to the lower band: `band[i][i − j]` holds row i, column j."""
    for i, a in form:
        for j, b in form:
            if j <= i:
                band[i][i - j] += weight * a * b


def solve_band(band: list[list[float]], right: Sequence[float]) -> list[float]:
    """A positive definite banded system by Cholesky's factors; `band` as `_add` fills it, overwritten."""
    size, width = len(right), len(band[0]) - 1
    for i in range(size):
        row = band[i]
        for j in range(max(i - width, 0), i):
            total, other = row[i - j], band[j]
            for k in range(max(i - width, j - width, 0), j):
                total -= row[i - k] * other[j - k]
            row[i - j] = total / other[0]
        total = row[0]
        for k in range(max(i - width, 0), i):
            total -= row[i - k] * row[i - k]
        row[0] = math.sqrt(total)
    found = list(right)
    for i in range(size):
        for k in range(max(i - width, 0), i):
            found[i] -= band[i][i - k] * found[k]
        found[i] = found[i] / band[i][0]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, min(i + width + 1, size)):
            found[i] -= band[k][k - i] * found[k]
        found[i] = found[i] / band[i][0]
    return found
