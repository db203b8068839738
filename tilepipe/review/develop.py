"""The reduced pictures behind the page: one preview at a time, told of every change; what is no longer wanted is given up."""

from __future__ import annotations

import dataclasses
import shutil
import threading
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.geometry import Shape
from tilepipe.plan.chain import located
from tilepipe.plan.reduced import on_copies, reduction
from tilepipe.recipe.model import Recipe, Step
from tilepipe.run.engine import Listener
from tilepipe.run.opening import open_recipe, steps_of
from tilepipe.run.preview import Preview
from tilepipe.run.recipe_run import Settings
from tilepipe.stages.resize import Resize
from tilepipe.store.picture import MemoryPicture

JOINED = "joined"  # the picture after the blend
SKETCH = "first look"  # the key of a ground that is one frame


def ground_key(recipe: Recipe) -> str:
    """All of a recipe that the measured and reduced frames depend on."""
    told = recipe.resolved()
    early = [step.resolved() for step in recipe.active_steps if step.stage.kind == "measure"]
    return key_of({"frames": told["frames"], "base": told["base"], "steps": early})


@dataclass(frozen=True)
class Ground:
    """A preview whose frames are measured and reduced, for recipes of one `key`."""

    key: str
    preview: Preview
    device: Any
    recipe: Recipe  # that it was laid for

    @property
    def factor(self) -> int:
        return self.preview.factor

    @property
    def full(self) -> Shape:
        """The base frame's size."""
        return self.preview.copies.full

    @property
    def facts(self) -> Mapping[str, Any]:
        return self.preview.facts


def lay_ground(
    recipe: Recipe, settings: Settings, long_side_px: int, device: Any, listener: Listener | None = None
) -> Ground:
    """Measures the full frames (or recalls it) and reduces them; the work folder is held meanwhile."""
    preview = Preview(recipe, settings, long_side_px, listener)
    try:
        preview.open()
    except BaseException:
        preview.close()
        raise
    return Ground(ground_key(recipe), preview, device, recipe)


def sketch(recipe: Recipe, settings: Settings, long_side_px: int, device: Any) -> Ground:
    """A first look, while the bracket is still to be measured: the steps on the frame of middle exposure alone."""
    with closing(open_recipe(recipe)) as opened:
        order = sorted(range(len(opened.feeds)), key=lambda index: (opened.feeds[index].light, index))
    frame = recipe.frames[order[len(order) // 2]]
    steps = tuple(step for step in recipe.steps if step.stage.kind != "measure")
    alone = recipe.model_copy(update={"frames": (frame,), "base": None, "steps": steps})
    work = settings.work_folder(recipe)
    own = dataclasses.replace(settings, work=work.with_name(f"{work.name}-first-look"))
    try:
        return dataclasses.replace(lay_ground(alone, own, long_side_px, device), key=SKETCH)
    finally:
        shutil.rmtree(own.work_folder(recipe), ignore_errors=True)  # its copies are in memory


def is_measured(recipe: Recipe, settings: Settings) -> bool:
    """Whether the working folder holds reduced frames already, so that a first look is not worth its time."""
    return any(settings.work_folder(recipe).glob("proof-frame-*"))


@dataclass
class Development:
    """Asks the preview for the pictures of the latest recipe; thread-safe."""

    ground: Ground | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _cancel: threading.Event = field(default_factory=threading.Event)
    _recipe: Recipe | None = None

    def stand_on(self, ground: Ground) -> None:
        """Takes another ground; the earlier one is given up."""
        self.give_up()
        with self._lock:
            old, self.ground, self._recipe = self.ground, ground, None
        if old is not None:
            old.preview.close()

    def close(self) -> None:
        self.give_up()
        with self._lock:
            if self.ground is not None:
                self.ground.preview.close()
            self.ground = None

    def give_up(self) -> None:
        """Something changed: what is being made ends within a strip's time, with `Cancelled`."""
        self._cancel.set()

    def _taken(self, recipe: Recipe) -> Preview:
        """The preview, knowing this recipe; the lock is held by the caller."""
        assert self.ground is not None
        if recipe is not self._recipe:
            self.ground.preview.changed(self._on_ground(recipe))
            self._recipe = recipe
        if self._cancel.is_set():
            self._cancel = threading.Event()
        return self.ground.preview

    def _on_ground(self, recipe: Recipe) -> Recipe:
        """The recipe with the frames and measurements of the ground: a new one is laid elsewhere, in its own time."""
        assert self.ground is not None
        laid = self.ground.recipe
        early = [step for step in laid.steps if step.stage.kind == "measure"]
        steps = (*early, *(step for step in recipe.steps if step.stage.kind != "measure"))
        return recipe.model_copy(update={"deliver": (), "frames": laid.frames, "base": laid.base, "steps": steps})

    def keys(self, recipe: Recipe) -> list[tuple[str, str]]:
        """(step id, what its picture depends on), the blend as `JOINED` first; makes no pixel."""
        with self._lock:
            keys = list(self._taken(recipe).keys().items())
            return [(JOINED, keys[0][1]), *keys[1:]]

    def picture(self, recipe: Recipe, number: int) -> MemoryPicture:
        """The picture after the step of this number in `keys`; −1: the finished one."""
        with self._lock:
            preview = self._taken(recipe)
            return preview.light(preview.steps[number], self._cancel)

    def tile(self, recipe: Recipe, number: int) -> Tile:
        """The same as one tile."""
        picture = self.picture(recipe, number)
        return Tile(picture.array, picture.shape.whole, picture.shape, picture.planes)

    def frame(self, index: int) -> MemoryPicture:
        """A frame's own light, as it was exposed, in working colours."""
        with self._lock:
            assert self.ground is not None
            return self.ground.preview.frame_light(index)

    def is_displayed(self, recipe: Recipe, number: int) -> bool:
        """Whether `display` has fitted the picture after this step to a screen."""
        with self._lock:
            steps = self._steps(recipe)
            return any(step.name == "display" for step in steps[: len(steps) if number < 0 else number + 1])

    def _steps(self, recipe: Recipe) -> tuple[Step, ...]:
        return self._taken(recipe).copies.job(self._on_ground(recipe)).steps

    def places(self, recipe: Recipe) -> list[Matrix]:
        """For each of `keys`: full-size pixels (x, y, 1) of its picture → those of the base frame."""
        with self._lock:
            preview, ground = self._taken(recipe), self.ground
            assert ground is not None
            width, height = float(ground.full.width), float(ground.full.height)
            pixels: Matrix = ((width, 0.0, -0.5), (0.0, height, -0.5), (0.0, 0.0, 1.0))
            small = reduction(ground.factor)
            return [
                exact.matrix_multiply(
                    pixels, exact.matrix_multiply(exact.matrix_inverse(preview.from_base(step)), small)
                ) for step in preview.steps
            ]

    def mask_step(self, recipe: Recipe, user: str | None, wanted: Any) -> Step:
        """A step with this mask, placed as the step `user` has it, or on the joined picture."""
        from tilepipe.stages.exposure import Exposure

        assert self.ground is not None
        steps = list(steps_of(recipe))
        ids = [step.id for step in steps]
        blend = next(index for index, step in enumerate(steps) if step.stage.kind == "blend")
        place = ids.index(user) if user in ids else blend + 1
        probe = Step(id="mask", stage=Exposure(), where=wanted)
        return on_copies([*steps[:place], probe], self.ground.full, self.ground.factor)[-1]

    def full_shape(self, recipe: Recipe, resized: bool = False) -> Shape:
        """The finished picture's size, before `resize` or (`resized`) after it."""
        assert self.ground is not None
        shape = self.ground.full
        steps = [step for step in steps_of(recipe) if step.stage.kind not in ("measure", "blend")]
        for step in located([step for step in steps if resized or not isinstance(step.stage, Resize)], shape):
            shape = step.stage.output_shape(shape)
        return shape
