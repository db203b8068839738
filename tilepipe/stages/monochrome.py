"""Monochrome: a picture of light alone, in which hues may be brighter or darker."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from tilepipe.colour.spaces import luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import hue_guide
from tilepipe.stages.hue_guide import MOST_HUES, HueEffect, limits, lines_of
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Degrees, Stops

MIX = Kernel(
    "monochrome_mix", 3, 3, params="Plane lines[2]; float low, high; float weight[3];", header="monochrome.h",
)


class HueLight(BaseModel):
    """How bright one hue becomes; it fades smoothly from there and is gone at `reach` on both sides."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Degrees = Field(
        ge=-360, le=360, description="The hue in OKLab: 29deg red, 60deg orange, 110deg yellow, 142deg green, 264deg blue.",
    )
    reach: Degrees = Field(ge=5, le=180, description="How far from `at` a hue lies that is left alone.")
    stops: Stops = Field(ge=-4, le=4, description="How many stops brighter (+) or darker (−).")


class Monochrome(Stage):
    """Makes the picture black and white: its luminance (CIE Y), and where asked brighter or darker by hue.

    Hues are read as by `tone_channels`, from a guide that looks 10 px around without crossing edges. Greys become
    themselves.
    """

    name: ClassVar[str] = "monochrome"
    kind: ClassVar[Kind] = "window"
    version: ClassVar[int] = 4

    mix: tuple[HueLight, ...] = Field(
        (), max_length=MOST_HUES, description="Hues that become brighter or darker; where they overlap they add up.",
    )

    def _effects(self) -> list[HueEffect]:
        return [HueEffect(hue.at, hue.reach, hue.stops) for hue in self.mix]

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        return hue_guide.input_window(wanted, shape)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        return hue_guide.scratch_bytes(wanted)

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        effects = self._effects()
        lines = lines_of(device, tile, wanted, effects, 2)
        given = tile.cut(wanted)
        out = like(device, given)
        low, high = limits(effects, lambda effect: effect.stops)
        device.launch(
            MIX, colour_of(device, given), colour_of(device, out), lines=device.planes(lines),
            low=low, high=high, weight=luminance_row(),
        )
        return out
