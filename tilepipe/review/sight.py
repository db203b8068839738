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
from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.recipe.model import Recipe, Step
from tilepipe.review.develop import JOINED, Development
from tilepipe.stages.display import Display
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.store.pyramid_store import halved_tile

TILE_PX = 512
FINISHED = "finished"
SPACES = ("srgb", "display-p3")
JPEG_QUALITY = 90
MOST_KEPT = 32  # encoded pictures, some MB each
Codes = npt.NDArray[np.uint8]


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
    _codes: OrderedDict[tuple[Any, ...], tuple[Tile, Codes]] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def shown(self, view: str, recipe: Recipe, halvings: int = 0, space: str = "srgb") -> Shown:
        """A picture by its name: `finished`, `joined`, `step:ID`, `frame:NUMBER` or `kept:NAME`; KeyError for another."""
        ground = self.development.ground
        assert ground is not None
        tile, display, to_base = self.linear(view, recipe)
        key = (view, halvings, space)
        with self._lock:
            known = self._codes.get(key)
        if known is None or known[0] is not tile:
            known = (tile, self._encoded(tile, display, halvings, space))
            with self._lock:
                self._codes[key] = known
                self._codes.move_to_end(key)
                while len(self._codes) > MOST_KEPT:
                    self._codes.popitem(last=False)
        return Shown(known[1], ground.factor << halvings, to_base)

    def linear(self, view: str, recipe: Recipe) -> tuple[Tile, bool, Matrix]:
        """The picture as light, whether `display` has fitted it to a screen, and where it lies in the base frame."""
        ground = self.development.ground
        assert ground is not None
        kind, _, name = view.partition(":")
        if kind == "kept":
            return self.kept[name]
        steps = ground.steps(recipe)
        if kind == "frame":
            index = int(name)
            if not 0 <= index < len(ground.frames):
                raise KeyError(view)
            return self._frame(index), False, _IDENTITY
        pictures = self.development.pictures(recipe)
        places = places_of(steps, ground.joined.picture, ground.factor)
        number = len(pictures) - 1 if kind == FINISHED else 0 if view == JOINED else self._number(pictures, view, name)
        return pictures[number][1], any(step.name == "display" for step in steps[:number]), places[number]

    def places(self, recipe: Recipe) -> list[Matrix]:
        """For the joined picture and after each step: its full-size pixels (x, y, 1) → those of the base frame."""
        ground = self.development.ground
        assert ground is not None
        return places_of(ground.steps(recipe), ground.joined.picture, ground.factor)

    @staticmethod
    def _number(pictures: list[tuple[str, Tile]], view: str, name: str) -> int:
        numbers = [index for index, (step_id, _) in enumerate(pictures) if step_id == name and index > 0]
        if not numbers:
            raise KeyError(view)
        return numbers[0]

    def _frame(self, index: int) -> Tile:
        """A frame's own light, as it was exposed, in working colours."""
        ground = self.development.ground
        assert ground is not None
        with self._lock:
            known = self._codes.get(("frame light", index, id(ground)))
        if known is None:
            tile = ground.frames[index]
            facts = {"frames": [{**ground.facts["frames"][index], "light": 1.0}], "base": 0}
            made = RadianceMerge().run(self.development.device, [tile], tile.window, facts)
            known = (Tile(np.array(made.array), made.window, made.picture, made.planes), np.empty(0, np.uint8))
            with self._lock:
                self._codes["frame light", index, id(ground)] = known
        return known[0]

    def _encoded(self, tile: Tile, display: bool, halvings: int, space: str) -> Codes:
        device = self.development.device
        colours = Tile(tile.array[:3], tile.window, tile.picture)
        for _ in range(halvings):
            colours = halved_tile(device, colours)
        if not display:
            colours = Display().run(device, colours, colours.window, {})
        return np.array(device.download(encode_tile(device, colours, space, 8))[:3])


_IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def places_of(steps: tuple[Step, ...], shape: Any, factor: int) -> list[Matrix]:
    """For the joined picture and after each step: its full-size pixels (x, y, 1) → those of the base frame."""
    to_here, found = _IDENTITY, [_IDENTITY]
    larger: Matrix = ((float(factor), 0.0, 0.5 * factor - 0.5), (0.0, float(factor), 0.5 * factor - 0.5), (0.0, 0.0, 1.0))
    smaller = exact.matrix_inverse(larger)
    for step in steps:
        to_output = getattr(step.stage, "to_output", None)
        if to_output is not None:
            to_here = exact.matrix_multiply(to_output(shape), to_here)
        shape = step.stage.output_shape(shape)
        full = exact.matrix_multiply(larger, exact.matrix_multiply(to_here, smaller))
        found.append(exact.matrix_inverse(full))
    return found


def tile_of(codes: Codes, row: int, column: int) -> Codes:
    """One tile `(plane, y, x)` of a picture; an empty one beyond its rim."""
    window = Window(row * TILE_PX, column * TILE_PX, TILE_PX, TILE_PX)
    return codes[:, window.y : window.y_end, window.x : window.x_end]


def as_jpeg(codes: Codes, space: str = "srgb") -> bytes:
    """For reduced zooms, where neither noise nor banding is judged."""
    return _written(codes, "JPEG", space, quality=JPEG_QUALITY, subsampling=0)


def as_png(codes: Codes, space: str = "srgb") -> bytes:
    """Lossless, for what is looked at 1:1."""
    return _written(codes, "PNG", space, compress_level=1)


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
