"""Vignette: guides the eye by darkening toward the corners of the picture that is delivered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.exact import Matrix, Vector
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops

GAIN = Kernel(
    "vignette_gain", 3, 3, header="vignette.h",
    params="double across[3], down[3]; float stops, reach, inverse_fall, spared, inverse_spared; float weight[3];",
)
SPARED_OVER_EV = 3.0  # stops over which highlights are spared more and more


class Centre(BaseModel):
    """A place in the final picture, in fractions from its top left."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    left: float = Field(0.5, ge=0, le=1, description="Fraction of the final picture's width, from the left.")
    top: float = Field(0.5, ge=0, le=1, description="Fraction of the final picture's height, from the top.")


@dataclass(frozen=True)
class FinalPicture:
    """The picture that is delivered: its size, and (x, y, 1) here → (x, y, 1) there; geometry without perspective."""

    shape: Shape
    from_here: Matrix


class Vignette(Stage):
    """Darkens (or brightens) smoothly toward the corners, as far as the final crop shows them; highlights are spared.

    Distance is measured in the final picture, in ellipses of its own shape: 0 at `centre`, 1 at the corners of a picture
    whose middle is `centre`. Wherever the step stands, a later crop, turn or change of size takes the vignette along.
    """

    name: ClassVar[str] = "vignette"
    kind: ClassVar[Kind] = "point"

    stops: Stops = Field(0.0, ge=-4, le=1, description="How many stops brighter (+) or darker (−) the far end becomes.")
    centre: Centre = Field(Centre(), description="The place that keeps its light.")
    reach: float = Field(0.3, ge=0, le=1.5, description="Up to this distance nothing changes; 1 is a corner.")
    fall: float = Field(0.7, ge=0.1, le=2, description="Over this much more distance the change becomes full.")
    spared: Stops = Field(
        0.0, ge=-6, le=12, description="Light this bright, from diffuse white, is left alone; from 3EV below on it is spared.",
    )

    _final: FinalPicture | None = PrivateAttr(default=None)

    def is_neutral(self) -> bool:
        return self.stops == 0.0

    def anchored(self, shape: Shape, from_here: Matrix) -> Vignette:
        """The same vignette, knowing the final picture's size and how this step's pixels come to lie in it."""
        known = self.model_copy()
        known._final = FinalPicture(shape, from_here)
        return known

    def parameters(self) -> dict[str, Any]:
        found = super().parameters()
        if self._final is not None:  # later geometry decides about these pixels: it belongs into their key
            shape = self._final.shape
            found["final"] = {"height": shape.height, "width": shape.width, "from_here": self._final.from_here}
        return found

    def distances(self, shape: Shape) -> tuple[Vector, Vector]:
        """Rows that take (x, y, 1) of this picture to the distance from the centre, across and down."""
        same: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        final = self._final or FinalPicture(shape, same)
        across, down, _ = final.from_here
        return (
            _distance(across, final.shape.width, self.centre.left), _distance(down, final.shape.height, self.centre.top)
        )

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        across, down = self.distances(tile.picture)
        low, high = exact.exp2((self.spared - SPARED_OVER_EV) / 2.0), exact.exp2(self.spared / 2.0)  # roots of light
        device.launch(
            GAIN, colour_of(device, given), colour_of(device, out), across=across, down=down, stops=self.stops,
            reach=self.reach, inverse_fall=1.0 / self.fall, spared=low, inverse_spared=1.0 / (high - low),
            weight=luminance_row(),
        )
        return out


def _distance(row: Vector, side_px: int, centre: float) -> Vector:
    """In halves of the side, and divided by √2: a corner lies 1 from the middle."""
    scale = 1.0 / (side_px / 2.0 * exact.sqrt(2.0))
    return (row[0] * scale, row[1] * scale, (row[2] - (centre * side_px - 0.5)) * scale)
