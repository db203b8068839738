"""What a recipe can ask to be delivered: one small class per kind of file."""

from __future__ import annotations

import re
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from tilepipe.units import Length, LengthField

Space = Literal["srgb", "display-p3", "rec2020", "romm"]
_NAME = re.compile(r"[^/\\:*?\"<>|\x00-\x1f]+")
_SMALLEST_PX = 16


def _file_name(name: str) -> str:
    if not _NAME.fullmatch(name) or name.strip(". ") != name:
        raise ValueError("is not a plain file name: no folders, no ending, none of / \\ : * ? \" < > |")
    return name


def _side(length: Length) -> Length:
    if length.unit != "px":
        raise ValueError("needs a length in pixels: write it as `2048px`")
    if length.value != int(length.value) or length.value < _SMALLEST_PX:
        raise ValueError(f"needs a whole number of pixels, {_SMALLEST_PX}px or more")
    return length


FileName = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_file_name)]
SideField = Annotated[LengthField, AfterValidator(_side)]


class Deliverable(BaseModel):
    """A file that is written when the picture is finished. Fields that do not fit a kind are None there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    suffix: ClassVar[str] = ""

    kind: str
    name: FileName = Field("master", description="The file's name without its ending.")
    space: Space = Field("srgb", description="The colour space of the values; its profile is embedded.")
    bits: int = 16
    quality: int | None = None
    long_side: Length | None = None

    @property
    def file_name(self) -> str:
        """The name with its ending."""
        return self.name + self.suffix

    @property
    def long_side_px(self) -> int | None:
        """The longer side of the written picture; None = full size."""
        return None if self.long_side is None else int(self.long_side.value)


class OmeZarr(Deliverable):
    """OME-Zarr 0.5: the final store itself, with its reduced copies."""

    suffix: ClassVar[str] = ".ome.zarr"

    kind: Literal["ome-zarr"] = "ome-zarr"
    bits: Literal[16] = Field(16, description="Bits per value.")
    quality: None = None
    long_side: None = None


class Tiff(Deliverable):
    """Tiled BigTIFF with reduced copies inside, encoded for viewing, with its profile."""

    suffix: ClassVar[str] = ".tif"

    kind: Literal["tiff"] = "tiff"
    bits: Literal[8, 16] = Field(16, description="Bits per value.")
    quality: None = None
    long_side: None = None


class LinearTiff(Deliverable):
    """Scene-linear float32 BigTIFF, before the step `display`: 1.0 is the base frame's diffuse white."""

    suffix: ClassVar[str] = ".tif"

    kind: Literal["linear-tiff"] = "linear-tiff"
    name: FileName = Field("linear", description="The file's name without its ending.")
    space: Space = Field("rec2020", description="The primaries of the linear values; their profile is embedded.")
    bits: Literal[32] = Field(32, description="Bits per value.")
    quality: None = None
    long_side: None = None


class Png(Deliverable):
    """PNG, for proofs and the web; lossless."""

    suffix: ClassVar[str] = ".png"

    kind: Literal["png"] = "png"
    name: FileName = Field("proof", description="The file's name without its ending.")
    bits: Literal[8, 16] = Field(8, description="Bits per value.")
    quality: None = None
    long_side: SideField | None = Field(None, description="Reduce the picture to this longer side, e.g. `2048px`.")


class Jpeg(Deliverable):
    """JPEG, for proofs and mail; some fine detail is lost."""

    suffix: ClassVar[str] = ".jpg"

    kind: Literal["jpeg"] = "jpeg"
    name: FileName = Field("proof", description="The file's name without its ending.")
    bits: Literal[8] = Field(8, description="Bits per value.")
    quality: int = Field(92, ge=1, le=100, description="How much detail is kept: 1 (least) to 100 (most).")
    long_side: SideField | None = Field(None, description="Reduce the picture to this longer side, e.g. `2048px`.")


KINDS: dict[str, type[Deliverable]] = {
    "ome-zarr": OmeZarr, "tiff": Tiff, "linear-tiff": LinearTiff, "png": Png, "jpeg": Jpeg,
}
