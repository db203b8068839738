"""What a planner must know of a job: sizes and costs of its frames, its steps in order, what it delivers."""

from __future__ import annotations

from dataclasses import dataclass

from tilepipe.device.tile import COLOUR, COVERAGE
from tilepipe.geometry import Shape
from tilepipe.recipe.model import Step


@dataclass(frozen=True)
class FrameSketch:
    """One frame's costs: `pixel_bytes` as stored, planes after decoding and after alignment, margin in pixels.

    `scratch_planes`: float32 planes that decoding keeps beside its result; `thread_bytes`: what a reading thread keeps.
    """

    shape: Shape
    pixel_bytes: int
    windowed: bool
    decoded_planes: int
    aligned_planes: int
    margin_px: int
    scratch_planes: int = 0
    thread_bytes: int = 0
    decode_bytes: int = 0
    mosaic: bool = False


@dataclass(frozen=True)
class Job:
    """Frames in the recipe's order, the base frame's index (0 where it is yet to be found), all steps in order, and
    whether a scene-linear master is wanted.

    `coverage`: any frame as stored may leave pixels uncovered. It is settled before frames are left out, so that the
    plan holds whichever are.
    """

    frames: tuple[FrameSketch, ...]
    base: int
    steps: tuple[Step, ...]
    coverage: bool = False
    linear_master: bool = False
    deliverables: int = 1
    identified: bool = True  # False for arrays in memory: no digests, no survey unless a measurement asks for it

    @property
    def shape(self) -> Shape:
        return self.frames[self.base].shape

    @property
    def planes(self) -> tuple[str, ...]:
        return (*COLOUR, COVERAGE) if self.coverage else COLOUR

    @property
    def blend(self) -> Step | None:
        return next((step for step in self.steps if step.stage.kind == "blend"), None)

    @property
    def measured(self) -> tuple[str, ...]:
        """The names of the measuring steps."""
        return tuple(step.stage.name for step in self.steps if step.stage.kind == "measure")

    @property
    def finishing(self) -> tuple[Step, ...]:
        """The steps after the blend, all on one picture."""
        return tuple(step for step in self.steps if step.stage.kind not in ("measure", "blend"))
