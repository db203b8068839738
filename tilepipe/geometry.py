"""Sizes, windows and tile grids of a picture, as small values in `(y, x)` order and global pixels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Shape:
    """Height and width of a picture in pixels."""

    height: int
    width: int

    @property
    def pixels(self) -> int:
        return self.height * self.width

    @property
    def whole(self) -> Window:
        return Window(0, 0, self.height, self.width)

    def halved(self, times: int = 1) -> Shape:
        """The size `times` pyramid levels up: `ceil(n / 2)` each time."""
        height, width = self.height, self.width
        for _ in range(times):
            height, width = (height + 1) // 2, (width + 1) // 2
        return Shape(height, width)

    @property
    def depth(self) -> int:
        """Pyramid levels down to 1×1: `ceil(log2(longer side))`."""
        return (max(self.height, self.width) - 1).bit_length()

    def __str__(self) -> str:
        return f"{self.width}×{self.height} px"


@dataclass(frozen=True, order=True)
class Window:
    """A rectangle of a picture: first row, first column, height, width; it may reach beyond the picture until cut."""

    y: int
    x: int
    height: int
    width: int

    @classmethod
    def between(cls, y: int, x: int, y_end: int, x_end: int) -> Window:
        return cls(y, x, y_end - y, x_end - x)

    @property
    def y_end(self) -> int:
        return self.y + self.height

    @property
    def x_end(self) -> int:
        return self.x + self.width

    @property
    def shape(self) -> Shape:
        return Shape(self.height, self.width)

    @property
    def pixels(self) -> int:
        return self.height * self.width

    @property
    def rows(self) -> slice:
        return slice(self.y, self.y_end)

    @property
    def cols(self) -> slice:
        return slice(self.x, self.x_end)

    def padded(self, margin_px: int) -> Window:
        return Window(self.y - margin_px, self.x - margin_px, self.height + 2 * margin_px, self.width + 2 * margin_px)

    def cut(self, picture: Shape) -> Window:
        """The part inside the picture."""
        return self.intersection(picture.whole)

    def intersection(self, other: Window) -> Window:
        y, x = max(self.y, other.y), max(self.x, other.x)
        return Window.between(y, x, max(y, min(self.y_end, other.y_end)), max(x, min(self.x_end, other.x_end)))

    def union(self, other: Window) -> Window:
        return Window.between(
            min(self.y, other.y), min(self.x, other.x), max(self.y_end, other.y_end), max(self.x_end, other.x_end)
        )

    def contains(self, other: Window) -> bool:
        return self.y <= other.y and self.x <= other.x and self.y_end >= other.y_end and self.x_end >= other.x_end

    def within(self, outer: Window) -> tuple[slice, slice]:
        """Slices of this window inside an array that holds `outer`."""
        y, x = self.y - outer.y, self.x - outer.x
        return slice(y, y + self.height), slice(x, x + self.width)

    def __str__(self) -> str:
        return f"{self.width}×{self.height}+{self.x}+{self.y}"


@dataclass(frozen=True)
class Grid:
    """A picture cut into tiles of one size; those at the right and lower rim may be smaller."""

    picture: Shape
    tile_height: int
    tile_width: int

    @property
    def rows(self) -> int:
        return -(-self.picture.height // self.tile_height)

    @property
    def cols(self) -> int:
        return -(-self.picture.width // self.tile_width)

    def __len__(self) -> int:
        return self.rows * self.cols

    def __getitem__(self, index: int) -> Window:
        if not 0 <= index < len(self):
            raise IndexError(index)
        row, col = divmod(index, self.cols)
        tile = Window(row * self.tile_height, col * self.tile_width, self.tile_height, self.tile_width)
        return tile.cut(self.picture)

    def __iter__(self) -> Iterator[Window]:
        return (self[index] for index in range(len(self)))

    def touching(self, window: Window) -> list[int]:
        """Indices of the tiles that share pixels with `window`."""
        rows = range(max(window.y // self.tile_height, 0), min(-(-window.y_end // self.tile_height), self.rows))
        cols = range(max(window.x // self.tile_width, 0), min(-(-window.x_end // self.tile_width), self.cols))
        return [row * self.cols + col for row in rows for col in cols]
