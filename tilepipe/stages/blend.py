"""Blend: the frames of a bracket become one scene-linear picture, by radiance, by masks or by exposure fusion."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Literal

from pydantic import ConfigDict, Field, model_validator

from tilepipe.colour.decode import SRGB
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.errors import PlanError
from tilepipe.geometry import Shape, Window
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.extended_fusion import ExtendedFusion
from tilepipe.stages.fusion import ExposureFusion
from tilepipe.stages.highlights import PARAMS as HIGHLIGHT_PARAMS
from tilepipe.stages.highlights import highlight_parameters
from tilepipe.stages.mask_blend import MaskBlend
from tilepipe.stages.mask_blend_ranges import FrameMask
from tilepipe.stages.radiance import RadianceMerge, cover_of
from tilepipe.stages.stage import Kind

SHOWN = Kernel("blend_shown", 3, 3, params=HIGHLIGHT_PARAMS, header="blend.h")
_MASKS: list[Any] = [  # as a recipe writes them
    [{"frame": 1, "begins": "-1EV", "reach": "1.5EV", "strength": 0.3}],
    [{"frame": 1, "begins": "-3EV", "reach": "0EV"}, {"frame": 3, "strength": 0.5}],
]


class Blend(DeepStage):
    """Joins the frames into one picture of the whole range of light.

    `radiance` works pixel by pixel: `run`. The others are deep (`is_deep`): the methods of a DeepStage take frame tiles and
    give scene-linear pixels as `run` does. For `fusion` and `extended_fusion` frames are encoded in between as a display
    would show them; `masks` stays in scene light.
    """

    model_config = ConfigDict(json_schema_extra={"examples": [{"method": "masks", "frames": _MASKS[1]}]})

    name: ClassVar[str] = "blend"
    kind: ClassVar[Kind] = "blend"
    version: ClassVar[int] = 4
    uses: ClassVar[tuple[str, ...]] = ("frames", "base")
    in_place: ClassVar[bool] = False

    method: Literal["radiance", "masks", "fusion", "extended_fusion"] = Field(
        "radiance",
        description="radiance: measured light with the least noise; masks: the base frame, others where a mask of its "
        "brightness takes them; fusion: the well-exposed parts of each; extended_fusion: the same with less halo, in "
        "several times the time.",
    )
    full_below: float = Field(
        0.8, gt=0.0, lt=1.0, description="radiance, masks: up to which part of its clipping level a frame counts fully."
    )
    none_above: float = Field(
        0.98, gt=0.0, le=1.0,
        description="radiance, masks: from which part of its clipping level on a frame does not count.",
    )
    frames: tuple[FrameMask, ...] = Field(
        (), max_length=16, description="masks: what single frames take; frames that are not named have automatic masks.",
        examples=_MASKS,
    )
    contrast: float = Field(1.0, ge=0.0, le=4.0, description="both fusions: weight of local contrast (an exponent).")
    saturation: float = Field(1.0, ge=0.0, le=4.0, description="both fusions: weight of colourfulness (an exponent).")
    exposedness: float = Field(1.0, ge=0.0, le=4.0, description="both fusions: weight of middle tones (an exponent).")
    depth: Literal["full", "paper"] = Field(
        "full", description="both fusions: pyramid down to one pixel, or as deep as the published formula's."
    )

    part: float = Field(
        0.3, ge=0.1, le=1.0, description="extended_fusion: which part of a frame's range each of its copies keeps as it is."
    )
    bend: float = Field(
        0.125, ge=0.01, le=1.0, description="extended_fusion: how far beyond that part values of a copy may still reach."
    )

    @model_validator(mode="after")
    def _ordered(self) -> Blend:
        if self.full_below >= self.none_above:
            raise ValueError(f"full_below ({self.full_below}) must lie below none_above ({self.none_above})")
        named = [entry.frame for entry in self.frames]
        if len(set(named)) < len(named):
            raise ValueError("a frame has one mask; here one is named twice")
        return self

    @property
    def is_deep(self) -> bool:
        """True when the method reaches across the whole picture."""
        return self.method != "radiance"

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """Bytes beside input and output; `planes`: colour and coverage planes of all frames together.

        The deep methods: their own, and for both fusions the frames as shown; radiance: a coverage plane for frames that
        have none. (Frames of different cameras are turned into the base frame's primaries one after the other, in what
        decoding has left free.)
        """
        if self.is_deep:
            shown = 4 * planes * wanted.pixels if self._shows else 0
            return shown + self.deep.scratch_bytes(wanted, planes)
        return 4 * (planes // 6 + 1) * wanted.pixels

    @property
    def deep(self) -> ExposureFusion | MaskBlend:
        """What joins the frames of a deep method."""
        if self.method == "masks":
            return MaskBlend(frames=self.frames, full_below=self.full_below, none_above=self.none_above)
        same: dict[str, Any] = {
            "contrast": self.contrast, "saturation": self.saturation, "exposedness": self.exposedness, "depth": self.depth,
        }
        if self.method == "extended_fusion":
            return ExtendedFusion(part=self.part, bend=self.bend, **same)
        return ExposureFusion(**same)

    @property
    def _shows(self) -> bool:
        return self.method in ("fusion", "extended_fusion")

    def run(  # type: ignore[override]  # frames in place of one tile
        self, device: Any, *tiles: Tile, wanted: Window, facts: Mapping[str, Any]
    ) -> Tile:
        """Frame tiles, dark → bright → red, green, blue[, coverage], linear Rec.2020 in base units."""
        return RadianceMerge(self.full_below, self.none_above).run(device, tiles, wanted, facts)

    # ------------------------------------------------------------ the two fusions' adapters
    def shown(self, device: Any, tiles: Sequence[Tile], facts: Mapping[str, Any]) -> list[Tile]:
        """Frame tiles → linear Rec.2020, clipped to 0..1, display-encoded (sRGB's curve), coverage kept.

        Every frame stays as bright as it was exposed: that is what fusion judges. A camera's clipped highlights become
        white (`highlights.h`). Where one frame has coverage, all have.
        """
        if any(tile.has_coverage for tile in tiles):
            tiles = [tile if tile.has_coverage else _covered(device, tile) for tile in tiles]
        return [_shown(device, tile, frame) for tile, frame in zip(tiles, facts["frames"], strict=True)]

    def scene_linear(self, device: Any, tile: Tile) -> Tile:
        """Display-encoded → linear by the inverse of the same curve, continued beyond 1 and odd below 0.

        1.0 is display white, which stands for the base frame's diffuse white.
        """
        out: Tile = device.tile(tile.window, tile.picture, tile.planes)
        for source, target in zip(device.planes(tile, 3), device.planes(out, 3), strict=True):
            device.launch(SRGB, [source], [target])
        out.array[3:] = tile.array[3:]
        return out

    # ------------------------------------------------------------ a deep stage over frame tiles
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        """Raises PlanError where a mask is stated for a frame that the bracket does not have."""
        missing = [entry.frame for entry in self.frames if entry.frame > frames]
        if missing and self.method == "masks":
            raise PlanError(
                "a mask is stated for a frame that is not there", where="blend.frames", found=f"frame {missing[0]}",
                allowed=f"1 to {frames}, from the darkest", next_step="name one of the frames, or take the mask out",
            )
        return self.deep.coarse_planes(frames, coverage, facts)

    def hand_over_names(self, tiles: Sequence[Tile]) -> tuple[str, ...]:
        return self.deep.hand_over_names(tiles)

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        return self.deep.down_window(coarse, level, shape)

    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        given = self.shown(device, tiles, facts) if self._shows else tiles
        return self.deep.down(device, given, coarse, level, facts)

    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        return self.deep.solve(device, coarse, level, shape, facts)

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self.deep.up_window(wanted, level, shape)

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self.deep.coarse_window(wanted, level, shape)

    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any]
    ) -> Tile:
        if not self._shows:
            return self.deep.up(device, tiles, solved, wanted, level, facts)
        return self.scene_linear(device, self.deep.up(device, self.shown(device, tiles, facts), solved, wanted, level, facts))


def _covered(device: Any, tile: Tile) -> Tile:
    """The frame with a coverage plane of ones."""
    out: Tile = device.tile(tile.window, tile.picture, (*COLOUR, COVERAGE))
    out.array[:3] = tile.array[:3]
    out.array[3] = cover_of(device, tile).array[0]
    return out


def _shown(device: Any, tile: Tile, frame: Mapping[str, Any]) -> Tile:
    planes = COLOUR + ((COVERAGE,) if tile.has_coverage else ())
    out: Tile = device.tile(tile.window, tile.picture, planes)
    parameters = highlight_parameters(frame, 1.0 / frame["clip"])
    device.launch(SHOWN, device.planes(tile, 3), device.planes(out, 3), **parameters)
    if tile.has_coverage:
        out.array[3] = tile.plane(COVERAGE)
    return out
