"""Local alignment: a smooth displacement grid beside a frame's matrix, from blocks that stand still."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device.exact import Matrix
from tilepipe.geometry import Shape
from tilepipe.measure.fit import SIXTY_FOURTHS, Block, apply
from tilepipe.measure.surface import Costs, Lattice, Sample, Stiffness, costs_of, costs_unseen, fit_surface

LEAST_BLOCKS = 40
LEFT = 0.6  # of the cost of blocks that were left out, what a mesh may leave of it: chosen here
KEPT = 1.05  # by which those that agreed with the matrix alone may cost more
LEAST_GAIN = 25.0  # by which the cost must fall besides
LEAST_MOVE_PX = 0.1
STIFFNESS = Stiffness(4.0, 1.0, 0.3)  # px: chosen here; lens breathing and small parallax bend this little over a cell


@dataclass(frozen=True)
class Mesh:
    """Displacements in 1/64 px that are added to a matrix's positions; `across` (x) and `down` (y) row by row.

    Nodes stand on a grid of `rows` × `cols` over the picture of `shape`, the outer ones on its outer pixels; between
    them displacements are bilinear, beyond the picture those of its border.
    """

    rows: int
    cols: int
    shape: Shape
    across: tuple[int, ...]
    down: tuple[int, ...]

    @property
    def lattice(self) -> Lattice:
        return Lattice(self.rows, self.cols, self.shape.height, self.shape.width)

    @property
    def largest_px(self) -> float:
        """The largest displacement along one axis."""
        return max(abs(value) for value in (*self.across, *self.down)) / SIXTY_FOURTHS

    def at(self, x: float, y: float) -> tuple[float, float]:
        """(across, down) in pixels at a pixel of the base frame."""
        lattice = self.lattice
        return lattice.value(self.across, x, y) / SIXTY_FOURTHS, lattice.value(self.down, x, y) / SIXTY_FOURTHS

    def facts(self) -> dict[str, Any]:
        return {"rows": self.rows, "cols": self.cols, "across_64": list(self.across), "down_64": list(self.down)}

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any] | None, shape: Shape) -> Mesh | None:
        if facts is None:
            return None
        return cls(facts["rows"], facts["cols"], shape, tuple(facts["across_64"]), tuple(facts["down_64"]))


def measure_mesh(blocks: Sequence[Block], matrix: Matrix, shape: Shape) -> Mesh | None:
    """What `matrix` leaves of the blocks' displacements, as a mesh; None where none is needed or can be known.

    Needed: blocks that were left out of the fit must agree with it clearly better than with the matrix alone, and those
    that agree with the matrix must not be lost: drifting cloud is as smooth as a lens.
    """
    if len(blocks) < LEAST_BLOCKS:
        return None
    lattice = Lattice.over(shape)
    axes = [_samples(blocks, matrix, axis) for axis in (0, 1)]
    found = [fit_surface(lattice, samples, STIFFNESS) for samples in axes]
    if not _worth_it([costs_of(lattice, samples, nodes) for samples, nodes in zip(axes, found, strict=True)]):
        return None  # no surface does better on blocks that it has not seen
    if not _worth_it([costs_unseen(lattice, samples, STIFFNESS) for samples in axes]):
        return None
    across, down = (tuple(round(value * SIXTY_FOURTHS) for value in nodes) for nodes in found)
    mesh = Mesh(lattice.rows, lattice.cols, shape, across, down)
    return mesh if max(max(map(abs, mesh.at(each.x, each.y))) for each in blocks) >= LEAST_MOVE_PX else None


def _worth_it(axes: Sequence[Costs]) -> bool:
    costs = axes[0] + axes[1]
    gained = costs.before - costs.after >= LEAST_GAIN and costs.after <= LEFT * costs.before
    return gained and costs.kept <= KEPT * costs.due


def _samples(blocks: Sequence[Block], matrix: Matrix, axis: int) -> list[Sample]:
    """What is left along one axis; an edge, which fixes one direction only, counts by what it knows without the other."""
    found = []
    for block in blocks:
        to_x, to_y = apply(matrix, block.x, block.y)
        left = (block.x + block.dx - to_x, block.y + block.dy - to_y)[axis]
        xx, xy, yy = block.information
        own, other = (xx, yy) if axis == 0 else (yy, xx)
        weight = own - xy * xy / other if other > 0.0 else own
        found.append(Sample(block.x, block.y, left, max(weight, 0.0), block.texture))
    return found


def chained_mesh(shape: Shape, steps: Sequence[tuple[Matrix, Mesh | None]], whole: Matrix) -> Mesh | None:
    """The mesh beside the matrix `whole` of several steps, the one that leaves the base first; None without any mesh."""
    if all(mesh is None for _, mesh in steps):
        return None
    lattice = Lattice.over(shape)
    across, down = [], []
    for row in range(lattice.rows):
        for col in range(lattice.cols):
            x, y = lattice.place(row, col)
            to_x, to_y = apply(whole, x, y)
            for step in steps:
                x, y = moved(step, x, y)
            across.append(round((x - to_x) * SIXTY_FOURTHS))
            down.append(round((y - to_y) * SIXTY_FOURTHS))
    return Mesh(lattice.rows, lattice.cols, shape, tuple(across), tuple(down))


def moved(step: tuple[Matrix, Mesh | None], x: float, y: float) -> tuple[float, float]:
    """A point through a matrix and its mesh."""
    matrix, mesh = step
    to_x, to_y = apply(matrix, x, y)
    if mesh is None:
        return to_x, to_y
    add_x, add_y = mesh.at(x, y)
    return to_x + add_x, to_y + add_y
