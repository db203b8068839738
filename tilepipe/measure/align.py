"""Aligns the frames of a bracket: coarse on the reduced pictures, then on blocks at full size, never on cloud alone.

Matrices map pixels of the base (the output) to pixels of the frame (the input): columns (x, y, 1), pixel centres at
whole numbers. Every frame is measured against the base or, where their exposures share too little, against its
neighbour towards the base; such matrices are multiplied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.geometry import Shape, Window
from tilepipe.measure.blocks import SMOOTHED_PX, block_sums, levels_of, peak
from tilepipe.measure.coarse import Coarse, coarse_pair, layer_stacks
from tilepipe.measure.fit import (
    IDENTITY,
    MODELS,
    Block,
    Fit,
    apply,
    fit_best,
    largest_move_px,
    quantised,
    scaled,
    with_error,
)
from tilepipe.measure.mesh import Mesh, chained_mesh, measure_mesh
from tilepipe.measure.reduced import FrameSource, Survey

BLOCK_PX = 64
FINE_ERROR_PX = 0.06  # what a full-size block's position misses beside noise: sub-pixel bias, parallax; chosen here
FURTHEST = 3  # blocks that are told with their places
LEAST_BLOCKS = 8
LEAST_SURE = 8  # agreeing blocks of the reduced pictures, each known to a quarter of a pixel
SURER = 0.6  # share of the neighbour's sure blocks with which the base itself serves as the reference; chosen here
UNMOVED_PX = 0.1
SLACK_PX = 0.1


@dataclass(frozen=True)
class Place:
    """A block to measure at full size: `window` of `reference`, sought `offset` (y, x) ± `reach` away in `frame`."""

    frame: int
    reference: int
    window: Window
    offset: tuple[int, int]
    reach: int
    texture: float


@dataclass(frozen=True)
class CoarseAlignment:
    """What the reduced pictures say: per frame its reference and matrix (reference → frame), and the places to see."""

    base: int
    shape: Shape
    names: tuple[str, ...]
    references: tuple[int, ...]
    found: tuple[Coarse | None, ...]
    places: tuple[Place, ...]

    def matrices(self) -> tuple[Matrix, ...]:
        """Base → frame, as exact as the reduced pictures give it: enough for `match`."""
        steps = [IDENTITY if found is None else found.matrix for found in self.found]
        return tuple(self.chained(index, steps) for index in range(len(steps)))

    def way(self, index: int) -> list[int]:
        """The frames whose steps lead from the base to frame `index`, itself the last."""
        found = [index]
        while self.references[found[0]] != self.base:
            found.insert(0, self.references[found[0]])
        return found

    def chained(self, index: int, steps: Sequence[Matrix]) -> Matrix:
        """Base → frame `index`, from matrices reference → frame."""
        matrix, at = steps[index], self.references[index]
        while at != self.base:
            matrix, at = scaled(exact.matrix_multiply(matrix, steps[at])), self.references[at]
        return matrix


def align_coarse(
    device: Any, survey: Survey, base: int, order: Sequence[int], *, model: str = "auto", search_percent: float = 5.0,
    places: int = 240,
) -> CoarseAlignment:
    """Aligns the reduced pictures and chooses up to `places` blocks per frame. `order`: frames dark → bright."""
    count, shape = len(survey.frames), survey.grid.shape
    if model == "none" or count == 1:
        return CoarseAlignment(base, shape, _names(survey), (base,) * count, (None,) * count, ())
    stacks = layer_stacks(device, survey)
    references, found, wanted = [base] * count, list[Coarse | None]([None] * count), list[Place]()
    for index in order:
        if index == base:
            continue
        references[index], found[index] = _reference(device, stacks, index, base, order, search_percent, model, shape)
        result = found[index]
        if result is not None:
            wanted += _places(result, index, references[index], shape, survey.grid.factor, places)
    return CoarseAlignment(base, shape, _names(survey), tuple(references), tuple(found), tuple(wanted))


def _names(survey: Survey) -> tuple[str, ...]:
    return tuple(frame.name for frame in survey.frames)


def _reference(
    device: Any, stacks: Sequence[Any], index: int, base: int, order: Sequence[int], search_percent: float, model: str,
    shape: Shape,
) -> tuple[int, Coarse | None]:
    """The frame to measure `index` against and the coarse result: the base, or the next frame towards it if surer."""
    direct = _trusted(coarse_pair(device, stacks[base], stacks[index], shape, search_percent, model))
    at, goal = order.index(index), order.index(base)
    neighbour = order[at + (1 if goal > at else -1)]
    if neighbour == base:
        return base, direct
    near = _trusted(coarse_pair(device, stacks[neighbour], stacks[index], shape, search_percent, model))
    if direct is not None and direct.sure >= max(SURER * (near.sure if near else 0), LEAST_SURE):
        return base, direct
    return neighbour, near


def _trusted(coarse: Coarse | None) -> Coarse | None:
    return coarse if coarse is not None and coarse.sure >= LEAST_SURE else None


def _places(
    coarse: Coarse, frame: int, reference: int, shape: Shape, factor: int, limit: int
) -> list[Place]:
    """The blocks that promise most, spread over the picture, each with the search that the coarse error needs."""
    reach = min(3 + max(factor - 4, 0) // 3, 10)
    side = min(BLOCK_PX, shape.height - 2, shape.width - 2)
    found = []
    for block in coarse.spread(shape, limit):
        y, x = round(block.y - (side - 1) / 2.0), round(block.x - (side - 1) / 2.0)
        window = Window(min(max(y, 0), shape.height - side), min(max(x, 0), shape.width - side), side, side)
        cx, cy = window.x + (side - 1) / 2.0, window.y + (side - 1) / 2.0
        to_x, to_y = apply(coarse.matrix, cx, cy)
        found.append(Place(frame, reference, window, (round(to_y - cy), round(to_x - cx)), reach, block.texture))
    return found


def refine_partial(device: Any, frames: Sequence[FrameSource], place: Place) -> npt.NDArray[np.int64]:
    """Pass B: the integer sums of one place, int64 `(6, 2·reach+1, 2·reach+1)`; reads two small windows."""
    shape = frames[place.frame].shape
    offset_y, offset_x = place.offset
    beside = Window(place.window.y + offset_y, place.window.x + offset_x, place.window.height, place.window.width)
    sought = beside.padded(place.reach).cut(shape)
    if sought.height < 1 or sought.width < 1:
        return np.zeros((6, 2 * place.reach + 1, 2 * place.reach + 1), np.int64)
    fixed = _levels(device, frames[place.reference], place.window)
    moving = _levels(device, frames[place.frame], sought)
    return block_sums(device, fixed, moving, place.window, place.offset, place.reach)


def _levels(device: Any, frame: FrameSource, window: Window) -> Any:
    return levels_of(device, frame.tile(device, window.padded(SMOOTHED_PX).cut(frame.shape)), window)


def align_combine(
    coarse: CoarseAlignment, sums: Sequence[npt.NDArray[np.int64]], *, model: str = "auto", local: bool = False
) -> dict[str, Any]:
    """Facts from the sums of `coarse.places`, in that order: per frame its matrix, how sure that is, warnings.

    With `local` a frame also gets a mesh where its blocks need one and know it, see `tilepipe.measure.mesh`.
    """
    count = len(coarse.names)
    steps = [_step(coarse, index, sums, model, local) for index in range(count)]
    warnings: list[dict[str, str]] = []
    rows = [_row(coarse, index, steps, warnings) for index in range(count)]
    return {"base": coarse.base, "frames": rows, "warnings": warnings}


@dataclass(frozen=True)
class _Step:
    """A frame against its reference."""

    model: str
    matrix: Matrix
    blocks: tuple[Block, ...] = ()
    fit: Fit | None = None
    mesh: Mesh | None = None


def _step(
    coarse: CoarseAlignment, index: int, sums: Sequence[npt.NDArray[np.int64]], model: str, local: bool
) -> _Step:
    result = coarse.found[index]
    if result is None:
        return _Step("none", IDENTITY)
    blocks = [
        block for place, part in zip(coarse.places, sums, strict=True) if place.frame == index
        if (block := _block(place, part)) is not None
    ]
    if len(blocks) < LEAST_BLOCKS:
        return _Step("coarse", result.matrix, tuple(blocks))
    models = MODELS if model == "auto" else (model,)
    best = fit_best(blocks, models, coarse.shape, result.matrix, 1.0, SLACK_PX)
    mesh = measure_mesh(blocks, best.matrix, coarse.shape) if local else None
    return _Step(best.model, best.matrix, tuple(blocks), best, mesh)


def _block(place: Place, sums: npt.NDArray[np.int64]) -> Block | None:
    found = peak(sums, place.window.pixels, place.offset)
    if found is None:
        return None
    dy, dx, information, score = found
    x = place.window.x + (place.window.width - 1) / 2.0
    y = place.window.y + (place.window.height - 1) / 2.0
    # softened: smooth still land must be heard beside rough grass, yet cloud no louder than land
    return with_error(Block(x, y, dx, dy, information, math.sqrt(place.texture), score), FINE_ERROR_PX)


def _row(
    coarse: CoarseAlignment, index: int, steps: Sequence[_Step], warnings: list[dict[str, str]]
) -> dict[str, Any]:
    fixed, moves = quantised(coarse.chained(index, [step.matrix for step in steps]), coarse.shape)
    step, name = steps[index], coarse.names[index]
    way = [(steps[each].matrix, steps[each].mesh) for each in coarse.way(index)]
    mesh = chained_mesh(coarse.shape, way, fixed) if index != coarse.base else None
    unmoved = mesh is None and largest_move_px(moves) < UNMOVED_PX
    rests = [
        (r, block) for r, ok, block in zip(step.fit.residuals_px, step.fit.agrees, step.blocks, strict=True) if ok
    ] if step.fit else []
    agreeing = sorted(r for r, _ in rests)
    furthest = sorted(rests, key=lambda each: (-each[0], each[1].y, each[1].x))[:FURTHEST]
    if index != coarse.base:
        warnings += _warnings(step, coarse.found[index] is None, name, len(agreeing))
    return {
        "name": name, "reference": coarse.references[index], "model": "none" if unmoved else step.model,
        "matrix": [list(row) for row in (IDENTITY if unmoved else fixed)],
        "corners_64": [0] * 8 if unmoved else list(moves), "largest_move_px": largest_move_px(moves),
        "mesh": mesh.facts() if mesh else None, "blocks": len(step.blocks), "agreeing": len(agreeing),
        "residual_median_px": agreeing[len(agreeing) // 2] if agreeing else None,
        "residual_largest_px": agreeing[-1] if agreeing else None,
        "residuals_at": [{"x": block.x, "y": block.y, "value": r} for r, block in furthest],
    }


def _warnings(step: _Step, lost: bool, name: str, agreeing: int) -> list[dict[str, str]]:
    if lost:
        return [{
            "what": "no alignment was found: the frame is laid like its neighbour in exposure", "where": name,
            "next_step": "leave the frame out, widen `search` in the step `align`, or set `model: none`",
        }]
    if step.fit is None:
        return [{
            "what": "too few places with texture that both frames show well: aligned on the reduced picture only",
            "where": name, "found": f"{len(step.blocks)} places",
            "next_step": "look at the result, or leave the frame out",
        }]
    if 4 * agreeing < len(step.blocks) or agreeing < LEAST_BLOCKS:
        return [{
            "what": "most of the picture moved by itself: the alignment rests on a small part", "where": name,
            "found": f"{agreeing} of {len(step.blocks)} places agree",
            "next_step": "look at the result, or leave the frame out",
        }]
    return []


def align(
    device: Any, frames: Sequence[FrameSource], survey: Survey, base: int, order: Sequence[int], *, model: str = "auto",
    search_percent: float = 5.0, places: int = 240, local: bool = False,
) -> dict[str, Any]:
    """Both halves in one go, for arrays and tests."""
    coarse = align_coarse(device, survey, base, order, model=model, search_percent=search_percent, places=places)
    sums = [refine_partial(device, frames, place) for place in coarse.places]
    return align_combine(coarse, sums, model=model, local=local)
