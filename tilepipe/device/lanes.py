"""Several GPUs as one device: each thread works on one of them, all of them on one picture."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.gpu import GpuDevice

Array = npt.NDArray[Any]


class _Lane(threading.local):
    """The card that a thread was given."""

    card: GpuDevice | None = None


class GpuLanes:
    """The methods of `GpuDevice`, on the calling thread's card; what every thread reads lies in the host's memory.

    Threads get the cards in turn, so that with a whole number of threads a card none waits for another's. Between passes
    pictures go over the bus: a card cannot read another's memory everywhere.
    """

    kind = "gpu"

    def __init__(self, cards: Sequence[GpuDevice]) -> None:
        self.cards = tuple(cards)
        self._lane, self._turn = _Lane(), itertools.count()

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.here, name)

    @property
    def here(self) -> GpuDevice:
        """The calling thread's card."""
        if self._lane.card is None:
            self._lane.card = self.cards[next(self._turn) % len(self.cards)]
        return self._lane.card

    @property
    def name(self) -> str:
        numbers = ",".join(str(card.index) for card in self.cards)
        return f"gpu:{numbers} {', '.join(dict.fromkeys(card.card for card in self.cards))}"

    @property
    def identity(self) -> str:
        return "; ".join(card.identity for card in self.cards)

    @property
    def workers(self) -> int:
        return sum(card.workers for card in self.cards)

    def tile_px(self, workers: int) -> int:
        each = -(-workers // len(self.cards))
        return min(card.tile_px(each) for card in self.cards)

    def trim(self, everything: bool = False) -> None:
        for card in self.cards:
            card.trim(everything)

    def locked(self, arrays: Sequence[Array], last: Array | None = None) -> AbstractContextManager[None]:
        """Pages are locked for all cards at once."""
        return self.cards[0].locked(arrays, last)

    def held(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
        """Locked memory of the host for a whole working picture; it is unlocked when the array is gone."""
        return self.cards[0].lock_while_alive(self.cards[0].result(shape, dtype))

    def settled(self, array: Any) -> Array:
        """The array in the host's memory, where every card finds it."""
        number = getattr(getattr(array, "device", None), "id", None)
        made = [card for card in self.cards if card.index == number]
        return np.array(made[0].download(made[0].settled(array))) if made else np.asarray(array)
