"""The tone curve: a monotone curve over luminance in stops, with black end, white end and a lift of black."""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.pyramid import KEPT
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Stops

RATIO = Kernel(
    "tone_curve_ratio", 3, 3, params="const float* table; float weight[3]; float scale, lift;", header="tone_curve.h",
)
LOWEST_EV, HIGHEST_EV, KNOTS_PER_EV = -24, 16, 64  # the kernel's table: 64 knots an octave, by the bits of a float


@functools.cache
def knot_values() -> list[float]:
    """The luminances of the kernel's table, 2561 exact float32 numbers from 2^-24 to 2^16."""
    count = (HIGHEST_EV - LOWEST_EV) * KNOTS_PER_EV
    octaves = (divmod(index, KNOTS_PER_EV) for index in range(count + 1))
    return [(1.0 + step / KNOTS_PER_EV) * exact.exp2(float(octave + LOWEST_EV)) for octave, step in octaves]


def curve_table(curve: Callable[[float], float]) -> Any:
    """float32 values of a monotone curve at the kernel's knots; each entry at least the one before."""
    table = np.array([curve(value) for value in knot_values()], np.float32)
    if (table[1:] < table[:-1]).any():
        raise ValueError("a tone curve must not fall")
    return table


_making = threading.Lock()


@functools.lru_cache(maxsize=32)
def _table_of(stage: ToneCurve) -> Any:
    table = curve_table(stage.curve)
    table.setflags(write=False)  # it stays on a GPU
    return table


def table_pointer(device: Any, table: Any) -> tuple[Any, int]:
    """The table in the device's memory and its address; keep the first while kernels run."""
    held = device.upload(table)
    shape = Shape(1, table.size)
    return held, device.plane(held.reshape(1, -1), shape.whole, shape).p


def monotone_slopes(at: Sequence[float], to: Sequence[float]) -> list[float]:
    """Slopes of a monotone cubic through points: inside by Fritsch & Butland 1984, at the ends 1 where that rises.

    Monotone by Fritsch & Carlson 1980: no slope exceeds three times a neighbouring chord.
    """
    chords = [(to[k + 1] - to[k]) / (at[k + 1] - at[k]) for k in range(len(at) - 1)]
    slopes = [min(1.0, 3.0 * chords[0])]
    for k in range(1, len(at) - 1):
        before, after = chords[k - 1], chords[k]
        share = (1.0 + (at[k + 1] - at[k]) / (at[k + 1] - at[k - 1])) / 3.0
        product = before * after
        slopes.append(product / (share * after + (1.0 - share) * before) if product > 0.0 else 0.0)
    return [*slopes, min(1.0, 3.0 * chords[-1])]


def through_points(at: Sequence[float], to: Sequence[float], stops: float) -> float:
    """The curve in stops: beyond the outer points their change goes on unchanged."""
    if not at:
        return stops
    if stops <= at[0] or len(at) == 1:
        return stops + (to[0] - at[0])
    if stops >= at[-1]:
        return stops + (to[-1] - at[-1])
    slopes = monotone_slopes(at, to)
    k = max(index for index in range(len(at) - 1) if at[index] <= stops)
    width = at[k + 1] - at[k]
    t = (stops - at[k]) / width
    rest = 1.0 - t
    ends = to[k] * (1.0 + 2.0 * t) * rest * rest + to[k + 1] * t * t * (3.0 - 2.0 * t)
    return ends + width * t * rest * (slopes[k] * rest - slopes[k + 1] * t)


class CurvePoint(BaseModel):
    """What is this bright becomes that bright, both in stops from diffuse white."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Stops = Field(ge=-20, le=12, description="Luminance before, in stops from 1.0.")
    to: Stops = Field(ge=-20, le=12, description="Luminance after, in stops from 1.0.")


class ToneRegion(BaseModel):
    """Tones around a brightness become brighter or darker together; the change fades to nothing at `reach`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    around: Stops = Field(ge=-20, le=12, description="The brightness in the middle of the region, in stops from 1.0.")
    reach: Stops = Field(2.0, ge=0.5, le=12, description="How many stops from `around` a tone lies that is left alone.")
    stops: Stops = Field(ge=-3, le=3, description="How many stops brighter (+) or darker (−) the middle becomes.")

    def change(self, stops: float) -> float:
        """What is added at this brightness: (1 − u²)² of the distance u in units of `reach`."""
        u = (stops - self.around) / self.reach
        rest = max(1.0 - u * u, 0.0)
        return self.stops * rest * rest


class ToneCurve(Stage):
    """Gives tones new brightness by a curve through points; never turns their order around.

    The curve acts on luminance and multiplies all three channels alike: chromaticity stays, and hue with it (OKLab's
    too, as a common factor does not change it), where a curve on each channel by itself would shift them. Order:
    points, regions (each by the brightness that the points gave), black end, white end; then the lift, a grey added to
    all three.
    """

    name: ClassVar[str] = "tone_curve"
    kind: ClassVar[Kind] = "point"

    points: tuple[CurvePoint, ...] = Field(
        (), max_length=16, description="Points of the curve, from dark to bright; between them it is smooth.",
    )
    regions: tuple[ToneRegion, ...] = Field(
        (), max_length=8, description="Tones that become brighter or darker together; where regions overlap they add up.",
    )
    black: Stops | None = Field(
        None, ge=-16, le=-2, description="The black end: shadows this bright lose one stop, darker ones sink to black.",
    )
    white: Stops = Field(0.0, ge=-4, le=8, description="The white end: what is this bright becomes 1.0.")
    lift: Stops | None = Field(None, ge=-16, le=-3, description="Lifts the black end: pure black becomes this bright.")

    @model_validator(mode="after")
    def _rises(self) -> Self:
        for first, second in zip(self.points, self.points[1:], strict=False):
            if second.at - first.at < 0.05:
                raise ValueError(
                    f"points must go from dark to bright, 0.05EV apart: {first.at}EV is followed by {second.at}EV"
                )
            if second.to < first.to:
                raise ValueError(f"the curve must not fall: {first.to}EV is followed by {second.to}EV")
        for step in range(-26 * KNOTS_PER_EV, 26 * KNOTS_PER_EV if self.regions else -26 * KNOTS_PER_EV):
            at, after = step / KNOTS_PER_EV, (step + 1) / KNOTS_PER_EV
            if after + self._regions(after) < at + self._regions(at):
                raise ValueError(
                    f"the regions make tones change places around {at:.1f}EV: ask for fewer stops, or a wider `reach`; "
                    f"one region may change up to 0.65 of its reach"
                )
        return self

    def _regions(self, stops: float) -> float:
        return sum(region.change(stops) for region in self.regions)

    def is_neutral(self) -> bool:
        straight = all(point.at == point.to for point in self.points)
        straight = straight and all(region.stops == 0.0 for region in self.regions)
        return straight and self.black is None and self.white == 0.0 and self.lift is None

    def curve(self, luminance: float) -> float:
        """The curve before lift, for luminance above 0 (1.0 is diffuse white)."""
        at, to = [point.at for point in self.points], [point.to for point in self.points]
        value = luminance
        if at or self.regions:
            stops = through_points(at, to, exact.log2(luminance))
            value = exact.exp2(stops + self._regions(stops))
        if self.black is not None:
            end = exact.exp2(self.black)
            value = value * (value / (value + end)) * (1.0 + end)  # 1.0 stays 1.0
        return value * exact.exp2(-self.white)

    @property
    def table(self) -> Any:
        """The kernel's table, made once for every curve: several tiles ask for it at the same time."""
        with _making:
            return _table_of(self)

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        given = tile.cut(wanted)
        out = like(device, given)
        held, pointer = table_pointer(device, self.table)
        lift = exact.exp2(self.lift) if self.lift is not None else 0.0
        device.launch(
            RATIO, colour_of(device, given), colour_of(device, out),
            table=pointer, weight=luminance_row(), scale=1.0 - lift, lift=lift,
        )
        del held
        if self.lift is not None and out.has_coverage:  # what is not covered stays 0
            *colours, cover = (*colour_of(device, out), device.planes(out)[out.planes.index(COVERAGE)])
            for plane in colours:
                device.launch(KEPT, [plane, cover], [plane])
        return out
