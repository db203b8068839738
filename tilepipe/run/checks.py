"""Checks of the blend and of the finished picture, on means of cells: for the receipt, and for who looks at the picture."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.lookout import LARGEST_CELL_PX, Place, cell_px, halo, worst
from tilepipe.measure.motion_groups import AVERAGE
from tilepipe.measure.motion_members import FULL
from tilepipe.plan.job import Job
from tilepipe.plan.passes import FRAMES, PixelPass
from tilepipe.run.evaluate import frame_tiles, read_tile
from tilepipe.stages.blend import Blend
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.settle import SettleMaps
from tilepipe.stages.shares import UNITS, cell_sums, half_lightness, light_stops, radiance_shares

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

LOOK_TILE_PX = 1024
STRIP_PX = LARGEST_CELL_PX  # rows looked at in one go
WORST = 20
NOISY_STOPS = 1.0  # beside the base frame's noise: what is told as a place to look at
HALO_LIGHTNESS = 0.5

Map = npt.NDArray[np.float64]


@dataclass
class CellMaps:
    """Exact sums of planes over the cells of a picture, put together from tiles in any order."""

    shape: Shape
    names: tuple[str, ...]
    cell: int = 0
    sums: npt.NDArray[np.int64] = field(init=False)
    seen: npt.NDArray[np.bool_] = field(init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.cell = self.cell or cell_px(self.shape)
        rows, columns = -(-self.shape.height // self.cell), -(-self.shape.width // self.cell)
        self.sums = np.zeros((len(self.names), rows, columns), np.int64)
        self.seen = np.zeros((rows, columns), np.bool_)

    def add(self, device: Any, tile: Tile) -> None:
        """A tile whose corner lies on a cell's."""
        found = cell_sums(device, tile, self.cell)
        row, column = tile.window.y // self.cell, tile.window.x // self.cell
        place = (slice(row, row + found.shape[1]), slice(column, column + found.shape[2]))
        with self._lock:
            self.sums[:, *place] = found
            self.seen[place] = True

    def means(self, name: str) -> Map:
        """A plane's mean over each cell; NaN where nothing was seen."""
        found = self.sums[self.names.index(name)] / (self.pixels * UNITS)
        return np.where(self.seen, found, np.nan)

    def mean(self, name: str) -> float:
        """A plane's mean over all that was seen."""
        pixels = int(np.sum(self.seen * self.pixels))
        return float(self.sums[self.names.index(name)].sum()) / (max(pixels, 1) * UNITS)

    @property
    def pixels(self) -> npt.NDArray[np.int64]:
        """How many pixels each cell has."""
        heights = np.diff(np.minimum(np.arange(self.sums.shape[1] + 1) * self.cell, self.shape.height))
        widths = np.diff(np.minimum(np.arange(self.sums.shape[2] + 1) * self.cell, self.shape.width))
        found: npt.NDArray[np.int64] = heights[:, None] * widths[None, :]
        return found


class BlendLook:
    """What the frames gave to the blend: shares, noise and clipping, looked at while the blend's tiles are made."""

    def __init__(self, shape: Shape, frames: int, stage: Any) -> None:
        self.weighed = isinstance(stage, Blend) and stage.method == "radiance"
        self._merge = RadianceMerge(stage.full_below, stage.none_above) if isinstance(stage, Blend) else RadianceMerge()
        self.maps = CellMaps(shape, (*(f"share_{index}" for index in range(frames)), "noise", "clipped"))

    @classmethod
    def of(cls, run: Execution, step: PixelPass) -> BlendLook | None:
        """The look at a pass that joins several frames of a recipe; None at any other."""
        if step.source != FRAMES or step.part == "down" or not run.job.identified or len(run.feeds) < 2:
            return None
        assert step.head is not None
        return cls(step.shape, len(run.feeds), step.head.stage)

    def __call__(self, device: Any, tiles: Sequence[Tile], wanted: Window, facts: Mapping[str, Any]) -> None:
        strip_px = STRIP_PX if device.kind == "cpu" else wanted.height  # a whole tile's planes would cost its memory again
        for part in Grid(wanted.shape, strip_px, wanted.width):
            strip = Window(wanted.y + part.y, wanted.x, part.height, wanted.width)
            self.maps.add(device, radiance_shares(self._merge, device, tiles, strip, facts))

    def finish(self, run: Execution, step: PixelPass) -> dict[str, Any]:
        """The summary; what an earlier run made is recalled, or looked at now."""
        key = run.keys[step.output]
        known: dict[str, Any] | None = run.workspace.recall("blend-checks", key)
        if known is None:
            self._look_at_the_rest(run, step)
            known = self.summary([frame["name"] for frame in run.facts["frames"]], run.maps)
            run.workspace.remember("blend-checks", key, known)
        return known

    def _look_at_the_rest(self, run: Execution, step: PixelPass) -> None:
        cell, grid = self.maps.cell, step.grid
        missing = [index for index in range(len(grid)) if not self.maps.seen[grid[index].y // cell, grid[index].x // cell]]

        def work(index: int) -> None:
            tiles = frame_tiles(run.device, run.feeds, grid[index], step.shape, run.facts, run.maps)
            self(run.device, tiles, grid[index], run.facts)

        if missing:
            run.engine.run_bag("look-blend", missing, work)

    def summary(self, names: Sequence[str], settled: SettleMaps | None = None) -> dict[str, Any]:
        """For the receipt; `names` of the frames, dark → bright. Places are pixels of the base frame.

        Where frames are settled, what they show is the chosen one's: it has the share of them all.
        """
        maps = self.maps
        told: dict[str, Any] = {
            "cell_px": maps.cell, "clipped_share": round(maps.mean("clipped"), 6),
            "clipped_at": _places(worst(maps.means("clipped"), WORST), maps.cell),
        }
        if self.weighed:
            noise = maps.means("noise")
            told["shares"] = dict(zip(names, self._shares(len(names), settled), strict=True))
            told["noise_stops"] = {
                "median": _round(np.nanmedian(noise)), "highest_of_99_percent": _round(np.nanpercentile(noise, 99)),
                "at": _places(worst(np.where(noise > NOISY_STOPS, noise, 0.0), WORST), maps.cell),
            }
        return told


    def _shares(self, frames: int, settled: SettleMaps | None) -> list[float]:
        """Each frame's part of all that was seen."""
        maps = self.maps
        shares = np.stack([maps.means(f"share_{index}") for index in range(frames)])
        if settled is not None:
            members = _members(settled, maps)
            shares = shares * (1.0 - members.sum(axis=0))
            for choice, member in zip(settled.choices, members, strict=True):
                for index in range(frames) if choice == AVERAGE else (choice,):
                    shares[index] += member / (frames if choice == AVERAGE else 1)
        pixels = maps.seen * maps.pixels
        return [round(float(np.sum(np.nan_to_num(share) * pixels) / max(int(pixels.sum()), 1)), 6) for share in shares]


def _members(settled: SettleMaps, maps: CellMaps) -> Map:
    """How far each choice holds in every cell of the maps, `(choice, row, column)` of 0..1."""
    step = maps.cell // settled.cell_px
    weights = settled.weights.astype(np.float64) / FULL
    rows, columns = (size * step for size in maps.seen.shape)
    padding = ((0, 0), (0, max(rows - weights.shape[1], 0)), (0, max(columns - weights.shape[2], 0)))
    padded = np.pad(weights, padding, mode="edge")[:, :rows, :columns]
    found: Map = padded.reshape(len(weights), rows // step, step, columns // step, step).mean(axis=(2, 4))
    return found


def _round(value: Any) -> float:
    return round(float(value), 4)


def _places(found: Sequence[Place], cell: int) -> list[dict[str, Any]]:
    return [{"x": place.column * cell, "y": place.row * cell, "value": _round(place.value)} for place in found]


def halo_check(run: Execution) -> dict[str, Any]:
    """Pale and dark lines beside strong edges of the finished picture: the largest, and where; places are its pixels."""
    light = _light(run)
    lightness = _looked(run, run.plan.result, "half_lightness")
    found = halo(_carried(run, light, lightness), 2.0 * lightness.means("half_lightness"))
    places = worst(np.where(found > HALO_LIGHTNESS, found, 0.0), WORST)
    looked_at = np.isfinite(found)
    return {
        "cell_px": lightness.cell, "edges": int(looked_at.sum()),
        "largest": _round(np.max(found[looked_at])) if looked_at.any() else None,
        "within_half": _round(np.mean(found[looked_at] <= HALO_LIGHTNESS)) if looked_at.any() else None,
        "at": _places(places, lightness.cell),
    }


def group_check(run: Execution) -> dict[str, Any] | None:
    """Where groups of what moved were left merged: cells that disagree and that no frame was chosen for; None without groups.

    There two moments may show at once. Places are pixels of the base frame, the value is the part of the cells around
    (five by five) that was left so.
    """
    motion = run.facts.get("motion")
    if not motion or not motion["groups"]:
        return None
    labels = np.asarray(run.facts["maps"]["moved"]["array"])
    taken = np.zeros(labels.shape, np.int64) if run.maps is None else run.maps.weights.astype(np.int64).sum(axis=0)
    left = (labels > 0) & (taken[: labels.shape[0], : labels.shape[1]] == 0)
    around = np.pad(left.astype(np.int64), 2)
    share = sum(around[y : y + left.shape[0], x : x + left.shape[1]] for y in range(5) for x in range(5)) / 25.0
    cell = int(motion["cell_px"])
    return {
        "cell_px": cell, "groups": len(motion["groups"]), "merged_cells": int(left.sum()),
        "merged_share": _round(left.sum() / max(int((labels > 0).sum()), 1)),
        "at": _places(worst(np.where(left, share, 0.0), WORST), cell),
    }


def from_base(job: Job) -> exact.Matrix:
    """Where the base frame's pixels, (x, y, 1), come to lie in the finished picture."""
    matrix: exact.Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    shape = job.shape
    for step in job.finishing:
        to_output = getattr(step.stage, "to_output", None)
        if to_output is not None:
            matrix = exact.matrix_multiply(to_output(shape), matrix)
        shape = step.stage.output_shape(shape)
    return matrix


def _light(run: Execution) -> CellMaps:
    """Of the blend's picture, which is the finished one where nothing follows the blend."""
    return _looked(run, "blended" if "blended" in run.pictures else run.plan.result, "stops")


def _looked(run: Execution, name: str, what: str) -> CellMaps:
    """One plane's cell means of a stored picture, read once in tiles."""
    picture = run.pictures[name]
    maps = CellMaps(picture.shape, (what,))
    grid = Grid(picture.shape, LOOK_TILE_PX, LOOK_TILE_PX)
    make = light_stops if what == "stops" else half_lightness

    def work(index: int) -> None:
        maps.add(run.device, make(run.device, read_tile(run.device, picture, grid[index])))

    run.engine.run_bag(f"look-{what}", range(len(grid)), work)
    return maps


def _carried(run: Execution, light: CellMaps, to: CellMaps) -> Map:
    """The light of the base frame at the cells of the finished picture."""
    back = exact.matrix_inverse(from_base(run.job))
    rows, columns = np.meshgrid(*(np.arange(count) for count in to.seen.shape), indexing="ij")
    x, y = (columns + 0.5) * to.cell, (rows + 0.5) * to.cell
    across = back[2][0] * x + back[2][1] * y + back[2][2]
    column = np.floor((back[0][0] * x + back[0][1] * y + back[0][2]) / across / light.cell).astype(np.int64)
    row = np.floor((back[1][0] * x + back[1][1] * y + back[1][2]) / across / light.cell).astype(np.int64)
    means = light.means("stops")
    inside = (row >= 0) & (row < means.shape[0]) & (column >= 0) & (column < means.shape[1])
    found: Map = np.where(inside, means[np.clip(row, 0, means.shape[0] - 1), np.clip(column, 0, means.shape[1] - 1)], math.nan)
    return found
