"""White balance: the light that was white, as kelvin and Duv, by CAT16 in scene-linear light."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Self

from pydantic import Field, model_validator

from tilepipe.colour.spaces import WORKING, flat, rgb_to_xyz, xyz_to_rgb
from tilepipe.colour.white import D65, Xy, adaptation, kelvin_duv, white_xy, xyz_of
from tilepipe.device.exact import Matrix, matrix_multiply
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Kelvin

MATRIX = Kernel("white_balance_matrix", 3, 3, params="float m[9];", header="white_balance.h")


def balance_matrix(stated: Xy, as_shot: Xy) -> Matrix:
    """Working RGB → working RGB for a picture balanced for the light `as_shot` when the light was `stated`.

    Both lights have Y = 1 and adapt in CAT16 cone signals (Li et al. 2017), where the white of the working space drops
    out: the cone gains are as shot over stated. A bluer (higher kelvin) statement makes the picture warmer.
    """
    adapted = matrix_multiply(adaptation(xyz_of(stated), xyz_of(as_shot), "cat16"), rgb_to_xyz(WORKING))
    return matrix_multiply(xyz_to_rgb(WORKING), adapted)


class WhiteBalance(Stage):
    """Makes the picture warmer or cooler, greener or more magenta, by saying which light was white.

    What is not stated stays as the base frame's camera saw it (`as_shot`; D65 where a picture knows none). One value
    for all frames. Kelvin and Duv are those of Robertson 1968; 6504 K and +0.003 is D65.
    """

    name: ClassVar[str] = "white_balance"
    kind: ClassVar[Kind] = "point"
    uses: ClassVar[tuple[str, ...]] = ("as_shot",)

    kelvin: Kelvin | None = Field(
        None, ge=2000, le=25000, description="Colour temperature of the light; higher makes the picture warmer.",
    )
    duv: float | None = Field(
        None, ge=-0.03, le=0.03, description="How greenish (+) or magenta (−) the light was; + makes it more magenta.",
    )

    @model_validator(mode="after")
    def _is_a_light(self) -> Self:
        if self.kelvin is not None:
            white_xy(self.kelvin, self.duv or 0.0)
        return self

    def is_neutral(self) -> bool:
        return self.kelvin is None and self.duv is None

    @staticmethod
    def as_shot(facts: Mapping[str, Any]) -> tuple[float, float]:
        """Kelvin and Duv that the base frame was balanced for."""
        found = facts.get("as_shot")
        return (float(found["kelvin"]), float(found["duv"])) if found else kelvin_duv(D65)

    def matrix(self, facts: Mapping[str, Any]) -> Matrix:
        """The matrix on working RGB; the identity exactly where the statement is the camera's own."""
        kelvin, duv = self.as_shot(facts)
        stated = (self.kelvin if self.kelvin is not None else kelvin, self.duv if self.duv is not None else duv)
        if stated == (kelvin, duv):
            return ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        return balance_matrix(white_xy(*stated), white_xy(kelvin, duv))

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(MATRIX, colour_of(device, given), colour_of(device, out), m=flat(self.matrix(facts)))
        return out
