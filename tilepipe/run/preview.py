"""A recipe's picture at the size of a screen, kept step by step in memory: a change costs what comes after it."""

from __future__ import annotations

import dataclasses
import threading
from collections import OrderedDict
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import encode_tile
from tilepipe.device import exact
from tilepipe.device.choose import open_device
from tilepipe.device.cores import usable_cores
from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.geometry import Shape, Window
from tilepipe.plan.chain import IDENTITY, descriptor
from tilepipe.plan.reduced import reduction
from tilepipe.recipe.model import Recipe, Step
from tilepipe.run.copies import Copies, reduced_frames
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import read_tile
from tilepipe.run.mixing import mask_of
from tilepipe.run.preview_steps import Cancelled, StripEngine, after_step
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.blend import Blend
from tilepipe.stages.display import Display
from tilepipe.store.picture import MemoryPicture

Codes = npt.NDArray[np.uint8]
KEPT_BYTES = 768 << 20  # of pictures after steps; chosen here: forty of 1.6 MP
FRAMES = "frames"  # the place before every step


class Preview:
    """The picture of a recipe whose longer side is about `size_px`, and the picture after each of its steps.

    The frames are measured at full size and reduced once (kept in the working folder, which is held meanwhile); from then
    on everything is in memory. `picture` makes what is missing and recalls the rest, also of earlier values: undoing a
    change costs nothing. All methods may be called from any thread; calls wait for each other, and one whose `cancel` is
    set raises `Cancelled` within a strip's time.
    """

    def __init__(
        self, recipe: Recipe, settings: Settings | None = None, size_px: int = 1600, listener: Listener | None = None
    ) -> None:
        self.recipe = recipe
        self._settings, self._size_px, self._listener = settings or Settings(), size_px, listener
        self._lock = threading.RLock()
        device = open_device(self._settings.device, lambda text: None)
        self._engine = StripEngine(device, self._settings.workers or usable_cores())
        self._copies: Copies | None = None
        self._copied = ""
        self._pictures: OrderedDict[str, MemoryPicture] = OrderedDict()

    def close(self) -> None:
        """Ends the threads and forgets all pictures."""
        self._engine.close()
        with self._lock:
            self._pictures.clear()
            self._copies = None

    def __enter__(self) -> Preview:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ what there is
    def open(self) -> None:
        """Measures and reduces the frames, if that is not done yet; the first `picture` does it by itself."""
        with self._lock:
            wanted = _frames_part(self.recipe)
            if self._copies is None or self._copied != wanted:
                self._copies, self._copied = self._made_copies(), wanted

    def changed(self, recipe: Recipe) -> str | None:
        """Takes another state of the recipe; returns the id of the first step whose picture it changes.

        `frames` means that they must be measured anew; None that nothing changes.
        """
        with self._lock:
            before = self._keys() if self._copies is not None else {}
            self.recipe = recipe
            if self._copies is None or self._copied != _frames_part(recipe):
                return FRAMES
            after = self._keys()
            return next((name for name, key in after.items() if before.get(name) != key), None) or (
                next(iter(reversed(after)), None) if len(after) != len(before) else None
            )

    @property
    def steps(self) -> tuple[str, ...]:
        """The ids of the steps that make pictures, in order; the blend is the first."""
        with self._lock:
            return tuple(step.id for step in self._steps())

    @property
    def facts(self) -> Mapping[str, Any]:
        """All that was measured of the frames at full size, as stages get it (noise is that of the copies)."""
        self.open()
        assert self._copies is not None
        return self._copies.facts

    @property
    def factor(self) -> int:
        """How many full-size pixels there are to a pixel."""
        self.open()
        assert self._copies is not None
        return self._copies.factor

    @property
    def copies(self) -> Copies:
        """The frames' reduced copies and what was measured of them."""
        with self._lock:
            return self._opened()

    def keys(self) -> dict[str, str]:
        """What the picture after each step depends on, by the step's id; the same key, the same picture."""
        with self._lock:
            return self._keys()

    def shape(self, upto_step: str | None = None) -> Shape:
        """The size of the picture after a step, of the finished one by default."""
        with self._lock:
            shape = self._opened().shape
            for step in self._upto(upto_step):
                shape = step.stage.output_shape(shape)
            return shape

    def from_base(self, upto_step: str | None = None) -> exact.Matrix:
        """Takes (x, y, 1), fractions of the base frame, to pixels of the picture after a step (centres are whole)."""
        with self._lock:
            copies = self._opened()
            full = copies.full
            matrix: exact.Matrix = ((float(full.width), 0.0, -0.5), (0.0, float(full.height), -0.5), (0.0, 0.0, 1.0))
            matrix = exact.matrix_multiply(reduction(copies.factor), matrix)
            return exact.matrix_multiply(self._geometry(upto_step), matrix)

    def _geometry(self, upto_step: str | None) -> exact.Matrix:
        matrix, shape = IDENTITY, self._opened().shape
        for step in self._upto(upto_step):
            to_output = getattr(step.stage, "to_output", None)
            if to_output is not None:
                matrix = exact.matrix_multiply(to_output(shape), matrix)
            shape = step.stage.output_shape(shape)
        return matrix

    # ------------------------------------------------------------ pictures
    def picture(self, upto_step: str | None = None, cancel: threading.Event | None = None) -> Codes:
        """sRGB codes `(y, x, 3)` of the picture after a step; one without `display` yet is shown as `display` would."""
        with self._lock:
            steps = self._upto(upto_step)
            return self._shown(self._light(steps, cancel), steps, cancel)

    def light(self, upto_step: str | None = None, cancel: threading.Event | None = None) -> MemoryPicture:
        """The picture after a step as the step gives it: linear Rec.2020, float32; for looking only, never written to."""
        with self._lock:
            return self._light(self._upto(upto_step), cancel)

    def frame(self, index: int, cancel: threading.Event | None = None) -> Codes:
        """One frame, counted from the darkest (0), aligned, at its own exposure and white: 1.0 is where it clips."""
        with self._lock:
            return self._encoded(self.frame_light(index, cancel), cancel)

    def frame_light(self, index: int, cancel: threading.Event | None = None) -> MemoryPicture:
        """The same as light: linear Rec.2020, float32."""
        with self._lock:
            copies = self._opened()
            one = {**copies.facts["frames"][index], "light": 1.0}
            alone = dataclasses.replace(
                copies, feeds=(copies.feeds[index],), maps=None, facts={**copies.facts, "frames": [one], "base": 0},
                key=key_of({"alone": copies.key, "frame": index}), coverage=copies.feeds[index].has_coverage,
            )
            step = Step(id="frame", stage=Blend(method="radiance"))
            return self._recalled(alone.key, lambda: after_step(self._engine, alone, step, None, cancel))

    def mask(self, step_id: str, cancel: threading.Event | None = None) -> npt.NDArray[np.float32]:
        """The mask of a step, 0..1 `(y, x)`, over the picture before it; all 1 where it has none. KeyError: no such step."""
        with self._lock:
            steps = self._steps()
            place = next((index for index, step in enumerate(steps) if step.id == step_id), None)
            if not place:
                raise KeyError(step_id)
            before = self._light(steps[:place], cancel)
            whole = read_tile(self._engine.device, before, before.shape.whole)
            plane = mask_of(self._engine.device, steps[place], whole, before.shape.whole, self._opened().facts)
            if plane is None:
                return np.ones((before.shape.height, before.shape.width), np.float32)
            return np.array(self._engine.device.download(plane), np.float32)

    # ------------------------------------------------------------ inside
    def _opened(self) -> Copies:
        self.open()
        assert self._copies is not None
        return self._copies

    def _made_copies(self) -> Copies:
        plain = self.recipe.model_copy(update={"deliver": ()})
        with prepared(plain, self._settings, self._listener) as run:
            copies = reduced_frames(run, self._size_px)
            feeds = tuple(
                dataclasses.replace(feed, codes=_in_memory(feed.codes)) for feed in copies.feeds
            )
            return dataclasses.replace(copies, feeds=feeds)

    def _steps(self) -> tuple[Step, ...]:
        return self._opened().job(self.recipe).steps

    def _upto(self, upto_step: str | None) -> tuple[Step, ...]:
        steps = self._steps()
        if upto_step is None:
            return steps
        for index, step in enumerate(steps):
            if step.id == upto_step:
                return steps[: index + 1]
        raise KeyError(upto_step)

    def _keys(self) -> dict[str, str]:
        return _keys_of(self._opened(), self._steps())

    def _light(self, steps: tuple[Step, ...], cancel: threading.Event | None) -> MemoryPicture:
        """The picture after the steps, made from the last one that is still known."""
        copies = self._opened()
        keys = list(_keys_of(copies, steps).values())
        known = max((index for index, key in enumerate(keys) if key in self._pictures), default=-1)
        picture = self._recalled(keys[known], None) if known >= 0 else None
        for step, key in list(zip(steps, keys, strict=True))[known + 1 :]:
            if cancel is not None and cancel.is_set():
                raise Cancelled
            picture = self._kept(key, after_step(self._engine, copies, step, picture, cancel))
        assert picture is not None
        return picture

    def _recalled(self, key: str, make: Any) -> MemoryPicture:
        if key not in self._pictures:
            return self._kept(key, make())
        self._pictures.move_to_end(key)
        return self._pictures[key]

    def _kept(self, key: str, picture: MemoryPicture) -> MemoryPicture:
        self._pictures[key] = picture
        while len(self._pictures) > 1 and sum(each.array.nbytes for each in self._pictures.values()) > KEPT_BYTES:
            self._pictures.popitem(last=False)
        return picture

    def _shown(self, light: MemoryPicture, steps: tuple[Step, ...], cancel: threading.Event | None) -> Codes:
        if any(step.stage.name == "display" for step in steps):
            return self._encoded(light, cancel)
        stages = [step.stage for step in self._steps() if isinstance(step.stage, Display)]
        stage = stages[0] if stages else Display()
        facts = self._opened().facts

        def make(window: Window) -> Any:
            tile = read_tile(self._engine.device, light, window)
            return stage.run(self._engine.device, tile, window, facts)

        return self._encoded(self._engine.picture(light.shape, make, cancel), cancel)

    def _encoded(self, light: MemoryPicture, cancel: threading.Event | None) -> Codes:
        def make(window: Window) -> Any:
            codes = encode_tile(self._engine.device, read_tile(self._engine.device, light, window), "srgb", 8)
            return Tile(codes[:3], window, light.shape)

        codes: Codes = self._engine.picture(light.shape, make, cancel).array
        return np.ascontiguousarray(codes.transpose(1, 2, 0))


def _keys_of(copies: Copies, steps: tuple[Step, ...]) -> dict[str, str]:
    """The key of the picture after each step, by the step's id."""
    found: dict[str, str] = {}
    key = copies.key
    for step in steps:
        key = key_of({"before": key, "step": descriptor(step, copies.facts)})
        found[step.id] = key
    return found


def _frames_part(recipe: Recipe) -> str:
    """All of a recipe that measuring and reducing the frames depends on."""
    told = recipe.resolved()
    measuring = [step.resolved() for step in recipe.active_steps if step.stage.kind == "measure"]
    return key_of({"frames": repr(told["frames"]), "base": told["base"], "steps": repr(measuring)})


def _in_memory(codes: Any) -> MemoryPicture:
    whole = Shape(codes.shape.height, codes.shape.width).whole
    return MemoryPicture(np.array(codes.read(whole)), codes.planes)
