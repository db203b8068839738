"""The share of the finished picture's colours that a screen cannot show as they are, and where most of them lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tilepipe.geometry import Grid
from tilepipe.measure.gamut_look import LOOKED_AT, outside
from tilepipe.measure.lookout import worst
from tilepipe.run.checks import LOOK_TILE_PX, WORST, CellMaps
from tilepipe.run.evaluate import read_tile

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

VERSION = 1


def gamut_check(run: Execution) -> dict[str, Any] | None:
    """For the receipt: shares of the pixels outside sRGB and Display P3; None where nothing brings light to a display.

    Deliverables draw such colours in (`colour/gamut.h`); here is told how many there are. `at` lists the cells with most
    of them by sRGB, `value` is the share of the cell; places are pixels of the finished picture.
    """
    if not any(step.stage.name == "display" for step in run.job.finishing):
        return None
    key = f"{run.keys[run.plan.result]}-{VERSION}"
    known: dict[str, Any] | None = run.workspace.recall("gamut", key)
    if known is not None:
        return known
    picture = run.pictures[run.plan.result]
    maps, grid = CellMaps(picture.shape, LOOKED_AT), Grid(picture.shape, LOOK_TILE_PX, LOOK_TILE_PX)
    run.engine.run_bag(
        "look-gamut", range(len(grid)),
        lambda index: maps.add(run.device, outside(run.device, read_tile(run.device, picture, grid[index]))),
    )
    found = worst(maps.means(LOOKED_AT[0]), WORST)
    told = {
        "cell_px": maps.cell, "share": round(maps.mean(LOOKED_AT[0]), 6), "share_p3": round(maps.mean(LOOKED_AT[1]), 6),
        "at": [
            {"x": each.column * maps.cell, "y": each.row * maps.cell, "value": round(each.value, 4)} for each in found
        ],
    }
    run.workspace.remember("gamut", key, told)
    return told
