"""Light that fades during a bracket: how much brighter or darker a frame is from place to place, as a smooth grid."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape
from tilepipe.measure.fit import apply
from tilepipe.measure.surface import Lattice, Sample, Stiffness, costs_of, costs_unseen, fit_surface

CELLS = Kernel(
    "fade_cells", 0, 1, source="uint16", result="int64", form="tally", header="fade.h",
    params="Plane level[2]; Plane state[2]; const int* moves; int cells; const int* codes; int flat; "
    "const int64_t* light; int low; int high; int least; int most; int middle; int width;",
    example={"low": -20, "high": 20, "least": -20, "most": 40, "middle": 1, "width": 4, "flat": 0},
)
GAIN = Kernel("fade_gain", 3, 3, params="const int* nodes; int rows, cols, height, width;", header="fade.h")

CELL_BOXES = 64
SUMS = 5
REACH = 32  # codes (1/32 EV) about the pair's ratio within which boxes count: one stop
LEAST_BOXES = 40  # in a cell
ALIKE = 32.0  # neighbouring boxes that err together: chosen here
ERROR_STOPS = 0.01  # what a cell's ratio misses beside the spread of its boxes: chosen here
STIFFNESS = Stiffness(1.0, 0.1, 0.02)  # EV: chosen here; light that fades changes slowly from place to place
LEAST_CELLS = 24
LEFT = 0.5  # of the cost of cells that were left out, what a fade may leave of it: chosen here
LEAST_STOPS = 0.05  # a fade that differs by less over the picture is left alone
PARTS = 1024
PEAKS = ("peak_red", "peak_green", "peak_blue")


@dataclass(frozen=True)
class Fade:
    """How many 1/1024 EV brighter than its `light` says a frame is, on nodes over the base frame's picture."""

    version: ClassVar[int] = 1

    rows: int
    cols: int
    shape: Shape
    parts: tuple[int, ...]

    def stops(self, x: float, y: float) -> float:
        """EV at a pixel of the base frame."""
        return Lattice(self.rows, self.cols, self.shape.height, self.shape.width).value(self.parts, x, y) / PARTS

    def facts(self) -> dict[str, Any]:
        return {"version": self.version, "rows": self.rows, "cols": self.cols, "stops_1024": list(self.parts)}

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any] | None, shape: Shape) -> Fade | None:
        return None if facts is None else cls(facts["rows"], facts["cols"], shape, tuple(facts["stops_1024"]))

    def planes(self, planes: tuple[str, ...]) -> tuple[str, ...]:
        """Names of the planes that `run` gives: with peaks, so that clipping is judged by what the sensor saw."""
        if any(name in planes for name in PEAKS):
            return planes
        given = tuple(name for name in planes if name != COVERAGE)
        return given + PEAKS + ((COVERAGE,) if COVERAGE in planes else ())

    def run(self, device: Any, tile: Tile) -> Tile:
        """The tile with its colours brought to the frame's `light`; peaks stay (or become) what was seen."""
        out: Tile = device.tile(tile.window, tile.picture, self.planes(tile.planes))
        for name in out.planes:
            out.array[out.planes.index(name)] = tile.plane(name if name in tile.planes else name.removeprefix("peak_"))
        values = np.array([self.parts], np.int32)
        table, shape = device.upload(values), Shape(*values.shape)
        nodes = device.plane(table, shape.whole, shape)
        colour = device.planes(out)[: len(COLOUR)]
        device.launch(
            GAIN, colour, colour, nodes=nodes.p, rows=self.rows, cols=self.cols, height=self.shape.height,
            width=self.shape.width,
        )
        return out


def cell_samples(
    sums: npt.NDArray[np.int64], factor: int, stops: float, to_base: Matrix
) -> list[Sample]:
    """What each cell's light ratio leaves beside the pair's `stops`, at pixels of the base frame.

    `sums`: int64 `(rows, cols, 5)` of `fade_cells`.
    """
    found = []
    for (row, col), count in np.ndenumerate(sums[..., 0]):
        boxes, dark, bright, first, second = (int(value) for value in sums[row, col])
        if count < LEAST_BOXES or dark <= 0 or bright <= 0:
            continue
        spread = max(boxes * second - first * first, 0) / (boxes * boxes * 1024.0)  # EV²
        variance = ERROR_STOPS * ERROR_STOPS + spread * ALIKE / boxes
        x, y = ((at + 0.5) * CELL_BOXES * factor - 0.5 for at in (col, row))
        found.append(Sample(*apply(to_base, x, y), exact.log2(bright / dark) - stops, 1.0 / variance))
    return found


def fit_fade(shape: Shape, samples: Sequence[Sample]) -> list[float] | None:
    """EV on the nodes of `Lattice.over(shape)`; None where cells that were left out do not ask for it.

    Places whose light changed by itself (cloud, water) lie far from what their surroundings say and are not heard.
    """
    if len(samples) < LEAST_CELLS:
        return None
    lattice = Lattice.over(shape)
    nodes = fit_surface(lattice, samples, STIFFNESS)
    if max(nodes) - min(nodes) < LEAST_STOPS:
        return None
    found = costs_of(lattice, samples, nodes)
    if found.after > LEFT * found.before:
        return None
    unseen = costs_unseen(lattice, samples, STIFFNESS)
    return nodes if unseen.after <= LEFT * unseen.before else None


def chained_fades(
    shape: Shape, order: Sequence[int], base: int, steps: Mapping[tuple[int, int], list[float] | None]
) -> list[Fade | None]:
    """Each frame's fade beside the base: the sum of the steps between neighbours in exposure; None where there is none."""
    lattice = Lattice.over(shape)
    nothing = [0.0] * (lattice.rows * lattice.cols)
    height = {order[0]: nothing}
    for dark, bright in itertools.pairwise(order):
        step = steps.get((dark, bright)) or nothing
        height[bright] = [low + add for low, add in zip(height[dark], step, strict=True)]
    fades: list[Fade | None] = []
    for index in range(len(order)):
        parts = tuple(round((one - at) * PARTS) for one, at in zip(height[index], height[base], strict=True))
        fades.append(Fade(lattice.rows, lattice.cols, shape, parts) if any(parts) else None)
    return fades


