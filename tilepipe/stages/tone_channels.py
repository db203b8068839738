"""Tone channels: brightness, and if asked chroma and hue, around any hue of the picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import hue_guide
from tilepipe.stages.hue_guide import MOST_HUES, HueEffect, limits, lines_of
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Degrees, Stops

STOPS = Kernel("tone_channels_stops", 3, 3, params="Plane lines[2]; float low, high;", header="tone_channels.h")
COLOUR = Kernel(
    "tone_channels_colour", 3, 3, params="Plane lines[6]; float low[3], high[3];", header="tone_channels.h",
)


class ToneChannel(BaseModel):
    """What is done around one hue; it fades smoothly from there and is gone at `reach` on both sides."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Degrees = Field(
        ge=-360, le=360, description="The hue in OKLab: 29deg red, 60deg orange, 110deg yellow, 142deg green, 264deg blue.",
    )
    reach: Degrees = Field(ge=5, le=180, description="How far from `at` a hue lies that is left alone.")
    stops: Stops = Field(0.0, ge=-4, le=4, description="How many stops brighter (+) or darker (−).")
    chroma: float = Field(1.0, ge=0, le=3, description="Factor on chroma: 1 leaves it, 0 makes grey.")
    turn: Degrees = Field(0.0, ge=-60, le=60, description="Turns the hue, + from red over yellow to green.")

    @property
    def effect(self) -> HueEffect:
        return HueEffect(self.at, self.reach, self.stops, self.chroma - 1.0, self.turn)

    @property
    def is_neutral(self) -> bool:
        return self.stops == 0.0 and self.chroma == 1.0 and self.turn == 0.0


class ToneChannels(Stage):
    """Makes chosen hues brighter or darker, stronger or weaker, or turns them; greys stay as they are.

    Hue is OKLab's (Ottosson 2020). `stops` alone multiplies the three channels alike: hue and chroma ÷ lightness stay.
    Which hue a place has is read from a guide that looks 10 px around without crossing edges, so that noise in colour
    does not become grain in brightness. The weaker a colour, the less it is changed: below 1 % of chroma ÷ lightness
    not at all, from 7 % on fully.
    """

    name: ClassVar[str] = "tone_channels"
    kind: ClassVar[Kind] = "window"
    version: ClassVar[int] = 5

    channels: tuple[ToneChannel, ...] = Field(
        (), max_length=MOST_HUES, description="The hues and what is done around each; where they overlap they add up.",
    )

    def is_neutral(self) -> bool:
        return all(channel.is_neutral for channel in self.channels)

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        return hue_guide.input_window(wanted, shape)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        return hue_guide.scratch_bytes(wanted)

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        effects = [channel.effect for channel in self.channels]
        low, high = zip(*(limits(effects, of) for of in (_stops, _chroma, _half_tangent)), strict=True)
        numbers: dict[str, Any] = {"low": low[0], "high": high[0]}
        kernel, planes = STOPS, 2
        if any(low[1:]) or any(high[1:]):
            numbers = {"low": [low[0], max(low[1], -1.0), low[2]], "high": high}
            kernel, planes = COLOUR, 6
        lines = lines_of(device, tile, wanted, effects, planes)
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(kernel, colour_of(device, given), colour_of(device, out), lines=device.planes(lines), **numbers)
        return out


def _stops(effect: HueEffect) -> float:
    return effect.stops


def _chroma(effect: HueEffect) -> float:
    return effect.chroma


def _half_tangent(effect: HueEffect) -> float:
    return effect.half_tangent
