"""Exposure: brighter or darker by a number of stops, in scene-linear light."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops

GAIN = Kernel("exposure_gain", 3, 3, params="float gain;", header="exposure.h")


class Exposure(Stage):
    """Makes the whole picture brighter or darker."""

    name: ClassVar[str] = "exposure"
    kind: ClassVar[Kind] = "point"

    stops: Stops = Field(0.0, ge=-10, le=10, description="How many stops brighter (+) or darker (−).")

    def is_neutral(self) -> bool:
        return self.stops == 0.0

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        out = like(device, tile.cut(wanted))
        device.launch(GAIN, colour_of(device, tile.cut(wanted)), colour_of(device, out), gain=exact.exp2(self.stops))
        return out
