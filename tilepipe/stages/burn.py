"""Burn: darkens what is about as bright as stated, with a smooth weight; usually within a mask."""

from __future__ import annotations

from typing import ClassVar

from tilepipe.stages.dodge import BrightnessStep


class Burn(BrightnessStep):
    """Darkens tones around a brightness; darker and brighter ones fade back to what they were.

    The counterpart of `dodge`: `stops` says how much darker. The order of tones never turns around. Hue stays; with
    `luminance_only` OKLab's chroma stays too.
    """

    name: ClassVar[str] = "burn"

    def _signed_stops(self) -> float:
        return -self.stops
