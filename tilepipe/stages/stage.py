"""What a stage is: one small frozen class with parameters, declared windows and one method that sees pixels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict

from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window

Kind = Literal["point", "window", "geometry", "blend", "deep", "measure"]
_REGISTRY: dict[str, type[Stage]] = {}


class Stage(BaseModel):
    """A step of a recipe. Fields are its parameters: unit, range, default and one plain sentence each.

    `kind`: "point" (pixel by pixel) and "window" (with a margin) keep the picture's size; "geometry" moves pixels;
    "blend" joins frames; "deep" reaches across the whole picture; "measure" only looks.
    `version` changes with any change of bits. `uses` names the facts (measurements, properties of the base frame) that
    its pixels depend on: they enter the key and are handed to `run`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    name: ClassVar[str] = ""
    kind: ClassVar[Kind] = "point"
    version: ClassVar[int] = 1
    uses: ClassVar[tuple[str, ...]] = ()
    in_place: ClassVar[bool] = True  # changes pixels where they are: may take `strength` (and `where`)

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        if "name" in cls.__dict__ and cls.name:
            _REGISTRY[cls.name] = cls

    def is_neutral(self) -> bool:
        """True if this step changes nothing; the recipe drops it when it is normalised."""
        return False

    def output_shape(self, shape: Shape) -> Shape:
        """Size of the picture after this step."""
        return shape

    def output_planes(self, planes: tuple[str, ...], shape: Shape) -> tuple[str, ...]:
        """The planes after this step; one that leaves corners empty adds coverage. `shape` is the input's."""
        return planes

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        """The window of the input (a picture of size `shape`) that `wanted` of the output needs, cut to the picture."""
        return wanted

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """Bytes that `run` allocates beside its input and output."""
        return 0

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        """The pixels of `wanted`, from a tile that holds at least `input_window(wanted)`. Must not change its input."""
        raise NotImplementedError

    def parameters(self) -> dict[str, Any]:
        """The resolved parameters as JSON values, for keys and receipts."""
        return self.model_dump(mode="json")


def all_stages() -> dict[str, type[Stage]]:
    """Every stage by its name in a recipe, in order of definition."""
    import tilepipe.stages  # noqa: F401 – importing the package defines them all

    return dict(_REGISTRY)
