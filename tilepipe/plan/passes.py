"""What a plan is made of: passes in order, each a flat bag of independent tiles that makes one picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.chain import Chain, with_mask
from tilepipe.recipe.model import Step
from tilepipe.stages.deep import DeepStage

FRAMES = "frames"
Part = Literal["whole", "down", "up"]


@dataclass(frozen=True)
class UnpackPass:
    """Decodes one frame that cannot be read by windows into a working picture, once."""

    name: str
    frame: int
    shape: Shape


@dataclass(frozen=True)
class SurveyPass:
    """Goes through every frame in tiles, each read for one purpose after the other: digests, statistics, noise."""

    name: str
    shape: Shape
    tile: Shape
    frames: int


@dataclass(frozen=True)
class RefinePass:
    """Measures chosen blocks of the frames at full resolution, for alignment."""

    name: str


@dataclass(frozen=True)
class MotionPass:
    """Compares the aligned frames at full size, in tiles: what moved, and from which frame each part is taken."""

    name: str
    shape: Shape
    tile: Shape


@dataclass(frozen=True)
class PixelPass:
    """Source → `before` → `head` → `after` → the picture `output`, tile by tile.

    `source` is "frames" or a picture made earlier. `head` joins frames or is a deep stage's half, named by `part`;
    its hand-over level is `level`. `tile` is the tile's size in pixels of the output. `names` are the planes of the
    picture made, or, where a deep stage hands over planes of its own (`planes` of them), those of what it is given.
    """

    name: str
    source: str
    before: Chain
    head: Step | None
    part: Part
    after: Chain
    output: str
    planes: int
    names: tuple[str, ...]
    tile: Shape
    level: int = 0
    solved: str = ""

    @property
    def shape(self) -> Shape:
        return self.after.result

    @property
    def grid(self) -> Grid:
        return Grid(self.shape, self.tile.height, self.tile.width)

    def windows(self, wanted: Window, facts: Mapping[str, Any]) -> TileWindows:
        """Every window that the tile `wanted` needs, from the end of the pass backwards."""
        after = self.after.windows(wanted, facts)
        head = after[0]
        needed, solved = head, None
        if self.head is not None and self.part != "whole":
            stage, shape = self.head.stage, self.before.result
            assert isinstance(stage, DeepStage)
            if self.part == "down":
                needed = stage.down_window(head, self.level, shape)
            else:
                needed = with_mask(self.head, stage.up_window(head, self.level, shape), head, shape, facts)
                solved = stage.coarse_window(head, self.level, shape)
        return TileWindows(self.before.windows(needed, facts), head, solved, after)


@dataclass(frozen=True)
class TileWindows:
    """The windows of one tile: of each step before the head, of the head's result, of the solved level, of each step after."""

    before: tuple[Window, ...]
    head: Window
    solved: Window | None
    after: tuple[Window, ...]

    @property
    def source(self) -> Window:
        return self.before[0]


@dataclass(frozen=True)
class SolvePass:
    """The rest of a deep stage's pyramid: the whole hand-over level, in memory, in one go."""

    name: str
    head: Step
    source: str
    output: str
    level: int
    shape: Shape  # of the picture at full size
    planes: int


@dataclass(frozen=True)
class DeliverPass:
    """Writes one deliverable from a finished picture."""

    name: str
    index: int
    source: str
    shape: Shape
    planes: int


Pass = UnpackPass | SurveyPass | RefinePass | MotionPass | PixelPass | SolvePass | DeliverPass


@dataclass(frozen=True)
class Plan:
    """A job cut into passes, with what it will take; made without reading a pixel.

    `scratch_disk_bytes`: working pictures; `output_disk_bytes`: deliverables, 0 where that is not known yet.
    """

    passes: tuple[Pass, ...]
    result: str
    linear: str
    tile_px: int
    level: int
    workers: int
    memory_bytes: int
    promise_bytes: int
    scratch_disk_bytes: int
    seconds: float
    output_disk_bytes: int = 0

    @property
    def tiles(self) -> int:
        return sum(len(step.grid) for step in self.passes if isinstance(step, PixelPass))

    @property
    def way(self) -> tuple[PixelPass | SolvePass, ...]:
        """The passes from the frames to the finished picture, without those that only lead to the linear one."""
        needed, way = {self.result}, []
        for step in reversed(self.passes):
            if isinstance(step, PixelPass | SolvePass) and step.output in needed:
                needed |= {step.source} | ({step.solved} if isinstance(step, PixelPass) else set())
                way.append(step)
        return tuple(reversed(way))
