"""A chain of stages that run fused on one tile: sizes forwards, windows backwards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device import exact
from tilepipe.geometry import Shape, Window
from tilepipe.recipe.model import Step
from tilepipe.stages.crop import Crop
from tilepipe.stages.exposure import Exposure
from tilepipe.stages.heal import Heal
from tilepipe.stages.local_contrast import LocalContrast
from tilepipe.stages.resize import Resize
from tilepipe.stages.straighten import Straighten
from tilepipe.stages.vignette import Vignette

IDENTITY: exact.Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


TOLD_ONLY = ("name", "file", "noise_from")  # what a frame's facts hold for people: no pixel depends on it


def descriptor(step: Step, facts: Mapping[str, Any]) -> dict[str, Any]:
    """All that a step's pixels depend on, beside its input: for keys."""
    uses = sorted({*step.stage.uses, *(step.where.uses if step.where is not None else ())})
    found: dict[str, Any] = {
        "stage": step.stage.name or type(step.stage).__name__, "version": step.stage.version,
        "parameters": step.stage.parameters(), "strength": step.strength,
        "facts": {name: frames_for_key(facts) if name == "frames" else facts.get(name) for name in uses},
    }
    return found | ({"where": step.where.parameters()} if step.where is not None else {})


def frames_for_key(facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What the facts hold of each frame that pixels depend on: a renamed file is the same frame."""
    return [
        {name: value for name, value in frame.items() if name not in TOLD_ONLY} for frame in facts.get("frames", ())
    ]


@dataclass(frozen=True)
class Chain:
    """Steps in order, applied to a picture of size `source`; may be empty."""

    steps: tuple[Step, ...]
    source: Shape

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """The picture's size before each step and after the last."""
        shapes = [self.source]
        for step in self.steps:
            shapes.append(step.stage.output_shape(shapes[-1]))
        return tuple(shapes)

    @property
    def result(self) -> Shape:
        return self.shapes[-1]

    def planes(self, given: tuple[str, ...]) -> tuple[str, ...]:
        """The picture's planes after the last step."""
        for step, shape in zip(self.steps, self.shapes[:-1], strict=True):
            given = step.stage.output_planes(given, shape)
        return given

    def windows(self, wanted: Window, facts: Mapping[str, Any]) -> tuple[Window, ...]:
        """What each step must be given, and last what is wanted: the margins of the whole chain."""
        windows = [wanted]
        for step, shape in reversed(tuple(zip(self.steps, self.shapes[:-1], strict=True))):
            windows.insert(0, with_mask(step, step.stage.input_window(windows[0], shape, facts), windows[0], shape, facts))
        return tuple(windows)


def with_mask(step: Step, needed: Window, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
    """What a step must be given for `wanted`: what its stage needs, and what its mask is measured in."""
    return needed if step.where is None else needed.union(step.where.input_window(wanted, shape, facts))


def located(steps: Sequence[Step], base: Shape, full: Shape | None = None, factor: int = 1) -> tuple[Step, ...]:
    """The steps with everything placed in the base frame's coordinates carried through the geometry before it.

    In a proof `base` is the size of the base frame's copy, reduced by `factor`, and `full` that of the base frame: masks
    stay at its places. What belongs to the final picture (a vignette) learns of the geometry behind it; local contrast of the
    exposures before it.
    """
    to_here, shape = IDENTITY, base
    to_copy = _reduction(factor)
    placed: list[Step] = []
    shapes: list[Shape] = []
    exposures: tuple[Exposure, ...] = ()
    for step in steps:
        stage = step.stage.located(base, to_here) if isinstance(step.stage, Crop) else step.stage
        if isinstance(stage, Heal):
            stage = stage.located(full or base, exact.matrix_multiply(to_here, to_copy))
        if isinstance(stage, Exposure) and step.where is None:
            exposures = (*exposures, stage)
        stage = stage.exposed(exposures) if isinstance(stage, LocalContrast) else stage
        where = step.where
        if where is not None:
            where = where.located(full or base, exact.matrix_multiply(to_here, to_copy))
        placed.append(step.model_copy(update={"stage": stage, "where": where}))
        shapes.append(shape)
        if isinstance(stage, Crop | Resize | Straighten):
            to_here = exact.matrix_multiply(stage.to_output(shape), to_here)
        shape = stage.output_shape(shape)
    return _anchored(placed, shapes, shape)


def _anchored(steps: Sequence[Step], shapes: Sequence[Shape], final: Shape) -> tuple[Step, ...]:
    to_final = IDENTITY
    found: list[Step] = []
    for step, shape in zip(reversed(steps), reversed(shapes), strict=True):
        stage = step.stage.anchored(final, to_final) if isinstance(step.stage, Vignette) else step.stage
        found.insert(0, step.model_copy(update={"stage": stage}))
        if isinstance(stage, Crop | Resize | Straighten):
            to_final = exact.matrix_multiply(to_final, stage.to_output(shape))
    return tuple(found)


def _reduction(factor: int) -> exact.Matrix:
    """Pixels of a picture → of its copy reduced by a whole factor: boxes become pixels, centre to centre."""
    size = 1.0 / factor
    return ((size, 0.0, 0.5 * size - 0.5), (0.0, size, 0.5 * size - 0.5), (0.0, 0.0, 1.0))


def scratch_bytes(chain: Chain, wanted: Window, planes: int, facts: Mapping[str, Any]) -> int:
    """The most that is alive while the chain runs on one tile: a step's input, its output and its own scratch."""
    windows = chain.windows(wanted, facts)
    peak = windows[0].pixels * planes * 4
    for step, given, made in zip(chain.steps, windows[:-1], windows[1:], strict=True):
        mixed = step.strength != 1.0 or step.where is not None
        alive = (given.pixels + made.pixels * (2 if mixed else 1)) * planes * 4
        alive += step.where.scratch_bytes(made) if step.where is not None else 0
        peak = max(peak, alive + step.stage.scratch_bytes(made, planes))
    return peak


def split(steps: Sequence[Step], source: Shape) -> list[tuple[Chain, Step | None]]:
    """Cuts steps after the blend at their deep stages: (chain before, deep step) …, the last with None."""
    parts: list[tuple[Chain, Step | None]] = []
    waiting: list[Step] = []
    for step in steps:
        if step.stage.kind == "deep":
            chain = Chain(tuple(waiting), source)
            parts.append((chain, step))
            source, waiting = chain.result, []
        else:
            waiting.append(step)
    parts.append((Chain(tuple(waiting), source), None))
    return parts
