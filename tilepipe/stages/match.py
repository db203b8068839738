"""Match: how bright each frame really is beside the base frame, measured, and the curve of encoded frames."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops


class Match(Stage):
    """Brings the frames of a bracket to one brightness scale."""

    name: ClassVar[str] = "match"
    kind: ClassVar[Kind] = "measure"
    version: ClassVar[int] = 2
    in_place: ClassVar[bool] = False

    mode: Literal["gain", "exposure"] = Field(
        "gain", description="Whether a frame's light is measured in the picture or taken from its stated exposure."
    )
    curve: Literal["auto", "none"] = Field(
        "auto", description="Whether the curve of encoded frames is measured from the bracket or taken to be sRGB."
    )
    local: bool = Field(
        True, description="Whether light that faded smoothly from place to place is measured and taken back."
    )
    warn: Stops = Field(
        0.15, gt=0, le=10, description="How far measured light may differ from the stated exposure without a warning."
    )
