"""Saturation: all colours stronger or weaker, as the eye sees them, within the room that a gamut leaves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from tilepipe.colour.spaces import DISPLAY_P3, REC2020, SRGB, WORKING, between, flat, luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage

CHROMA = Kernel(
    "saturation_chroma", 3, 3, params="float change; float to_gamut[9]; float weight[3];", header="saturation.h",
)
_GAMUTS = {"srgb": SRGB, "display-p3": DISPLAY_P3, "rec2020": REC2020}


class Saturation(Stage):
    """Makes all colours stronger or weaker; lightness and hue stay (at the rim of the gamut within 3°), greys stay grey.

    Chroma and hue are OKLab's (Ottosson 2020). Weaker is one factor for all colours. Stronger grows less, the nearer a
    colour is to the rim of `gamut`: with f the way from grey to the rim, chroma grows by (chroma − 1)·(1 − f), so that
    what was inside stays inside, no two colours change places, and what lies beyond is left alone.
    """

    name: ClassVar[str] = "saturation"
    kind: ClassVar[Kind] = "point"
    version: ClassVar[int] = 2

    chroma: float = Field(1.0, ge=0, le=1.8, description="Factor on chroma: 1 leaves it, 0 makes grey, 1.2 is a fifth more.")
    gamut: Literal["srgb", "display-p3", "rec2020"] = Field(
        "display-p3", description="The colours that can be shown in the end; stronger ones keep their distance from its rim.",
    )

    def is_neutral(self) -> bool:
        return self.chroma == 1.0

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(
            CHROMA, colour_of(device, given), colour_of(device, out), change=self.chroma - 1.0,
            to_gamut=flat(between(WORKING, _GAMUTS[self.gamut])), weight=luminance_row(),
        )
        return out
