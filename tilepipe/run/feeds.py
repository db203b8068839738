"""Frames as the rest of the run takes them: code values read by window, decoded, brought into the base frame's geometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy.typing as npt

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device.tile import Tile
from tilepipe.formats.frame import Frame, FrameInfo
from tilepipe.geometry import Shape, Window
from tilepipe.measure.fade import Fade
from tilepipe.stages.heal_veil import Veil, lifted
from tilepipe.stages.warp import Warp
from tilepipe.store.picture import Picture


class Codes(Protocol):
    """Anything that gives a frame's code values by window."""

    def read(self, window: Window) -> npt.NDArray[Any]: ...


@dataclass(frozen=True)
class FrameFeed:
    """One frame: its description, its code values (the file itself, or a working picture of them), its decoder.

    `warp` brings it into the base frame's geometry; None leaves it where it is. `fade` takes back light that faded from
    place to place, `veils` are dirt on the sensor that is lifted; the planes by which clipping is judged stay what the
    sensor saw.
    """

    name: str
    info: FrameInfo
    codes: Frame | Picture | Codes
    decoder: FrameDecoder
    light: float
    warp: Warp | None = None
    fade: Fade | None = None
    veils: tuple[Veil, ...] = ()

    @property
    def shape(self) -> Shape:
        return self.info.shape

    @property
    def linear(self) -> bool:
        """False for encoded pictures, whose curve is only assumed until the bracket has told it."""
        return self.info.camera is not None or self.decoder.encoding.transfer == "linear"

    def own_tile(self, device: Any, window: Window) -> Tile:
        """Linear light in the frame's own geometry."""
        codes_window = self.decoder.input_window(window, self.shape)
        tile = self.decoder.run(device, self.codes.read(codes_window), codes_window, self.shape, window)
        return lifted(device, tile, self.veils)

    def tile(self, device: Any, window: Window) -> Tile:
        """Linear light in the base frame's geometry."""
        if self.warp is None:
            tile = self.own_tile(device, window)
        else:
            tile = self.warp.run(device, self.own_tile(device, self.warp.input_window(window)), window, peaks=True)
        return tile if self.fade is None else self.fade.run(device, tile)

    @property
    def has_coverage(self) -> bool:
        """True where this frame, in the base frame's geometry, may leave pixels uncovered."""
        return self.info.has_coverage or (self.warp is not None and self.warp.leaves_input)


def light_of(info: FrameInfo) -> float:
    """Relative light t·ISO/N²; not a number where the file does not say."""
    return info.exposure.relative_light if info.exposure is not None else math.nan
