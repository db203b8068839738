"""Carries the steps after the blend onto copies of the frames that are reduced by a whole factor."""

from __future__ import annotations

from collections.abc import Sequence

from tilepipe.device import exact
from tilepipe.device.tile import COLOUR, COVERAGE
from tilepipe.geometry import Shape
from tilepipe.plan.chain import IDENTITY
from tilepipe.recipe.model import Step
from tilepipe.stages.crop import Crop
from tilepipe.stages.heal import Heal
from tilepipe.stages.proof_copy import ReducedGeometry, reduced_shape
from tilepipe.stages.resize import Resize
from tilepipe.stages.sharpen import SMALLEST_PX, Sharpen
from tilepipe.stages.stage import Stage
from tilepipe.stages.straighten import Straighten
from tilepipe.stages.vignette import Vignette
from tilepipe.units import Length


def reduction(factor: int) -> exact.Matrix:
    """Pixels of a picture → of its copy reduced by a whole factor: boxes become pixels, centre to centre."""
    size = 1.0 / factor
    return ((size, 0.0, 0.5 * size - 0.5), (0.0, size, 0.5 * size - 0.5), (0.0, 0.0, 1.0))


def on_copies(steps: Sequence[Step], full: Shape, factor: int) -> tuple[Step, ...]:
    """The steps of a job on frames of size `full`, for copies reduced by `factor`: the result is the reduced result.

    Masks, crops and turns stay at their places to a fraction of a copy's pixel. Left out are measurements (made at full
    size), `resize` (it only sets the size of what is delivered), and `sharpen` where its detail is finer than a copy's.
    """
    kept: list[Step] = []
    shapes: list[Shape] = []  # of the full size, before each step that is kept
    to_here, shape, delivered = IDENTITY, full, 1.0
    small = reduction(factor)
    for step in steps:
        stage = step.stage.located(full, to_here) if isinstance(step.stage, Crop) else step.stage
        if isinstance(stage, Resize):
            made = stage.output_shape(shape)
            delivered = max(made.height, made.width) / max(shape.height, shape.width)
        placed = _placed(stage, shape, factor, delivered)
        if placed is None:
            continue
        onto_copy = exact.matrix_multiply(small, to_here)
        if isinstance(placed, Heal):
            placed = placed.located(full, onto_copy)
        where = step.where.located(full, onto_copy) if step.where is not None else None
        kept.append(step.model_copy(update={"stage": placed, "where": where}))
        shapes.append(shape)
        if isinstance(stage, Crop | Straighten):
            to_here = exact.matrix_multiply(stage.to_output(shape), to_here)
        shape = stage.output_shape(shape)
    return _anchored(kept, factor, reduced_shape(shape, factor), shapes)


def _placed(stage: Stage, shape: Shape, factor: int, delivered: float) -> Stage | None:
    """The stage for the copy; `shape` of its input at full size, `delivered` px for each of them. None: left out."""
    if stage.kind == "measure" or isinstance(stage, Resize):
        return None
    if isinstance(stage, Sharpen):
        radius = stage.radius.value / (factor * delivered)
        return stage.model_copy(update={"radius": Length(radius, "px")}) if radius >= SMALLEST_PX else None
    if isinstance(stage, Crop | Straighten) and factor > 1:
        return _reduced(stage, shape, factor)
    return stage


def _reduced(stage: Crop | Straighten, shape: Shape, factor: int) -> ReducedGeometry:
    small = reduction(factor)
    back = exact.matrix_inverse(stage.to_output(shape))
    matrix = exact.matrix_multiply(exact.matrix_multiply(small, back), exact.matrix_inverse(small))
    full = stage.output_shape(shape)
    made = [
        ReducedGeometry(matrix=matrix, height=size.height, width=size.width)
        for size in (reduced_shape(full, factor), Shape(max(full.height // factor, 1), max(full.width // factor, 1)))
    ]
    given = reduced_shape(shape, factor)
    keeps = COVERAGE in stage.output_planes(COLOUR, shape)
    # A box that the rim cuts has its centre beyond the copy by a hair: without it nothing lies outside.
    return made[0] if keeps or COVERAGE not in made[0].output_planes(COLOUR, given) else made[1]


def _anchored(steps: Sequence[Step], factor: int, final: Shape, shapes: Sequence[Shape]) -> tuple[Step, ...]:
    """What belongs to the final picture learns how it lies there."""
    to_final = IDENTITY
    found: list[Step] = []
    for step, shape in zip(reversed(steps), reversed(shapes), strict=True):
        stage = step.stage.anchored(final, to_final) if isinstance(step.stage, Vignette) else step.stage
        found.insert(0, step.model_copy(update={"stage": stage}))
        if isinstance(stage, Crop | Straighten | ReducedGeometry):
            to_final = exact.matrix_multiply(to_final, stage.to_output(reduced_shape(shape, factor)))
    return tuple(found)
