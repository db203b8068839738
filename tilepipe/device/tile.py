"""A tile: the planes of one window of a picture, in a device's memory."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tilepipe.geometry import Shape, Window

COLOUR = ("red", "green", "blue")
COVERAGE = "coverage"  # 1 where the picture exists, 0 beyond a ragged edge


@dataclass(frozen=True)
class Tile:
    """Planar pixels `(plane, y, x)` of `window`, which lies inside a picture of size `picture`.

    `planes` names the planes: red, green, blue first, then what the picture carries along (coverage, …).
    """

    array: Any
    window: Window
    picture: Shape
    planes: tuple[str, ...] = COLOUR

    def __post_init__(self) -> None:
        if self.array.shape != (len(self.planes), self.window.height, self.window.width):
            raise ValueError(f"tile array {self.array.shape} for planes {self.planes} of window {self.window}")

    def plane(self, name: str) -> Any:
        return self.array[self.planes.index(name)]

    def cut(self, window: Window) -> Tile:
        """The part of this tile inside `window` (a view, no copy)."""
        if window == self.window:
            return self
        rows, cols = window.within(self.window)
        return Tile(self.array[:, rows, cols], window, self.picture, self.planes)

    @property
    def has_coverage(self) -> bool:
        return COVERAGE in self.planes
