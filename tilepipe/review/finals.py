"""Windows at full size with the bits that the full run will have; what they need of the whole picture is made once."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tilepipe.colour.deliverable import encode_tile
from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.geometry import Shape, Window
from tilepipe.recipe.model import Recipe
from tilepipe.review.sight import Codes
from tilepipe.run.engine import Listener
from tilepipe.run.recipe_run import Settings
from tilepipe.run.window import FinalWindows, final_windows
from tilepipe.store.pyramid_store import finer_window, halved_tile


@dataclass
class Finals:
    """Keeps one prepared run open – and with it the working folder – until another recipe, `close` or a full run."""

    settings: Settings
    device: Any
    listener: Listener | None = None
    _key: str = ""
    _run: FinalWindows | None = None
    _held: ExitStack | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def shape(self, recipe: Recipe) -> Shape:
        """The finished picture's size."""
        return self._prepared(recipe).shape

    def codes(self, recipe: Recipe, wanted: Window, halvings: int = 0, space: str = "srgb") -> Codes:
        """A window of the finished picture, halved some times: code values `(plane, y, x)`; empty beyond the rim."""
        run = self._prepared(recipe)
        shape, device = run.shape, self.device
        levels = [shape.halved(level) for level in range(halvings + 1)]
        window = wanted.cut(levels[-1])
        if window.height < 1 or window.width < 1:
            return np.empty((3, 0, 0), np.uint8)
        for level in reversed(levels[:-1]):
            window = finer_window(window, level)
        tile = Tile(device.upload(run.light(window)[:3]), window, shape)
        for _ in range(halvings):
            tile = halved_tile(device, tile)
        return np.array(device.download(encode_tile(device, tile, space, 8))[:3])

    def pixels(self, recipe: Recipe, wanted: Window) -> Any:
        """The exact float32 pixels `(plane, y, x)` of a window inside the finished picture."""
        return self._prepared(recipe).light(wanted)

    def close(self) -> None:
        """Releases the working folder, for a full run or another process."""
        with self._lock:
            self._release()

    def _release(self) -> None:
        held, self._held, self._run, self._key = self._held, None, None, ""
        if held is not None:
            held.close()

    def _prepared(self, recipe: Recipe) -> FinalWindows:
        key = key_of({"recipe": recipe.resolved()})
        with self._lock:
            if self._run is None or key != self._key:
                self._release()
                held = ExitStack()
                try:
                    run = held.enter_context(final_windows(recipe, self.settings, self.listener))
                except BaseException:
                    held.close()
                    raise
                self._key, self._run, self._held = key, run, held
            return self._run
