"""Masks made softer: faded evenly over a distance, or drawn to the picture's own edges."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, field_validator

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.masks.mask import Inner, Mask, Source
from tilepipe.store.pyramid_store import HALVE
from tilepipe.units import Length, LengthField, Stops

BLUR = Kernel("mask_blur", 0, 1, params="Plane source; const float* taps; int reach, along;", header="softened.h")
EXPAND = Kernel("mask_expand", 0, 1, params="Plane source; double per_coarse;", header="softened.h")
GUIDE = Kernel("mask_guide", 3, 1, params="float weight[3];", header="softened.h")
PRODUCTS = Kernel("mask_products", 2, 2, header="softened.h")
LINE = Kernel("mask_line", 4, 2, params="float noise;", header="softened.h")
FOLLOWED = Kernel("mask_followed", 1, 1, params="Plane slope, offset; double per_coarse;", header="softened.h")
_WEIGHT_STEPS = 1 << 23  # weights are whole 2^-23, so that their sum is exactly 1 and a constant mask stays
_FINE_SIGMA_PX = 3.0  # above it one level is left out: halving and going back blur by about one pixel themselves
_LEVEL_SPREAD = 0.25  # what they add to the variance, in pixels of the level: 1/12 by averaging, 1/6 by interpolating


@functools.lru_cache(maxsize=64)
def gaussian(sigma: float) -> tuple[float, ...]:
    """Weights of a Gaussian from its middle outward, to three standard deviations; twice all but the first add up to 1."""
    if sigma <= 0.0:
        return (1.0,)
    raw = [exact.exp(-0.5 * (d / sigma) * (d / sigma)) for d in range(math.ceil(3.0 * sigma) + 1)]
    total = raw[0]
    for weight in raw[1:]:
        total = total + 2.0 * weight
    steps = [math.floor(weight / total * _WEIGHT_STEPS + 0.5) for weight in raw]
    steps[0] = _WEIGHT_STEPS - 2 * sum(steps[1:])
    return tuple(count / _WEIGHT_STEPS for count in steps)


@dataclass(frozen=True)
class Softness:
    """A Gaussian of standard deviation `sigma` px as it is done: on which level, with which weights there."""

    sigma: float

    @property
    def level(self) -> int:
        return max(0, math.floor(exact.log2(self.sigma / _FINE_SIGMA_PX)) + 1) if self.sigma > _FINE_SIGMA_PX else 0

    @property
    def weights(self) -> tuple[float, ...]:
        there = self.sigma / (1 << self.level)
        return gaussian(exact.sqrt(there * there - _LEVEL_SPREAD) if self.level else there)

    @property
    def reach(self) -> int:
        """In pixels of the level."""
        return len(self.weights) - 1

    def coarse(self, wanted: Window, shape: Shape) -> Window:
        """The pixels of the level that lie under `wanted`, with the neighbours that going back to full size reads."""
        size = 1 << self.level
        found = Window.between(wanted.y // size, wanted.x // size, -(-wanted.y_end // size), -(-wanted.x_end // size))
        return found.padded(1).cut(shape.halved(self.level))

    def fine(self, coarse: Window, shape: Shape) -> Window:
        """The pixels at full size that make these of the level."""
        size = 1 << self.level
        return Window(coarse.y * size, coarse.x * size, coarse.height * size, coarse.width * size).cut(shape)

    def reduced(self, device: Any, array: Any, window: Window, shape: Shape) -> tuple[Any, Window, Shape]:
        """A plane brought down to the level."""
        for _ in range(self.level):
            below = Window.between(window.y // 2, window.x // 2, (window.y_end + 1) // 2, (window.x_end + 1) // 2)
            made = device.empty((below.height, below.width))
            device.launch(
                HALVE, [device.plane(array, window, shape)], [device.plane(made, below, shape.halved())],
                height=shape.height, width=shape.width,
            )
            array, window, shape = made, below, shape.halved()
        return array, window, shape

    def blurred(self, device: Any, array: Any, window: Window, wanted: Window, shape: Shape) -> Any:
        """`wanted` of the blurred plane, from `window` of it, both of a picture of size `shape` at the level."""
        table = device.upload(np.array([self.weights], np.float32))
        taps = device.plane(table, Window(0, 0, 1, self.reach + 1), Shape(1, self.reach + 1)).p
        for along, kept in ((0, Window(wanted.y, window.x, wanted.height, window.width)), (1, wanted)):
            made = device.empty((kept.height, kept.width))
            device.launch(
                BLUR, [], [device.plane(made, kept, shape)], source=device.plane(array, window, shape), taps=taps,
                reach=self.reach, along=along,
            )
            array, window = made, kept
        del table
        return array


class Wide(Mask):
    """What masks share that look around every place as far as `reach`, on a coarse level."""

    reach: LengthField

    @field_validator("reach")
    @classmethod
    def _is_some_way(cls, reach: Length) -> Length:
        if not 0.0 < reach.value <= (100.0 if reach.unit == "%" else 20_000.0):
            raise ValueError("needs a reach above 0, and at most 100% or 20000px")
        return reach

    def _softness(self, shape: Shape) -> Softness:
        lie = self.lie(shape)
        return Softness(0.5 * lie.pixels(self.reach) / lie.scale)

    def _planned_softness(self) -> Softness:
        """Of a plan that does not know the picture yet: a wide one."""
        return Softness(64.0) if self._lie is None else self._softness(self._lie.base)


class _Softened(Wide):
    """What softened masks share: one mask that they soften, and how far."""

    source: ClassVar[Source] = "softened"
    inner: ClassVar[Inner] = "one"
    blurs: ClassVar[int] = 1

    reach: LengthField = Field(description="How far it fades to both sides: two standard deviations, at full size.")

    def _own_window(self, wanted: Window, shape: Shape) -> Window:
        """Where the softened mask must be known."""
        soft = self._softness(shape)
        coarse = soft.coarse(wanted, shape).padded(self.blurs * soft.reach).cut(shape.halved(soft.level))
        return soft.fine(coarse, shape)

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        if not self.is_measured:
            return wanted.cut(shape)
        own = self._own_window(wanted, shape)
        return self.masks[0].input_window(own, shape, facts).union(own if self.is_guided else wanted).cut(shape)

    is_guided: ClassVar[bool] = False

    @property
    def is_measured(self) -> bool:
        return self.is_guided or super().is_measured

    def scratch_bytes(self, wanted: Window) -> int:
        soft = self._planned_softness()
        own = wanted.padded((2 + self.blurs * soft.reach) << soft.level)
        return 8 * wanted.pixels + (16 if self.is_guided else 8) * own.pixels + self.masks[0].scratch_bytes(own)

    def parameters(self) -> dict[str, Any]:
        found = super().parameters()
        if self._lie is not None:  # lengths are those of the base frame
            found["base"] = [self._lie.base.height, self._lie.base.width]
            found["scale"] = self._lie.scale
        return found


class Feather(_Softened):
    """The mask, faded evenly: a Gaussian."""

    name: ClassVar[str] = "feather"

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        shape, soft = tile.picture, self._softness(tile.picture)
        own = self._own_window(wanted, shape)
        mask = self.masks[0].plane(device, tile, own, facts)
        array, window, coarse = soft.reduced(device, mask, own, shape)
        kept = soft.coarse(wanted, shape)
        blurred = soft.blurred(device, array, window, kept, coarse)
        made, out = self._empty(device, tile, wanted)
        source = device.plane(blurred, kept, coarse)
        device.launch(EXPAND, [], [out], source=source, per_coarse=1.0 / (1 << soft.level))
        return made


class FollowEdges(_Softened):
    """The mask, drawn to the picture's edges near its own: they may lie `reach` apart."""

    name: ClassVar[str] = "follow_edges"
    blurs: ClassVar[int] = 2
    is_guided: ClassVar[bool] = True

    contrast: Stops = Field(0.5, gt=0, le=8, description="Steps of brightness well above this count as edges.")

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        shape, soft = tile.picture, self._softness(tile.picture)
        own = self._own_window(wanted, shape)
        mask = self.masks[0].plane(device, tile, own, facts)
        guide = self._guide(device, tile, own)
        slope, offset, coarse = self._lines(device, soft, guide, mask, own, soft.coarse(wanted, shape), shape)
        made, out = self._empty(device, tile, wanted)
        rows, cols = wanted.within(own)
        fine = device.plane(guide[rows, cols], wanted, shape)
        device.launch(FOLLOWED, [fine], [out], slope=slope[1], offset=offset[1], per_coarse=1.0 / (1 << soft.level))
        del slope, offset, coarse
        return made

    def _guide(self, device: Any, tile: Tile, window: Window) -> Any:
        guide = device.empty((window.height, window.width))
        planes = device.planes(tile.cut(window), 3)
        device.launch(GUIDE, planes, [device.plane(guide, window, tile.picture)], weight=list(luminance_row()))
        return guide

    def _lines(
        self, device: Any, soft: Softness, guide: Any, mask: Any, own: Window, kept: Window, shape: Shape
    ) -> tuple[tuple[Any, PlaneArgument], tuple[Any, PlaneArgument], Shape]:
        """Slope and offset of the mask against the guide over `kept` of the level, each with its plane."""
        first, window, coarse = soft.reduced(device, guide, own, shape)
        second, _, _ = soft.reduced(device, mask, own, shape)
        squares, products = (device.empty((window.height, window.width)) for _ in range(2))

        def plane(array: Any, at: Window) -> Any:
            return device.plane(array, at, coarse)

        device.launch(
            PRODUCTS, [plane(first, window), plane(second, window)], [plane(squares, window), plane(products, window)]
        )
        middle = kept.padded(soft.reach).cut(coarse)
        means = [soft.blurred(device, each, window, middle, coarse) for each in (first, second, squares, products)]
        lines = [device.empty((middle.height, middle.width)) for _ in range(2)]
        device.launch(
            LINE, [plane(each, middle) for each in means], [plane(each, middle) for each in lines],
            noise=self.contrast * self.contrast,
        )
        slope, offset = (soft.blurred(device, each, middle, kept, coarse) for each in lines)
        return (slope, plane(slope, kept)), (offset, plane(offset, kept)), coarse
