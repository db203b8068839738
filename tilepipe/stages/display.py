"""Display: scene-linear light → the display's range 0..1, still linear, with a smooth shoulder and white kept white."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops

SHOULDER = Kernel(
    "display_shoulder", 3, 3, params="float start, depth, fall, reach, turn; float weight[3];", header="display.h",
)


HIGHEST_WHITE_EV = 8.0  # beyond it float32 shows as steps of the curve


def shoulder(value: float, start: float, white: float) -> float:
    """`value` up to `start`, then a curve that reaches 1 at `white` and stays there; slopes 1 at `start`, 0 at `white`.

    Chosen here: 1 − (1 − z/Z)^Z of the distance z from `start` in units of 1 − start, with Z the white's distance. It
    rises everywhere, never bends upwards, and becomes 1 − exp(−z) for a white far away.
    """
    if value <= start:
        return value
    if value >= white:
        return 1.0
    reach = (white - start) / (1.0 - start)
    z = (value - start) / (1.0 - start)
    return start + (1.0 - start) * (1.0 - exact.pow(1.0 - z / reach, reach))


class Display(Stage):
    """Fits the scene's light into what a display or print can show; darker tones pass unchanged.

    Below one stop under display white hue and the ratios between channels stay as they are. Above, colours go smoothly to
    white: with `turn` 1 the way the eye expects, orange over yellow; with 0 mixed with white, which keeps the dominant
    wavelength (OKLab's hue within 10°) and makes suns salmon. Equal channels stay equal. A channel that leaves the range
    0..1 is drawn smoothly toward the grey of the same luminance. The result is linear Rec.2020 within 0..1.
    """

    name: ClassVar[str] = "display"
    kind: ClassVar[Kind] = "point"
    version: ClassVar[int] = 3

    white: Stops = Field(
        2.0, ge=0, le=HIGHEST_WHITE_EV,
        description="How far above diffuse white (1.0) the light lies that becomes display white.",
    )
    shoulder: Stops = Field(
        -2.5, ge=-8, le=-0.1, description="Up to this brightness, in stops under display white, tones pass unchanged.",
    )
    turn: float = Field(
        1.0, ge=0, le=1, description="How far bright colours turn on their way to white: 1 as the eye expects, 0 not at all.",
    )

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        start, white = exact.exp2(self.shoulder), exact.exp2(self.white)
        device.launch(
            SHOULDER, colour_of(device, given), colour_of(device, out), weight=luminance_row(),
            start=start, depth=1.0 - start, fall=1.0 / (white - start), reach=(white - start) / (1.0 - start), turn=self.turn,
        )
        return out
