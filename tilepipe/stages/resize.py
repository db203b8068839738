"""Resize: a smaller or larger picture by its long side."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, field_validator

from tilepipe.device.exact import Matrix
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.stage import Kind, Stage
from tilepipe.stages.warp import Warp, main_lobe, sinc_weights
from tilepipe.units import Length, LengthField

_LINE = "Plane source[3]; Plane coverage; const float* weights; int taps, inner, to, along;"
COLOURS = Kernel("resize_colour", 0, 3, header="resize.h", params=_LINE)
PLANE = Kernel("resize_plane", 0, 1, header="resize.h", params=_LINE)
COVER = Kernel(
    "resize_cover", 0, 1, header="resize.h",
    params="Plane coverage; const float* weights; int taps, to, along;",
)
DOWN = Kernel(
    "resize_down", form="driver", header="resize.h",
    params="Plane source[3]; Plane result[3]; const float* weights; int taps, inner; float* scratch;",
)
PHASES = 128
_STRIP_PX = 32  # output rows done at a time, so that the columns' sums stay small


def tap_count(from_px: int, to_px: int) -> int:
    """Samples under the filter, which reaches three output pixels to both sides."""
    return 2 * -(-3 * from_px // to_px)


@functools.lru_cache(maxsize=8)
def weight_table(from_px: int, to_px: int) -> Any:
    """float32 (128 phases, 2, taps): the sinc of `warp.py` stretched by the reduction, and its main lobe alone.

    Every row adds up to 1 exactly.
    """
    taps = tap_count(from_px, to_px)
    table = np.zeros((PHASES, 2, taps), np.float32)
    for phase in range(PHASES // 2 + 1):
        distances = [(tap - taps // 2 + 1 - phase / PHASES) * to_px / from_px for tap in range(taps)]
        table[phase] = [sinc_weights(distances), main_lobe(distances)]
        if phase:
            table[PHASES - phase] = table[phase, :, ::-1]
    return table


def first_sample(index: int, from_px: int, to_px: int) -> int:
    """The first sample of output pixel `index`, as in resize.h."""
    position = ((2 * index + 1) * from_px * PHASES + to_px) // (2 * to_px) - PHASES // 2
    return position // PHASES - tap_count(from_px, to_px) // 2 + 1


def samples_of(first: int, count: int, from_px: int, to_px: int) -> tuple[int, int]:
    """[begin, end) of the input that output pixels `first` … `first + count − 1` read, the mirrored ones included."""
    low = first_sample(first, from_px, to_px)
    high = first_sample(first + count - 1, from_px, to_px) + tap_count(from_px, to_px) - 1
    begin = max(min(low, 2 * (from_px - 1) - high), 0)
    return begin, min(max(high, -low), from_px - 1) + 1


class Resize(Stage):
    """Makes the picture smaller or larger; its shape stays.

    A reduction averages all that falls into a pixel (windowed sinc over six output pixels, kept from ringing); an
    enlargement interpolates over 6×6 pixels.
    """

    name: ClassVar[str] = "resize"
    kind: ClassVar[Kind] = "geometry"
    in_place: ClassVar[bool] = False
    version: ClassVar[int] = 2

    long_side: LengthField = Field(
        Length(100.0, "%"), description="The longer side of the result, in px or in % of what it is.",
    )

    @field_validator("long_side")
    @classmethod
    def _has_pixels(cls, value: Length) -> Length:
        if not (value.value >= 1.0 if value.unit == "px" else 0.0 < value.value <= 1000.0):
            raise ValueError("the long side must be at least 1px, or above 0% and at most 1000%")
        return value

    def is_neutral(self) -> bool:
        return self.long_side == Length(100.0, "%")

    def output_shape(self, shape: Shape) -> Shape:
        longer = max(shape.height, shape.width)
        wish = self.long_side.value if self.long_side.unit == "px" else self.long_side.value * longer / 100.0
        side = max(math.floor(wish + 0.5), 1)
        return Shape(max((2 * shape.height * side + longer) // (2 * longer), 1),
                     max((2 * shape.width * side + longer) // (2 * longer), 1))

    def to_output(self, shape: Shape) -> Matrix:
        """Where pixels of the input, a picture of size `shape`, come to lie: (x, y, 1) → (x, y, 1) of the output."""
        result = self.output_shape(shape)
        across, down = result.width / shape.width, result.height / shape.height
        return ((across, 0.0, 0.5 * across - 0.5), (0.0, down, 0.5 * down - 0.5), (0.0, 0.0, 1.0))

    def output_planes(self, planes: tuple[str, ...], shape: Shape) -> tuple[str, ...]:
        return planes

    def _enlargement(self, shape: Shape) -> Warp | None:
        """The map where the picture grows; None for a reduction."""
        result = self.output_shape(shape)
        if result.height < shape.height or result.width < shape.width:
            return None
        across, down = shape.width / result.width, shape.height / result.height
        return Warp.from_matrix(
            ((across, 0.0, 0.5 * across - 0.5), (0.0, down, 0.5 * down - 0.5), (0.0, 0.0, 1.0)), result, shape,
        )

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        warp = self._enlargement(shape)
        if warp is not None:
            return warp.input_window(wanted)
        result = self.output_shape(shape)
        rows = samples_of(wanted.y, wanted.height, shape.height, result.height)
        cols = samples_of(wanted.x, wanted.width, shape.width, result.width)
        return Window.between(rows[0], cols[0], rows[1], cols[1])

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        reduction = max(100.0 / self.long_side.value, 1.0) if self.long_side.unit == "%" else 16.0  # px: 16 assumed
        return math.ceil(4.0 * (2 * _STRIP_PX * planes + 15) * (wanted.width + 8) * reduction)

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        warp = self._enlargement(tile.picture)
        if warp is not None:
            return warp.run(device, tile, wanted)
        result = self.output_shape(tile.picture)
        given = tile.cut(self.input_window(wanted, tile.picture, facts))
        lower = Shape(result.height, tile.picture.width)
        out: Tile = device.tile(wanted, result, tile.planes)
        for y in range(wanted.y, wanted.y_end, _STRIP_PX):
            strip = Window(y, wanted.x, min(_STRIP_PX, wanted.y_end - y), wanted.width)
            rows = Window(y, given.window.x, strip.height, given.window.width)
            down = device.tile(rows, lower, tile.planes)
            if hasattr(device, "drive") and not given.has_coverage and len(tile.planes) == 3:
                _drive(device, given, down)
                turned = device.tile(_turned(strip), _turned(result.whole).shape, tile.planes)
                _drive(device, _copy_turned(device, down), turned)
                out.cut(strip).array[:] = turned.array.swapaxes(1, 2)
            else:
                _launch(device, given, down, along=0)
                _launch(device, down, out.cut(strip), along=1)
        return out


def _turned(window: Window) -> Window:
    return Window(window.x, window.y, window.width, window.height)


def _copy_turned(device: Any, tile: Tile) -> Tile:
    """The tile with rows as columns: both directions then run down the columns, with whole rows side by side."""
    turned: Tile = device.tile(_turned(tile.window), Shape(tile.picture.width, tile.picture.height), tile.planes)
    turned.array[:] = tile.array.swapaxes(1, 2)
    return turned


def _weights(device: Any, from_px: int, to_px: int) -> tuple[Any, dict[str, int]]:
    """The table in the device's memory (to be held while kernels run) and what kernels ask of it."""
    held = device.upload(weight_table(from_px, to_px).reshape(2 * PHASES, -1))
    shape = Shape(*held.shape)
    return held, {"weights": device.plane(held, shape.whole, shape).p, "taps": shape.width}


def _drive(device: Any, given: Tile, out: Tile) -> None:
    """The three colours down the columns, on the CPU."""
    from_px, to_px = given.picture.height, out.picture.height
    held, table = _weights(device, from_px, to_px)
    scratch = device.empty((1, 15 * out.window.width))
    whole = Shape(*scratch.shape)
    device.drive(
        DOWN, 0, out.window.height, source=device.planes(given), result=device.planes(out), inner=-(-from_px // to_px),
        scratch=device.plane(scratch, whole.whole, whole).p, **table,
    )
    del held


def _launch(device: Any, given: Tile, out: Tile, along: int) -> None:
    """One direction by the kernels of one pixel: down the columns (0) or along the rows (1)."""
    from_px = given.picture.width if along else given.picture.height
    to_px = out.picture.width if along else out.picture.height
    held, table = _weights(device, from_px, to_px)
    has = given.has_coverage
    cover = device.plane(given.plane(COVERAGE), given.window, given.picture) if has else PlaneArgument()
    sources, results = device.planes(given), device.planes(out)
    line = {"coverage": cover, "inner": -(-from_px // to_px), "to": to_px, "along": along, **table}
    device.launch(COLOURS, [], results[:3], source=sources[:3], **line)
    for name, source, result in zip(out.planes[3:], sources[3:], results[3:], strict=True):
        if name == COVERAGE:
            device.launch(COVER, [], [result], coverage=source, to=to_px, along=along, **table)
        else:
            device.launch(PLANE, [], [result], source=[source], **line)
    del held
