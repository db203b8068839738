"""What a mask is: one small frozen class that says, for every pixel of a picture, how much of a step applies there."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, PrivateAttr

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.units import Length

Source = Literal["measured", "found", "placed", "joined", "softened"]
Inner = Literal["none", "one", "many"]
IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
MOST_SAMPLES = 16  # places along a pixel's side that are averaged: exact for proofs down to 1/16
_REGISTRY: dict[str, type[Mask]] = {}


@dataclass(frozen=True)
class Lie:
    """How the base frame lies in the picture at hand: its full size, and its pixels' (x, y, 1) → (x, y, 1) here.

    Pixel centres are whole numbers. In a proof `to_here` makes the picture smaller; places stay those of the full size.
    """

    base: Shape
    to_here: Matrix = IDENTITY

    @property
    def from_here(self) -> Matrix:
        return exact.matrix_inverse(self.to_here)

    @property
    def scale(self) -> float:
        """Pixels of the base frame per pixel here, at the base frame's centre."""
        across, down = (self.base.width - 1) / 2.0, (self.base.height - 1) / 2.0
        x, y = self._here(across, down)
        right, below = self._here(across + 1.0, down), self._here(across, down + 1.0)
        area = abs((right[0] - x) * (below[1] - y) - (right[1] - y) * (below[0] - x))
        return 1.0 / exact.sqrt(area)

    def _here(self, across: float, down: float) -> tuple[float, float]:
        x, y, w = exact.matrix_vector(self.to_here, (across, down, 1.0))
        return x / w, y / w

    @property
    def samples(self) -> int:
        """Places along a pixel's side at which a placed mask is looked at: one for each pixel of the base frame."""
        return min(max(math.ceil(self.scale - 1e-6), 1), MOST_SAMPLES)

    @property
    def edge_px(self) -> float:
        """The narrowest ramp, in pixels of the base frame: from one place that is looked at to the next."""
        return self.scale / self.samples

    @property
    def half_diagonal_px(self) -> float:
        """From a pixel's centre to its corner, in pixels of the base frame."""
        return 0.7072 * self.scale

    def placed(self, fractions: Sequence[float]) -> tuple[float, float]:
        """(x, y) in pixels of the base frame of a place given in fractions from its top left."""
        return fractions[0] * self.base.width - 0.5, fractions[1] * self.base.height - 0.5

    def pixels(self, length: Length) -> float:
        """A length in pixels of the base frame."""
        return length.pixels(min(self.base.height, self.base.width))

    @property
    def parameters(self) -> dict[str, Any]:
        """What kernels take: `double m[9]; int samples;` (see places.h)."""
        return {"m": [value for row in self.from_here for value in row], "samples": self.samples}


class Mask(BaseModel):
    """A mask of a recipe. Fields are its parameters: unit, range, default and one plain sentence each.

    `source` says where its values come from; `inner` how many masks it is made of. `version` changes with any change of
    bits. `uses` names the facts that its values depend on: they enter the key and are handed to `plane`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    name: ClassVar[str] = ""
    source: ClassVar[Source] = "placed"
    inner: ClassVar[Inner] = "none"
    version: ClassVar[int] = 1
    needs: ClassVar[tuple[str, ...]] = ()

    _lie: Lie | None = PrivateAttr(default=None)
    _inner: tuple[Mask, ...] = PrivateAttr(default=())
    _prepared: Any = PrivateAttr(default=None)  # tables worked out for the lie, when first asked for

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        if "name" in cls.__dict__ and cls.name:
            _REGISTRY[cls.name] = cls

    @property
    def masks(self) -> tuple[Mask, ...]:
        """The masks that this one is made of."""
        return self._inner

    def made_of(self, *masks: Mask) -> Self:
        """The same mask, made of these."""
        known = self._copied()
        known._inner = masks
        return known

    def _copied(self) -> Self:
        """A copy that shares nothing worked out for another lie."""
        made = self.model_copy()
        made._prepared = None
        return made

    def located(self, base: Shape, to_here: Matrix = IDENTITY) -> Self:
        """The same mask, knowing how the base frame (its full size) lies in the picture it is used on."""
        known = self._copied()
        known._lie = Lie(base, to_here)
        known._inner = tuple(mask.located(base, to_here) for mask in self._inner)
        return known

    def lie(self, shape: Shape) -> Lie:
        """How the base frame lies in a picture of size `shape`; by default they are the same picture."""
        return self._lie or Lie(shape)

    def _at_hand(self, lie: Lie, make: Callable[[Lie], Any]) -> Any:
        """What `make` works out for a lie, once."""
        known = self._prepared
        if known is None or known[0] != lie:
            known = self._prepared = (lie, make(lie))  # two threads may both work it out: the same
        return known[1]

    @property
    def is_measured(self) -> bool:
        """True where its values depend on the pixels of the picture it is used on."""
        return self.source == "measured" or any(mask.is_measured for mask in self._inner)

    @property
    def uses(self) -> tuple[str, ...]:
        """The facts that it and the masks in it depend on."""
        return tuple(sorted({*self.needs, *(name for mask in self._inner for name in mask.uses)}))

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        """The window of the step's input (a picture of size `shape`) that `wanted` of the mask needs, cut to the picture."""
        for mask in self._inner:
            wanted = wanted.union(mask.input_window(wanted, shape, facts))
        return wanted.cut(shape)

    def margin_px(self, shape: Shape) -> int:
        """By how much the input window reaches beyond what is wanted, in pixels of a picture of size `shape`."""
        mask = self if self._lie is not None else self.located(shape)
        far = Window(1 << 20, 1 << 20, 64, 64)
        needed = mask.input_window(far, Shape(1 << 22, 1 << 22), {})
        return max(far.y - needed.y, far.x - needed.x, needed.y_end - far.y_end, needed.x_end - far.x_end)

    def scratch_bytes(self, wanted: Window) -> int:
        """Bytes that `plane` allocates, its result included."""
        return 4 * wanted.pixels + sum(mask.scratch_bytes(wanted) for mask in self._inner)

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        """float32 `(height, width)` of `wanted`, 0 to 1; `tile` holds at least `input_window(wanted)` of the step's input."""
        raise NotImplementedError

    def parameters(self) -> dict[str, Any]:
        """All that its values depend on beside pixels and facts, as JSON values, for keys and receipts."""
        found = {"mask": self.name, "version": self.version, **self._own_parameters()}
        if self._inner:
            found["masks"] = [mask.parameters() for mask in self._inner]
        if self._lie is not None and self.source in ("placed", "found"):
            found["base"] = [self._lie.base.height, self._lie.base.width]
            found["to_here"] = [value for row in self._lie.to_here for value in row]
        return found

    def resolved(self) -> dict[str, Any]:
        """The mask as a recipe writes it, every default filled in."""
        values = self.model_dump(mode="json", by_alias=True, exclude_none=True)
        inner = [mask.resolved() for mask in self._inner]
        if self.inner == "many":
            return {self.name: inner}
        return {self.name: values | ({"mask": inner[0]} if inner else {})}

    def _own_parameters(self) -> dict[str, Any]:
        return self.model_dump(mode="json", by_alias=True)

    def _empty(self, device: Any, tile: Tile, wanted: Window) -> tuple[Any, Any]:
        """An uninitialised plane and the same as a kernel's argument."""
        array = device.empty((wanted.height, wanted.width))
        return array, device.plane(array, wanted, tile.picture)


def all_masks() -> dict[str, type[Mask]]:
    """Every mask by its name in a recipe, in order of definition."""
    import tilepipe.masks  # noqa: F401 – importing the package defines them all

    return dict(_REGISTRY)
