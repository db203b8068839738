"""What sunlight falls on, measured: brighter than the shade around it, and warmer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field

from tilepipe.colour.spaces import luminance_row
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.masks.mask import Source
from tilepipe.masks.softened import Softness, Wide
from tilepipe.units import Length, LengthField, Stops

SEEN = Kernel("sunlit_seen", 3, 2, params="float weight[3];", header="sunlit.h")
SHADE = Kernel("sunlit_shade", 3, 3, header="sunlit.h")
LIT = Kernel(
    "sunlit_lit", 2, 1, header="sunlit.h",
    params="Plane shade, luminance, warmth; double per_coarse; float brighter, bright_slope, warmer, warm_slope;",
)


class Sunlit(Wide):
    """What sunlight falls on: brighter and warmer than the shade around it."""

    name: ClassVar[str] = "sunlit"
    version: ClassVar[int] = 2
    source: ClassVar[Source] = "measured"

    reach: LengthField = Field(Length(6.0, "%"), description="How far around a place its shade is looked for.")
    brighter: Stops = Field(0.4, ge=0, le=8, description="How much brighter than its shade a place must be to begin to count.")
    warmer: Stops = Field(
        0.15, ge=-4, le=4, description="How much warmer, red against blue, it must be to begin to count; −4EV: any colour."
    )
    soft: Stops = Field(0.5, gt=0, le=8, description="Over how much more of both it comes to count wholly.")

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        soft = self._softness(shape)
        coarse = soft.coarse(wanted, shape).padded(2 * soft.reach).cut(shape.halved(soft.level))
        return soft.fine(coarse, shape).union(wanted).cut(shape)

    def scratch_bytes(self, wanted: Window) -> int:
        soft = self._planned_softness()
        own = wanted.padded((2 + 2 * soft.reach) << soft.level)
        return 12 * wanted.pixels + 16 * own.pixels

    def parameters(self) -> dict[str, Any]:
        found = super().parameters()
        if self._lie is not None:  # lengths are those of the base frame
            found["base"] = [self._lie.base.height, self._lie.base.width]
            found["scale"] = self._lie.scale
        return found

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        shape, soft = tile.picture, self._softness(tile.picture)
        own = self.input_window(wanted, shape, facts)
        luminance, warmth = (device.empty((own.height, own.width)) for _ in range(2))
        fine = [device.plane(each, own, shape) for each in (luminance, warmth)]
        device.launch(SEEN, device.planes(tile.cut(own), 3), fine, weight=list(luminance_row()))
        kept = soft.coarse(wanted, shape)
        means, coarse = self._shade(device, soft, (luminance, warmth), own, kept, shape)
        rows, cols = wanted.within(own)
        ins = [device.plane(each[rows, cols], wanted, shape) for each in (luminance, warmth)]
        made, out = self._empty(device, tile, wanted)
        shade, bright, warm = (device.plane(each, kept, coarse) for each in means)
        device.launch(
            LIT, ins, [out], shade=shade, luminance=bright, warmth=warm, per_coarse=1.0 / (1 << soft.level),
            brighter=self.brighter, bright_slope=1.0 / self.soft, warmer=self.warmer, warm_slope=2.0 / self.soft,
        )
        del means
        return made

    def _shade(
        self, device: Any, soft: Softness, fine: tuple[Any, Any], own: Window, kept: Window, shape: Shape
    ) -> tuple[list[Any], Shape]:
        """Means of how much is shade, of its luminance and of its warmth, over `kept` of the level."""
        luminance, window, coarse = soft.reduced(device, fine[0], own, shape)
        warmth, _, _ = soft.reduced(device, fine[1], own, shape)
        middle = kept.padded(soft.reach).cut(coarse)
        around = soft.blurred(device, luminance, window, middle, coarse)
        rows, cols = middle.within(window)
        ins = [device.plane(each[rows, cols], middle, coarse) for each in (luminance, warmth)]
        parts = [device.empty((middle.height, middle.width)) for _ in range(3)]
        planes = [device.plane(each, middle, coarse) for each in parts]
        device.launch(SHADE, [*ins, device.plane(around, middle, coarse)], planes)
        return [soft.blurred(device, each, middle, kept, coarse) for each in parts], coarse
