"""Align: where each frame lies beside the base frame, measured on what stands still."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Literal

from pydantic import Field

from tilepipe.measure.align import CoarseAlignment, align_coarse
from tilepipe.measure.reduced import Survey
from tilepipe.stages.stage import Kind, Stage


class Align(Stage):
    """Lays every frame of a bracket onto the base frame; the base is never resampled, nor a frame within 0.1 px."""

    name: ClassVar[str] = "align"
    kind: ClassVar[Kind] = "measure"
    version: ClassVar[int] = 3
    in_place: ClassVar[bool] = False

    model: Literal["auto", "none", "shift", "rotation", "homography"] = Field(
        "auto", description="How a frame may be moved; auto takes the simplest that explains what is seen."
    )
    local: bool = Field(
        True, description="Whether a smooth local displacement is added where still places ask for it."
    )
    search: float = Field(
        5.0, gt=0, le=20, description="How far a frame may have moved, in percent of the picture's longer side."
    )
    places: int = Field(
        240, ge=16, le=2000, description="How many small blocks of each frame are compared at full size."
    )

    def coarse(self, device: Any, survey: Survey, base: int, order: Sequence[int]) -> CoarseAlignment:
        """From the survey alone: coarse matrices (which `match` uses) and the places to measure at full size."""
        return align_coarse(
            device, survey, base, order, model=self.model, search_percent=self.search, places=self.places
        )
