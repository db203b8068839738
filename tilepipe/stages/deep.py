"""What a deep stage is: one that reaches across the whole picture and still runs tile by tile, in two passes.

Pass 1 takes each tile exactly (its window widened level by level) down to the hand-over level and keeps only that level;
`solve` does the rest of the pyramid in memory, in one go; pass 2 recomputes the fine levels per tile and collapses them
onto the solved level. The hand-over level never changes a bit: it belongs to the planner.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.stage import Kind, Stage


class DeepStage(Stage):
    """A deep stage; `level` is the hand-over level D, a "coarse" window counts pixels of level D (`shape.halved(level)`)."""

    kind: ClassVar[Kind] = "deep"
    accepts_strided: ClassVar[bool] = False  # True: input tiles may be strided views (interleaved pixels) on the CPU

    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        """Planes handed over at the hand-over level."""
        raise NotImplementedError

    def top(self, shape: Shape) -> int:
        """The number of the coarsest level of a picture of this size."""
        return shape.depth

    def deep_scratch_bytes(self, wanted: Window, level: int, shape: Shape, coverage: bool = False) -> int:
        """Bytes beside input and output that `up` of `wanted`, or `down` of the same area, allocates."""
        return self.scratch_bytes(wanted, 4 if coverage else 3)

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        """The input window (cut to the picture) that an exact `coarse` window of the hand-over level needs."""
        raise NotImplementedError

    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        """Pass 1: the hand-over planes of `coarse`, a tile of the picture of size `shape.halved(level)`."""
        raise NotImplementedError

    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        """The rest of the pyramid, in memory: whole hand-over level in, whole solved hand-over level out."""
        raise NotImplementedError

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        """The input window (cut to the picture) that `wanted` of the output needs in pass 2."""
        raise NotImplementedError

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        """The window of the solved hand-over level that `wanted` of the output needs in pass 2."""
        raise NotImplementedError

    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any]
    ) -> Tile:
        """Pass 2: the pixels of `wanted`; `solved` holds at least `coarse_window(wanted)`."""
        raise NotImplementedError
