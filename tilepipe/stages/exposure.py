"""Exposure: brighter or darker by a number of stops, in scene-linear light, or as bright as the scene asks for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, PlainSerializer, PlainValidator, WithJsonSchema

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.errors import PlanError
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Measured, quantity

GAIN = Kernel("exposure_gain", 3, 3, params="float gain;", header="exposure.h")
FURTHEST_EV = 10.0
# `measured` shows the middle tones of the base frame as bright as that frame does. Where it has none:
# a scene whose log average lies at TARGET_EV of diffuse white stays; others go FOLLOW of the way there, so that a night
# stays darker than a day, but not so far that the scene's bright end, drawn halfway to the average as local contrast
# draws it, passes BRIGHT_EV. Chosen here by looking at the invented scene and five real brackets.
TARGET_EV, FOLLOW, BRIGHT_EV, DRAWN = -2.6, 0.7, 0.0, 0.5
MOST_EV, STEPS_PER_EV = 3.0, 64


def _stops(value: Any) -> float | str:
    if value == "measured":
        return "measured"
    if isinstance(value, Measured):
        return value.value
    try:
        stops = quantity(value, ("EV",))[0]
    except ValueError as error:
        raise ValueError(f"{error}, or `measured`") from None
    if not -FURTHEST_EV <= stops <= FURTHEST_EV:
        raise ValueError(f"must lie within -{FURTHEST_EV:g}EV and {FURTHEST_EV:g}EV, or be `measured`")
    return stops


def _written(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value!r}EV"


ExposureStops = Annotated[
    float | Literal["measured"], PlainValidator(_stops), PlainSerializer(_written, return_type=str),
    WithJsonSchema({
        "type": "string", "pattern": r"^\s*[+-]?(\d+\.?\d*|\.\d+)\s*EV\s*$|^measured$",
        "examples": ["+0.4EV", "measured"], "unit": "EV",
    }),
]


def measured_stops(log_average_stops: float, bright_stops: float) -> float:
    """The exposure for a scene without middle tones, of this log average and bright end, in whole 1/64 stops."""
    wanted = FOLLOW * (TARGET_EV - log_average_stops)
    bright = log_average_stops + DRAWN * (bright_stops - log_average_stops)
    return _whole_steps(min(wanted, BRIGHT_EV - bright))


def _whole_steps(stops: float) -> float:
    return round(min(max(stops, -MOST_EV), MOST_EV) * STEPS_PER_EV) / STEPS_PER_EV


class Exposure(Stage):
    """Makes the whole picture brighter or darker, by stops or as its measured brightness asks for."""

    name: ClassVar[str] = "exposure"
    kind: ClassVar[Kind] = "point"
    uses: ClassVar[tuple[str, ...]] = ("scene",)

    stops: ExposureStops = Field(
        0.0, description="How many stops brighter (+) or darker (−); `measured`: middle tones as the base shows them.",
    )

    def is_neutral(self) -> bool:
        return self.stops == 0.0

    def stops_for(self, facts: Mapping[str, Any]) -> float:
        """The stops in effect; `measured` reads `facts["scene"]`."""
        if not isinstance(self.stops, str):
            return self.stops
        if facts.get("scene") is None:
            raise PlanError(
                "the scene's brightness was not measured", where="exposure.stops", found="measured",
                allowed="stops such as +1EV", next_step="state `stops`, or add the step `match`",
            )
        scene = facts["scene"]
        if scene.get("middle_stops") is not None:
            return _whole_steps(float(scene["middle_shown_stops"]) - float(scene["middle_stops"]))
        return measured_stops(float(scene["log_average_stops"]), float(scene["bright_stops"]))

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(GAIN, colour_of(device, given), colour_of(device, out), gain=exact.exp2(self.stops_for(facts)))
        return out
