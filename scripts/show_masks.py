"""Shows what masks promise: proofs that agree with the full size, places kept through geometry, the cost of a long stroke.

`python3 scripts/show_masks.py [--megapixels 6]`
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from tilepipe import process
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.exact import cos, sin
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.masks.mask import Mask
from tilepipe.plan.chain import Chain, located
from tilepipe.recipe.model import Step
from tilepipe.recipe.steps import read_steps
from tilepipe.run.evaluate import run_chain

POINTS = 12_000
POLYGON = {"polygon": [[0.11, 0.16], [0.46, 0.31], [0.81, 0.06], [0.62, 0.52], [0.93, 0.91], [0.51, 0.68], [0.2, 0.95]]}
REPEATS = 5


def scribble(points: int = POINTS) -> list[list[float]]:
    """An invented stroke: up and down across most of the picture, with pressure that comes and goes."""
    found = []
    for index in range(points):
        turn = 6.283185307179586 * index / points
        x, y = 0.5 + 0.42 * sin(7.0 * turn), 0.5 + 0.42 * cos(9.0 * turn + 0.3 * sin(31.0 * turn))
        found.append([x, y, 0.7 + 0.3 * sin(90.0 * turn)])
    return found


def stroke(radius: str = "1%") -> dict[str, Any]:
    return {"stroke": {"points": scribble(), "radius": radius, "hardness": 0.4}}


def step_of(where: Any) -> Step:
    (step,) = read_steps([{"exposure": {"stops": "+0.5EV", "where": where}}], frames=1)
    return step


def mask_of(step: Step) -> Mask:
    assert step.where is not None
    return step.where


def plane(step: Step, shape: Shape) -> Any:
    tile = Tile(np.zeros((3, shape.height, shape.width), np.float32), shape.whole, shape)
    return mask_of(step).plane(CpuDevice(), tile, shape.whole, {})


def proofs(shape: Shape) -> Iterator[str]:
    small = Shape(-(-shape.height // 16), -(-shape.width // 16))
    for name, where in (("polygon", POLYGON), ("stroke", stroke())):
        full = plane(located([step_of(where)], shape)[0], shape)
        proof = plane(located([step_of(where)], small, shape, 16)[0], small)
        inside = full[: shape.height // 16 * 16, : shape.width // 16 * 16].astype(np.float64)
        mean = inside.reshape(shape.height // 16, 16, shape.width // 16, 16).mean((1, 3))
        apart = np.abs(proof[: mean.shape[0], : mean.shape[1]] - mean).max()
        yield f"{name}: a proof of 1/16 and the mean of the full size are at most {apart * 255:.5f}/255 apart"


def geometry(shape: Shape) -> Iterator[str]:
    for name, where in (("polygon", POLYGON), ("stroke", stroke())):
        moving = [{"straighten": {"turn": "2deg"}}, {"crop": {"left": 0.1, "top": 0.12, "width": 0.75, "height": 0.7}}]
        drawn = plane(located([step_of(where)], shape)[0], shape)
        steps = located([*read_steps(moving, frames=1), step_of(where)], shape)
        chain = Chain(steps[:2], shape)
        tile = Tile(np.stack([drawn] * 3), shape.whole, shape)
        moved = run_chain(CpuDevice(), chain, tile, chain.windows(chain.result.whole, {}), {}).array[0]
        yield f"{name}: after `straighten: 2deg` and `crop` its half-way line is at most {_shift(moved, steps[2]):.2f} px off"


def _shift(moved: Any, step: Step) -> float:
    """The furthest that the line of half the mask lies from where the turned and cut mask itself has it.

    Compared pixel by pixel on a wide ramp would say nothing of a hard rim: so both are cut at a half and each pixel of
    one that the other lacks is measured to the other's nearest.
    """
    from scipy.ndimage import distance_transform_edt

    shape = Shape(*moved.shape)
    one, other = moved > 0.5, plane(step, shape) > 0.5
    worst = 0.0
    for a, b in ((one, other), (other, one)):
        missing = a & ~b
        if missing.any():
            worst = max(worst, float(distance_transform_edt(~b)[missing].max()))
    return worst


def cost(shape: Shape) -> Iterator[str]:
    """The mask's own time beside that of all the work on its tile: on one core, the best of some."""
    tile = Tile(np.zeros((3, shape.height, shape.width), np.float32), shape.whole, shape)
    whole = _seconds(lambda: process(_bracket(shape), [0.25, 1.0], STEPS, workers=1, tile=1024))
    for radius in ("0.5%", "1%", "2%", "4%"):
        mask = mask_of(located([step_of(stroke(radius))], shape)[0])
        started = time.perf_counter()
        plane_of(mask, tile, Window(0, 0, 8, 8))
        index = time.perf_counter() - started
        painted = float((plane_of(mask, tile, shape.whole) > 0).mean())
        own = _seconds(lambda mask=mask: [plane_of(mask, tile, wanted) for wanted in Grid(shape, 1024, 1024)])
        yield (
            f"stroke of {POINTS} points, radius {radius}, paints {painted:.0%} of the picture: {own * 1e9 / shape.pixels:.1f} "
            f"ns a pixel, the tile's other work {whole * 1e9 / shape.pixels:.0f}: {own / whole:.1%} "
            f"(index {index * 1e3:.0f} ms, once)"
        )


STEPS = [
    {"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.5}}, {"exposure": {"stops": "+0.5EV"}},
    {"tone_curve": {"lift": "-8EV"}}, "display",
]


def _bracket(shape: Shape) -> list[Any]:
    scene = np.random.default_rng(1).random((shape.height, shape.width, 3), np.float32)
    return [np.minimum(scene * light, 1.0) for light in (np.float32(0.25), np.float32(1.0))]


def plane_of(mask: Mask, tile: Tile, wanted: Window) -> Any:
    return mask.plane(CpuDevice(), tile, wanted, {})


def _seconds(work: Callable[[], Any]) -> float:
    best = 1e9
    for _ in range(REPEATS):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=6.0)
    side = int((parser.parse_args().megapixels * 1e6 / 1.5) ** 0.5)
    shape = Shape(side, side * 3 // 2)
    for part in (proofs, geometry, cost):
        for line in part(shape):
            print(line, flush=True)


if __name__ == "__main__":
    main()
