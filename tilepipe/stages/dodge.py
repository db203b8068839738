"""Dodge: lightens what is about as bright as stated, with a smooth weight; usually within a mask."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Self

from pydantic import Field, model_validator

from tilepipe.colour.spaces import luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops

_PARAMS = "float stops, around, inverse_reach; float weight[3];"
GAIN = Kernel("dodge_gain", 3, 3, params=_PARAMS, header="dodge.h")
LIGHTNESS = Kernel("dodge_lightness", 3, 3, params=_PARAMS, header="dodge.h")
# The weight (1 − u²)² falls by at most 8 / (3√3) = 1.54 per `reach`; beyond 1 / 1.54 = 0.65 tones would change places.
MOST_OF_REACH = 0.6


class BrightnessStep(Stage):
    """What `dodge` and `burn` share: a weight around a brightness, and light that follows it."""

    kind: ClassVar[Kind] = "point"

    stops: Stops = Field(0.0, ge=0, le=3, description="How much, where the weight is full.")
    around: Stops = Field(-3.0, ge=-16, le=8, description="The brightness that is changed most, in stops from diffuse white.")
    reach: Stops = Field(2.0, ge=0.5, le=10, description="How many stops from `around` a brightness lies that is left alone.")
    luminance_only: bool = Field(False, description="Changes lightness alone; otherwise colours keep their saturation.")

    @model_validator(mode="after")
    def _keeps_the_order_of_tones(self) -> Self:
        if self.stops > MOST_OF_REACH * self.reach:
            raise ValueError(
                f"{self.stops:g}EV within a reach of {self.reach:g}EV would make darker tones brighter than brighter ones: "
                f"at most {MOST_OF_REACH * self.reach:g}EV, or a reach of {self.stops / MOST_OF_REACH:g}EV"
            )
        return self

    def is_neutral(self) -> bool:
        return self.stops == 0.0

    def _signed_stops(self) -> float:
        return self.stops

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(
            LIGHTNESS if self.luminance_only else GAIN, colour_of(device, given), colour_of(device, out),
            stops=self._signed_stops(), around=self.around, inverse_reach=1.0 / self.reach, weight=luminance_row(),
        )
        return out


class Dodge(BrightnessStep):
    """Lightens tones around a brightness; darker and brighter ones fade back to what they were.

    The order of tones never turns around. Hue stays; with `luminance_only` OKLab's chroma stays too, which calms colours
    that lightening would make too strong.
    """

    name: ClassVar[str] = "dodge"
