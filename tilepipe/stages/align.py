"""Align: where each frame lies beside the base frame, measured on what stands still."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Literal

from pydantic import Field, field_validator

from tilepipe.measure.align import CoarseAlignment, align_coarse
from tilepipe.measure.reduced import Survey
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Length, LengthField


class Align(Stage):
    """Lays every frame of a bracket onto the base frame; the base is never resampled, nor a frame within 0.1 px."""

    name: ClassVar[str] = "align"
    kind: ClassVar[Kind] = "measure"
    version: ClassVar[int] = 4
    in_place: ClassVar[bool] = False

    model: Literal["auto", "none", "shift", "rotation", "homography"] = Field(
        "auto", description="How a frame may be moved; auto takes the simplest that explains what is seen."
    )
    local: bool = Field(
        True, description="Whether a smooth local displacement is added where still places ask for it."
    )
    search: LengthField = Field(Length(7.5, "%"), description="How far a frame may have moved.")
    places: int = Field(
        240, ge=16, le=2000, description="How many small blocks of each frame are compared at full size."
    )

    def coarse(self, device: Any, survey: Survey, base: int, order: Sequence[int]) -> CoarseAlignment:
        """From the survey alone: coarse matrices (which `match` uses) and the places to measure at full size."""
        longer, shorter = max(vars(survey.grid.shape).values()), min(vars(survey.grid.shape).values())
        percent = 100.0 * self.search.pixels(shorter) / longer
        return align_coarse(device, survey, base, order, model=self.model, search_percent=percent, places=self.places)

    @field_validator("search")
    @classmethod
    def _is_some_way(cls, search: Length) -> Length:
        if not 0.0 < search.value <= (30.0 if search.unit == "%" else 20_000.0):
            raise ValueError("needs a length above 0, and at most 30% or 20000px")
        return search
