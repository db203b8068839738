"""A finished picture on the disk, of any size: the OME-Zarr deliverable with its reduced copies, tile by tile."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import numpy as np

from tilepipe.formats.write_ome_zarr import ATTRIBUTE, open_levels
from tilepipe.geometry import Shape, Window
from tilepipe.review.sight import TILE_PX, Codes

RESULT = "result"


class Stored:
    """Reads the levels of one picture; nothing of it is kept in memory."""

    def __init__(self) -> None:
        self._levels: list[Any] = []
        self._lock = threading.Lock()
        self.space, self.stamp, self.receipt = "srgb", "", {}  # type: ignore[var-annotated]

    @property
    def ready(self) -> bool:
        return bool(self._levels)

    @property
    def shape(self) -> Shape:
        return Shape(*self._levels[0].shape[1:])

    def look_in(self, out: Path, name: str) -> None:
        """Opens what the last run delivered into its folder, if it is there and of a kind that has levels."""
        self.receipt = _receipt(out / f"{name}.receipt.json")
        for item in self.receipt.get("deliverables", []):
            if item.get("kind") == "ome-zarr" and (out / item["path"]).is_dir():
                self.open(out / item["path"])
                return

    def open(self, folder: Path) -> None:
        """An OME-Zarr picture of this project's own making."""
        attributes, levels = open_levels(folder)
        told = attributes[ATTRIBUTE]
        with self._lock:
            self.space, self.stamp = str(told["space"]), str(told["result_root"])[:24]
            self._levels = list(levels)

    def view(self, world: tuple[int, int]) -> dict[str, Any]:
        """For the page: `to_world` spreads the picture over a world of (width, height)."""
        across, down = world[0] / self.shape.width, world[1] / self.shape.height
        return {
            "name": RESULT, "label": "result of the last run", "stamp": self.stamp, "factor": 1, "exact": False,
            "levels": len(self._levels),
            "to_world": ((across, 0.0, 0.5 * across - 0.5), (0.0, down, 0.5 * down - 0.5), (0.0, 0.0, 1.0)),
        }

    def tile(self, level: int, row: int, column: int) -> Codes:
        """One tile `(plane, y, x)` as 8-bit codes in the picture's own space; an empty one beyond the rim."""
        array = self._levels[level]
        window = Window(row * TILE_PX, column * TILE_PX, TILE_PX, TILE_PX).cut(Shape(*array.shape[1:]))
        if window.height < 1 or window.width < 1:
            return np.empty((3, 0, 0), np.uint8)
        codes = np.asarray(array[:3, window.rows, window.cols])
        return codes if codes.dtype == np.uint8 else ((codes.astype(np.uint32) + 128) // 257).astype(np.uint8)


def _receipt(path: Path) -> dict[str, Any]:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}
