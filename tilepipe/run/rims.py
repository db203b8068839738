"""The light across rims of what moved: how much the chosen frame differs from the merge where one fades into the other."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tilepipe.geometry import Shape, Window
from tilepipe.measure.motion_members import FULL
from tilepipe.plan.passes import FRAMES, PixelPass
from tilepipe.stages.settle import SettleMaps, settle, settle_window
from tilepipe.stages.shares import UNITS, cell_sums, light_stops

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

MOST_CELLS = 160  # looked at, spread evenly over all rims; chosen here: a second of a core
AROUND_CELLS = 3  # of a mean: wide enough that a twig or a ripple does not count
WORST = 20
STEEP = FULL // 4  # memberships of neighbouring cells that differ by so much make a rim
VERSION = 2


def rim_check(run: Execution) -> dict[str, Any] | None:
    """For the receipt: differences in stops at places of rims, the largest with their places; None where there is no rim.

    At each place both sides are made, the merge of all frames and the chosen frame alone, and their mean light compared.
    A part of it is what really changed between the two moments. Places are pixels of the base frame.
    """
    step = next((each for each in run.plan.passes if isinstance(each, PixelPass) and each.source == FRAMES), None)
    if run.maps is None or step is None or step.part != "whole":
        return None
    cells = _rim_cells(run.maps)
    if not cells:
        return None
    known: dict[str, Any] | None = run.workspace.recall("rims", f"{run.keys[step.output]}-{VERSION}")
    if known is not None:
        return known
    chosen = {choice: _everywhere(run.maps, choice) for choice in {choice for _, _, choice in cells}}

    def work(index: int) -> float:
        row, column, choice = cells[index]
        window = _around(row, column, run.maps.cell_px if run.maps else 1, step.shape)
        return _across(run, step, window, chosen[choice])

    found = run.engine.run_bag("rims", range(len(cells)), work)
    told = _told(cells, found, run.maps.cell_px)
    run.workspace.remember("rims", f"{run.keys[step.output]}-{VERSION}", told)
    return told


def _rim_cells(maps: SettleMaps) -> list[tuple[int, int, int]]:
    """(row, column, choice) of cells on rims, evenly taken from all of them."""
    total = maps.weights.astype(np.int64).sum(axis=0)
    steep = ndimage.maximum_filter(total, 3) - ndimage.minimum_filter(total, 3) >= STEEP
    places = np.argwhere(steep & (total > 0))
    step = max(-(-len(places) // MOST_CELLS), 1)
    return [(int(y), int(x), int(np.argmax(maps.weights[:, y, x]))) for y, x in places[::step]]


def _everywhere(maps: SettleMaps, choice: int) -> SettleMaps:
    weights = np.full((1, *maps.weights.shape[1:]), FULL, np.uint8)
    return dataclasses.replace(maps, choices=(maps.choices[choice],), weights=weights, alone=None)


def _around(row: int, column: int, cell_px: int, shape: Shape) -> Window:
    reach = AROUND_CELLS // 2 * cell_px
    return Window(row * cell_px, column * cell_px, cell_px, cell_px).padded(reach).cut(shape)


def _across(run: Execution, step: PixelPass, window: Window, chosen: SettleMaps) -> float:
    """The mean log2 luminance of a window as the chosen frame shows it, less that of the merge; frames are read once."""
    assert step.head is not None
    blend: Any = step.head.stage
    needed = settle_window(chosen, window, step.shape)
    tiles = [feed.tile(run.device, needed) for feed in run.feeds]
    sides = []
    for maps in (chosen, None):
        settled = settle(run.device, tiles, window, run.facts, maps)
        light = light_stops(run.device, blend.run(run.device, *settled, wanted=window, facts=run.facts))
        sides.append(int(cell_sums(run.device, light, max(window.height, window.width)).sum()))
    return (sides[0] - sides[1]) / (window.pixels * UNITS)


def _told(cells: list[tuple[int, int, int]], found: list[float], cell_px: int) -> dict[str, Any]:
    sizes = sorted(abs(value) for value in found)
    order = sorted(range(len(found)), key=lambda index: (-abs(found[index]), cells[index][:2]))[:WORST]
    at = [{"x": cells[index][1] * cell_px, "y": cells[index][0] * cell_px, "value": round(found[index], 4)} for index in order]
    return {
        "cell_px": cell_px, "places": len(found), "median_stops": round(sizes[len(sizes) // 2], 4),
        "largest_stops": round(sizes[-1], 4), "at": at,
    }
