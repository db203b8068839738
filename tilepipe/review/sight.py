"""What can be looked at – frames, steps, the finished picture, kept states – as code values and tiles for a screen."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from tilepipe.colour.deliverable import encode_tile, icc_profile
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.recipe.model import Recipe
from tilepipe.review.develop import JOINED, Development
from tilepipe.stages.display import Display
from tilepipe.store.pyramid_store import halved_tile

TILE_PX = 512  # of stored pictures and of final bits
LARGE_PX = 1280  # of reduced pictures
FINISHED = "finished"
SPACES = ("srgb", "display-p3")
JPEG_QUALITY = 90
MOST_KEPT = 32  # encoded pictures, some MB each
Codes = npt.NDArray[np.uint8]
IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@dataclass(frozen=True)
class Shown:
    """One picture as a screen shows it, reduced by `factor`; `to_base`: its full-size pixels → those of the base frame."""

    codes: Codes
    factor: int
    to_base: Matrix


@dataclass
class Sight:
    """Encodes pictures once and cuts tiles from them; thread-safe."""

    development: Development
    kept: dict[str, tuple[Tile, bool, Matrix]] = field(default_factory=dict)  # states kept for comparing
    _codes: OrderedDict[tuple[Any, ...], tuple[Any, Codes]] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def shown(self, view: str, recipe: Recipe, halvings: int = 0, space: str = "srgb") -> Shown:
        """A picture by its name: `finished`, `joined`, `step:ID`, `frame:NUMBER` or `kept:NAME`; KeyError for another."""
        ground = self.development.ground
        assert ground is not None
        tile, display, to_base = self.linear(view, recipe)
        key = (view, halvings, space)
        with self._lock:
            known = self._codes.get(key)
        if known is None or known[0] is not tile.array:
            known = (tile.array, self._encoded(ground.device, tile, display, halvings, space))
            with self._lock:
                self._codes[key] = known
                self._codes.move_to_end(key)
                while len(self._codes) > MOST_KEPT:
                    self._codes.popitem(last=False)
        return Shown(known[1], ground.factor << halvings, to_base)

    def linear(self, view: str, recipe: Recipe) -> tuple[Tile, bool, Matrix]:
        """The picture as light, whether `display` has fitted it to a screen, and where it lies in the base frame."""
        kind, _, name = view.partition(":")
        if kind == "kept":
            return self.kept[name]
        development = self.development
        if kind == "frame":
            ground = development.ground
            assert ground is not None
            if not 0 <= int(name) < len(ground.facts["frames"]):
                raise KeyError(view)
            picture = development.frame(int(name))
            return Tile(picture.array, picture.shape.whole, picture.shape, picture.planes), False, IDENTITY
        number = number_of(view, [step_id for step_id, _ in development.keys(recipe)])
        return development.tile(recipe, number), development.is_displayed(recipe, number), development.places(recipe)[number]

    def crop(self, recipe: Recipe, x: float, y: float, size: tuple[int, int], space: str) -> Codes:
        """A part of the reduced finished picture, `size` (y, x), around a place given in full-size pixels."""
        ground = self.development.ground
        assert ground is not None
        tile, display, _ = self.linear(FINISHED, recipe)
        height, width = min(size[0], tile.window.height), min(size[1], tile.window.width)
        top = min(max(int(y / ground.factor) - height // 2, 0), tile.window.height - height)
        left = min(max(int(x / ground.factor) - width // 2, 0), tile.window.width - width)
        return self._encoded(ground.device, tile.cut(Window(top, left, height, width)), display, 0, space)

    def _encoded(self, device: Any, tile: Tile, display: bool, halvings: int, space: str) -> Codes:
        colours = Tile(tile.array[:3], tile.window, tile.picture)
        for _ in range(halvings):
            colours = halved_tile(device, colours)
        if not display:
            colours = Display().run(device, colours, colours.window, {})
        return np.array(device.download(encode_tile(device, colours, space, 8))[:3])


def number_of(view: str, ids: list[str]) -> int:
    """The number of a view among the pictures after the steps `ids`, the first of which is the joined one; KeyError."""
    kind, _, name = view.partition(":")
    if view == FINISHED:
        return len(ids) - 1
    if view == JOINED:
        return 0
    if kind != "step" or name not in ids[1:]:
        raise KeyError(view)
    return ids.index(name, 1)


def tile_of(codes: Codes, row: int, column: int) -> Codes:
    """One tile `(plane, y, x)` of a reduced picture; an empty one beyond its rim."""
    window = Window(row * LARGE_PX, column * LARGE_PX, LARGE_PX, LARGE_PX)
    return codes[:, window.y : window.y_end, window.x : window.x_end]


def as_jpeg(codes: Codes, space: str = "srgb") -> bytes:
    """For reduced zooms, where neither noise nor banding is judged."""
    return _written(codes, "JPEG", space, quality=JPEG_QUALITY, subsampling=0)


def as_png(codes: Codes, space: str = "srgb") -> bytes:
    """Lossless, for what is looked at 1:1."""
    return _written(codes, "PNG", space, compress_level=0)  # the way is short: packing takes longer than sending


def grey_png(values: npt.NDArray[np.uint8]) -> bytes:
    """One plane `(y, x)`."""
    buffer = io.BytesIO()
    Image.fromarray(values).save(buffer, format="PNG", compress_level=1)
    return buffer.getvalue()


def _written(codes: Codes, kind: str, space: str, **options: Any) -> bytes:
    buffer = io.BytesIO()
    picture = Image.fromarray(np.ascontiguousarray(codes.transpose(1, 2, 0)))
    picture.save(buffer, format=kind, icc_profile=icc_profile(space), **options)
    return buffer.getvalue()
