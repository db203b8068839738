"""Motion: what moved between the frames, and the one frame that shows each part of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field

from tilepipe.device.tile import Tile
from tilepipe.errors import InputError
from tilepipe.geometry import Window
from tilepipe.measure.motion import Counts, MotionMaps, motion_window
from tilepipe.measure.motion_groups import Groups, Override, groups_of
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Length, LengthField


class MotionOverride(BaseModel):
    """What the recipe says of one part of the picture."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    polygon: tuple[tuple[float, float], ...] = Field(
        min_length=3, max_length=4096, examples=[[[0.1, 0.1], [0.6, 0.15], [0.4, 0.7]]],
        description="Corners as [x, y], fractions of the base frame's width and height from the top left.",
    )
    frame: Annotated[int, Field(ge=1, le=16)] | Literal["average", "merge"] = Field(
        description="The frame it is taken from, 1 = the darkest; average: the mean of all; merge: as if nothing moved.",
        examples=[1, "average", "merge"],
    )


class Motion(Stage):
    """Finds what moved between the frames and takes each part of it from one frame."""

    name: ClassVar[str] = "motion"
    kind: ClassVar[Kind] = "measure"
    version: ClassVar[int] = 5
    in_place: ClassVar[bool] = False

    sensitivity: float = Field(
        1.0, ge=0.25, le=4.0,
        description="How little must differ to count as movement: 2 halves what must differ, 0.5 doubles it."
    )
    reach: LengthField = Field(
        Length(2.0, "%"), description="Gaps up to so wide belong to the movement around them.",
    )
    frame: Literal["auto", "average"] = Field(
        "auto", description="auto: each part from the base frame or the next darker one that does not clip; average: from all."
    )
    overrides: tuple[MotionOverride, ...] = Field(
        (), description="Parts of the picture for which the recipe says the frame, whether anything moved there or not."
    )

    def measure_window(
        self, device: Any, tiles: Sequence[Tile], window: Window, facts: Mapping[str, Any]
    ) -> tuple[list[Counts], Counts]:
        """The counts of one window from the aligned frames, see `tilepipe.measure.motion.motion_window`."""
        return motion_window(device, tiles, window, facts, self.sensitivity)

    def groups(self, maps: MotionMaps, frames: Sequence[Mapping[str, Any]], local: bool = False) -> Groups:
        """The groups in all counts together. Raises InputError for an override of a frame that is not there."""
        half_gap_px = int(self.reach.pixels(min(maps.shape.height, maps.shape.width)) / 2.0)
        wishes = [Override(each.polygon, each.frame) for each in self.overrides]
        for wish in wishes:
            if isinstance(wish.frame, int) and wish.frame > maps.frames:  # as when a shaken one was left out
                raise InputError(
                    "there is no such frame", where="motion.overrides", found=f"frame {wish.frame} of {maps.frames} in use",
                    allowed=f"1 to {maps.frames}, 1 = the darkest", next_step="name another frame for this part",
                )
        average = self.frame == "average"
        return groups_of(maps, frames, reach_px=half_gap_px, average=average, overrides=wishes, local=local)
