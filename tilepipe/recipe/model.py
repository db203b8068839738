"""What a recipe is once it is read: frozen values with every default filled in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SerializeAsAny, WithJsonSchema

from tilepipe.device import exact
from tilepipe.formats.frame import Exposure
from tilepipe.masks.mask import Mask
from tilepipe.recipe.deliver import Deliverable
from tilepipe.stages.stage import Stage
from tilepipe.units import Seconds, Stops

STEP_KEYS = ("id", "on", "strength", "where")  # what a step may say beside its stage's own parameters
IN_PLACE_KINDS = ("point", "window", "deep")
ID_PATTERN = "[A-Za-z][A-Za-z0-9_-]*"
MATRIX_NUMBERS = 9


class Entry(BaseModel):
    """A mapping of a recipe: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class StatedExposure(Entry):
    """An exposure stated in place of what a file says."""

    seconds: Seconds = Field(gt=0, description="Shutter time, as `1/30` or `2.5s`.")
    f_number: float = Field(1.0, gt=0, description="The lens's f-number; leave out where it is the same for all.")
    iso: float = Field(100.0, gt=0, description="The ISO speed; leave out where it is the same for all.")


class StatedNoise(Entry):
    """The noise of a frame: variance = shot · value + read, values from 0 to 1 at clipping."""

    shot: float = Field(ge=0, le=1, description="Photon noise: how much variance grows with the value.")
    read: float = Field(ge=0, le=1, description="Read noise: the variance in the dark.")


def _encoding(value: Any) -> str:
    words = value.replace(":", " ").split() if isinstance(value, str) else []
    if words in (["linear"], ["srgb"]):
        return str(words[0])
    try:
        name, gamma = words
        number = float(gamma)
    except ValueError:
        name, number = "", 0.0
    if name != "gamma" or not 0.1 <= number <= 10:  # the range that the reading of frames accepts
        raise ValueError("is not an encoding: write `linear`, `srgb` or `gamma:2.2` (0.1 to 10)")
    return f"gamma {number!r}"


def _nine(value: Any) -> Any:
    rows = value if isinstance(value, list | tuple) else ()
    numbers = [item for row in rows for item in (row if isinstance(row, list | tuple) else (row,))]
    if len(numbers) != MATRIX_NUMBERS or not all(type(number) in (int, float) for number in numbers):
        raise ValueError("needs nine numbers, row by row")
    return tuple(float(number) for number in numbers)


EncodingField = Annotated[
    str, BeforeValidator(_encoding),
    WithJsonSchema({"type": "string", "pattern": r"^\s*(linear|srgb|gamma[ :]\s*[0-9.]+)\s*$"}),
]
_NUMBERS = {"type": "array", "items": {"type": "number"}}
MatrixField = Annotated[
    tuple[float, ...], BeforeValidator(_nine),
    WithJsonSchema({"anyOf": [
        _NUMBERS | {"minItems": MATRIX_NUMBERS, "maxItems": MATRIX_NUMBERS},
        {"type": "array", "minItems": 3, "maxItems": 3, "items": _NUMBERS | {"minItems": 3, "maxItems": 3}},
    ]}),
]


class FrameEntry(Entry):
    """One frame of the bracket and what is stated of it in place of what its file says."""

    file: Path = Field(description="The picture's file, relative to the recipe; `*` and `?` stand for several files.")
    exposure: StatedExposure | None = Field(None, description="Shutter time, f-number and ISO speed of this frame.")
    light: Stops | None = Field(
        None, ge=-40, le=40, description="How much more light this frame took than another: stated for all or none.",
    )
    encoding: EncodingField | None = Field(None, description="What its values mean: `linear`, `srgb` or `gamma:2.2`.")
    colour_matrix: MatrixField | None = Field(
        None, description="XYZ (D65) to camera colours, nine numbers row by row, for a raw file that has none.",
    )
    noise: StatedNoise | None = Field(None, description="The camera's noise at this ISO speed.")
    alpha: Literal["coverage", "ignore"] | None = Field(None, description="What an unclear fourth channel is.")

    def opening(self) -> dict[str, Any]:
        """What is stated, as the keyword arguments of `formats.opening.open_frame`."""
        stated: Exposure | float | None = None
        if self.exposure is not None:
            stated = Exposure(self.exposure.seconds, self.exposure.f_number, self.exposure.iso, "stated in the recipe")
        elif self.light is not None:
            stated = exact.exp2(self.light)
        numbers = self.colour_matrix
        rows = None if numbers is None else (numbers[0:3], numbers[3:6], numbers[6:9])
        return {"encoding": self.encoding, "exposure": stated, "colour_matrix": rows, "alpha": self.alpha}


class Step(Entry):
    """One step: a stage with its values, an id, how strongly it applies, and where (None: everywhere)."""

    id: str
    stage: SerializeAsAny[Stage]
    on: bool = True
    strength: float = Field(1.0, ge=0, le=1)
    where: SerializeAsAny[Mask] | None = None

    @property
    def name(self) -> str:
        """The stage's name."""
        return self.stage.name

    @property
    def is_active(self) -> bool:
        """False where this step changes nothing: switched off, of no strength, or neutral."""
        return self.on and self.strength > 0 and not self.stage.is_neutral()

    def resolved(self) -> dict[str, Any]:
        """The step as plain JSON values, every default filled in."""
        found = {"id": self.id, "stage": self.name, "parameters": self.stage.parameters()}
        found |= {"where": self.where.resolved()} if self.where is not None else {}
        return found | ({"strength": self.strength} if takes_strength(type(self.stage)) else {})


def takes_strength(stage: type[Stage]) -> bool:
    """True for stages that change pixels where they are; only these may take `strength` (and a mask)."""
    return stage.in_place and stage.kind in IN_PLACE_KINDS


class Recipe(Entry):
    """A whole recipe. `base` is an index into `frames`, None = chosen automatically.

    `steps` are as written, `sets` what was changed for this run.
    """

    name: str
    folder: Path
    file: Path | None = None
    frames: tuple[FrameEntry, ...] = ()
    base: int | None = None
    steps: tuple[Step, ...] = ()
    masks: dict[str, SerializeAsAny[Mask]] = Field(default_factory=dict)
    deliver: tuple[SerializeAsAny[Deliverable], ...] = ()
    based_on: tuple[Path, ...] = ()
    provenance: dict[str, str] = Field(default_factory=dict)
    sets: tuple[str, ...] = ()

    @property
    def active_steps(self) -> tuple[Step, ...]:
        """The steps that change or measure something, in order: what is planned, keyed and run."""
        return tuple(step for step in self.steps if step.is_active)

    def step(self, step_id: str) -> Step:
        """The step of this id; KeyError where there is none."""
        for step in self.steps:
            if step.id == step_id:
                return step
        raise KeyError(step_id)

    def normalised(self) -> Recipe:
        """The same recipe without steps that change nothing."""
        return self.model_copy(update={"steps": self.active_steps})

    def resolved(self) -> dict[str, Any]:
        """The recipe as plain JSON values for a receipt: what runs, all defaults filled in, where values came from."""
        return {
            "name": self.name,
            "frames": list(self._frames()),
            "base": "auto" if self.base is None else self.base,
            "steps": [step.resolved() for step in self.active_steps],
            "deliver": [item.model_dump(mode="json", exclude_none=True) for item in self.deliver],
            "based_on": [_relative(path, self.folder) for path in self.based_on],
            "provenance": dict(self.provenance),
        }

    def _frames(self) -> Iterator[dict[str, Any]]:
        for frame in self.frames:
            yield frame.model_dump(mode="json", exclude_none=True) | {"file": _relative(frame.file, self.folder)}


def _relative(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()
