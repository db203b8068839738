"""Masks measured in the picture: luminance, hue and chroma ranges with soft ends, and what every frame clipped."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, PlainSerializer, PlainValidator, WithJsonSchema, model_validator

from tilepipe.colour.spaces import WORKING, luminance_row, rgb_to_xyz
from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.errors import PlanError
from tilepipe.geometry import Window
from tilepipe.masks.mask import Mask, Source
from tilepipe.units import Degrees, Measured, Stops, quantity

LUMINANCE = Kernel("mask_luminance", 3, 1, params="float weight[3]; float low, high, slope;", header="measured.h")
CHROMA = Kernel("mask_chroma", 3, 1, params="float m[9]; float n[9]; float low, high, slope;", header="measured.h")
HUE = Kernel(
    "mask_hue", 3, 1, params="float m[9]; float n[9]; float centre, reach, slope, grey;", header="measured.h",
)
CLIPPED = Kernel("mask_clipped", 3, 1, params="float top, slope;", header="measured.h")
FURTHEST = 1e4  # beyond any value of a range: an open end
# XYZ (D65) → cone responses, and their cube roots → L, a, b: Björn Ottosson, "A perceptual color space for image
# processing" (2020), M1 and M2; from memory, checked in the tests against colour-science.
_M1: Matrix = (
    (0.8189330101, 0.3618667424, -0.1288597137), (0.0329845436, 0.9293118715, 0.0361456387),
    (0.0482003018, 0.2643662691, 0.6338517070),
)
_M2: Matrix = (
    (0.2104542553, 0.7936177850, -0.0040720468), (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)


@functools.cache
def oklab_matrices() -> dict[str, list[float]]:
    """Linear Rec.2020 → cone responses, and their cube roots → OKLab; white gives 1 each, so that grey has no chroma."""
    m = exact.matrix_multiply(_M1, rgb_to_xyz(WORKING))
    whites = [row[0] + row[1] + row[2] for row in m]
    even = [value / white for row, white in zip(m, whites, strict=True) for value in row]
    return {"m": even, "n": [value for row in _M2 for value in row]}


def _colours(device: Any, tile: Tile, wanted: Window) -> list[Any]:
    planes: list[Any] = device.planes(tile.cut(wanted), 3)
    return planes


class _Range(Mask):
    """What ranges share: two ends, of which one may be open."""

    source: ClassVar[Source] = "measured"

    def _ends(self, low: float | None, high: float | None, soft: float) -> dict[str, float]:
        return {
            "low": low if low is not None else -FURTHEST, "high": high if high is not None else FURTHEST,
            "slope": 1.0 / soft if soft > 0.0 else FURTHEST,
        }


def _check_ends(low: float | None, high: float | None) -> None:
    if low is None and high is None:
        raise ValueError("needs `from`, `to` or both")
    if low is not None and high is not None and low >= high:
        raise ValueError("`from` must lie below `to`")


class _Between(_Range):
    """A range with two ends, of which at least one is stated."""

    low: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _has_ends(self) -> Self:
        _check_ends(self.low, self.high)
        return self


class Luminance(_Between):
    """Where the picture's luminance lies in a range, in stops above diffuse white."""

    name: ClassVar[str] = "luminance"

    low: Stops | None = Field(
        None, alias="from", ge=-30, le=30, description="The range's dark end, where the mask is half; left out: open.",
    )
    high: Stops | None = Field(
        None, alias="to", ge=-30, le=30, description="The range's bright end, where the mask is half; left out: open.",
    )
    soft: Stops = Field(1.0, ge=0, le=20, description="How far each end fades, from full to nothing.")

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        array, out = self._empty(device, tile, wanted)
        device.launch(
            LUMINANCE, _colours(device, tile, wanted), [out], weight=list(luminance_row()),
            **self._ends(self.low, self.high, self.soft),
        )
        return array


class Chroma(_Between):
    """Where colours are strong or weak: OKLab chroma relative to lightness, 0 for grey, about 0.4 for a pure red."""

    name: ClassVar[str] = "chroma"

    low: float | None = Field(
        None, alias="from", ge=0, le=2, description="The range's pale end, where the mask is half; left out: open.",
    )
    high: float | None = Field(
        None, alias="to", ge=0, le=2, description="The range's strong end, where the mask is half; left out: open.",
    )
    soft: float = Field(0.04, ge=0, le=2, description="How far each end fades, from full to nothing.")

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        array, out = self._empty(device, tile, wanted)
        device.launch(
            CHROMA, _colours(device, tile, wanted), [out], **oklab_matrices(), **self._ends(self.low, self.high, self.soft)
        )
        return array


class Hue(Mask):
    """Where colours lie around a hue: an angle of OKLab; red lies at 29°, yellow at 110°, green at 142°, blue at 264°."""

    name: ClassVar[str] = "hue"
    source: ClassVar[Source] = "measured"

    at: Degrees = Field(ge=-360, le=360, description="The hue in the middle.")
    reach: Degrees = Field(30.0, gt=0, le=180, description="How far from it the mask is half.")
    soft: Degrees = Field(20.0, ge=0, le=180, description="How far each end fades, from full to nothing.")
    grey: float = Field(
        0.03, ge=0, le=1, description="Colours of less chroma, relative to lightness, count less: their hue is noise.",
    )

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        array, out = self._empty(device, tile, wanted)
        centre = self.at - 360.0 if self.at > 180.0 else self.at + 360.0 if self.at <= -180.0 else self.at
        device.launch(
            HUE, _colours(device, tile, wanted), [out], **oklab_matrices(), centre=centre, reach=self.reach,
            slope=1.0 / self.soft if self.soft > 0.0 else FURTHEST, grey=self.grey,
        )
        return array


def _light(value: Any) -> float | str:
    if value == "measured":
        return "measured"
    try:
        stops = value.value if isinstance(value, Measured) else quantity(value, ("EV",))[0]
    except ValueError as error:
        raise ValueError(f"{error}, or `measured`") from None
    if not -30.0 <= stops <= 30.0:
        raise ValueError("must lie within -30EV and 30EV, or be `measured`")
    return float(stops)


_Light = Annotated[
    float | Literal["measured"], PlainValidator(_light),
    PlainSerializer(lambda value: value if isinstance(value, str) else f"{value!r}EV", return_type=str),
    WithJsonSchema({
        "type": "string", "pattern": r"^\s*[+-]?(\d+\.?\d*|\.\d+)\s*EV\s*$|^measured$",
        "examples": ["+3EV", "measured"], "unit": "EV",
    }),
]


class Clipped(Mask):
    """Where the brightest channel comes near what the darkest frame could hold: nothing is known beyond it.

    It is measured in the picture that the step gets: behind steps that change brightness state `above`.
    """

    name: ClassVar[str] = "clipped"
    source: ClassVar[Source] = "measured"

    above: _Light = Field(
        "measured", description="Light from which the mask is full, in stops above diffuse white; `measured`: the "
        "darkest frame's clipping.",
    )
    soft: Stops = Field(0.5, ge=0, le=10, description="How far below that it begins.")

    @property
    def uses(self) -> tuple[str, ...]:
        return ("frames",) if self.above == "measured" else ()

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        array, out = self._empty(device, tile, wanted)
        slope = 1.0 / self.soft if self.soft > 0.0 else FURTHEST
        device.launch(CLIPPED, _colours(device, tile, wanted), [out], top=self._top(facts), slope=slope)
        return array

    def _top(self, facts: Mapping[str, Any]) -> float:
        if not isinstance(self.above, str):
            return self.above
        frames = facts.get("frames")
        if not frames:
            raise PlanError(
                "the frames' clipping is not known", where="clipped.above", found="measured",
                allowed="stops such as +3EV", next_step="state `above`",
            )
        return max(exact.log2(float(frame["clip"]) / float(frame["light"])) for frame in frames)
