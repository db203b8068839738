"""Cuts a pass's tiles into smaller windows where a GPU's memory is too small for them; the bits do not depend on it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tilepipe.device.gpu import OutOfDeviceMemory
from tilepipe.geometry import Window
from tilepipe.run.engine import Engine

SMALLEST_PX = 128


class Fitting:
    """The largest window that fitted so far; it only shrinks while a pass lasts, and each time is told."""

    def __init__(self, device: Any, engine: Engine, name: str, level: int = 0) -> None:
        """`level`: of the picture that is made; a pixel of it stands for 2^level of the source."""
        self._device, self._engine, self._name = device, engine, name
        self._smallest = max(SMALLEST_PX >> level, 1)
        self._side: int | None = None

    def run(self, window: Window, make: Callable[[Window], None]) -> None:
        """`make` for the whole window, or for parts of it that cover it; OutOfDeviceMemory where even small ones fail."""
        waiting = self._cut(window)
        while waiting:
            part = waiting.pop(0)
            try:
                make(part)
            except OutOfDeviceMemory as error:
                self._device.trim(everything=True)
                side = max(part.height, part.width)
                if side <= self._smallest:
                    raise
                self._shrink(side, error)
                waiting = self._cut(part) + waiting

    def _shrink(self, side: int, error: OutOfDeviceMemory) -> None:
        half = -(-side // (2 * self._smallest)) * self._smallest  # whole blocks, as tiles are
        if self._side is None or half < self._side:
            self._side = half
            self._engine.tell(
                "warning", text=f"{self._name}: the GPU's memory is too small for tiles of {side} px "
                f"({error.faults[0].found}); {half} px are used",
                next_step="nothing: the result is the same; fewer workers or a smaller tile avoid it",
            )

    def _cut(self, window: Window) -> list[Window]:
        side = self._side
        if side is None or max(window.height, window.width) <= side:
            return [window]
        return [
            Window.between(y, x, min(y + side, window.y_end), min(x + side, window.x_end))
            for y in range(window.y, window.y_end, side) for x in range(window.x, window.x_end, side)
        ]
