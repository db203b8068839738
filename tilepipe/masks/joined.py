"""Masks made of several others: what all of them say, any of them, none of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.masks.mask import Inner, Mask, Source

LEAST = Kernel("mask_least", 2, 1, header="joined.h")
MOST = Kernel("mask_most", 2, 1, header="joined.h")
REST = Kernel("mask_rest", 1, 1, header="joined.h")


class _Joined(Mask):
    """One plane after the other, joined by a kernel of two planes."""

    source: ClassVar[Source] = "joined"
    inner: ClassVar[Inner] = "many"
    join: ClassVar[Kernel] = LEAST

    def scratch_bytes(self, wanted: Window) -> int:
        return 8 * wanted.pixels + max(mask.scratch_bytes(wanted) for mask in self.masks)

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        made = self.masks[0].plane(device, tile, wanted, facts)
        for mask in self.masks[1:]:
            other = mask.plane(device, tile, wanted, facts)
            both = [device.plane(made, wanted, tile.picture), device.plane(other, wanted, tile.picture)]
            array, out = self._empty(device, tile, wanted)
            device.launch(self.join, both, [out])
            made = array
        return made


class AllOf(_Joined):
    """Where all of these masks are: the least of them at each pixel."""

    name: ClassVar[str] = "all_of"


class AnyOf(_Joined):
    """Where any of these masks is: the most of them at each pixel."""

    name: ClassVar[str] = "any_of"
    join: ClassVar[Kernel] = MOST


class NoneOf(_Joined):
    """Where none of these masks is: what the most of them leaves of 1."""

    name: ClassVar[str] = "none_of"
    join: ClassVar[Kernel] = MOST

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        most = super().plane(device, tile, wanted, facts)
        array, out = self._empty(device, tile, wanted)
        device.launch(REST, [device.plane(most, wanted, tile.picture)], [out])
        return array
