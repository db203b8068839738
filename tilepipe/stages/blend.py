"""Blend: the frames of a bracket become one scene-linear picture, by radiance or by exposure fusion."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Literal

from pydantic import Field, model_validator

from tilepipe.colour.decode import SRGB
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.fusion import ExposureFusion
from tilepipe.stages.highlights import PARAMS as HIGHLIGHT_PARAMS
from tilepipe.stages.highlights import highlight_parameters
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.stage import Kind

SHOWN = Kernel("blend_shown", 3, 3, params=HIGHLIGHT_PARAMS, header="blend.h")


class Blend(DeepStage):
    """Joins the frames into one picture of the whole range of light.

    `radiance` works pixel by pixel: `run`. `fusion` is deep (`is_deep`): the methods of a DeepStage take frame tiles
    and give scene-linear pixels as `run` does; in between, frames are encoded as a display would show them.
    """

    name: ClassVar[str] = "blend"
    kind: ClassVar[Kind] = "blend"
    version: ClassVar[int] = 2
    uses: ClassVar[tuple[str, ...]] = ("frames", "base")
    in_place: ClassVar[bool] = False

    method: Literal["radiance", "fusion"] = Field(
        "radiance", description="radiance: measured light with the least noise; fusion: the well-exposed parts of each."
    )
    full_below: float = Field(
        0.8, gt=0.0, lt=1.0, description="radiance: up to which part of its clipping level a frame counts fully."
    )
    none_above: float = Field(
        0.98, gt=0.0, le=1.0, description="radiance: from which part of its clipping level on a frame does not count."
    )
    contrast: float = Field(1.0, ge=0.0, le=4.0, description="fusion: weight of local contrast (an exponent).")
    saturation: float = Field(1.0, ge=0.0, le=4.0, description="fusion: weight of colourfulness (an exponent).")
    exposedness: float = Field(1.0, ge=0.0, le=4.0, description="fusion: weight of middle tones (an exponent).")
    depth: Literal["full", "paper"] = Field(
        "full", description="fusion: pyramid down to one pixel, or as deep as the published formula's."
    )

    @model_validator(mode="after")
    def _ordered(self) -> Blend:
        if self.full_below >= self.none_above:
            raise ValueError(f"full_below ({self.full_below}) must lie below none_above ({self.none_above})")
        return self

    @property
    def is_deep(self) -> bool:
        """True when the method reaches across the whole picture."""
        return self.method == "fusion"

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        """Bytes beside input and output; `planes`: colour and coverage planes of all frames together.

        fusion: the frames as shown, and its own rings; radiance: a coverage plane for frames that have none. (Frames of
        different cameras are turned into the base frame's primaries one after the other, in what decoding has left free.)
        """
        if self.is_deep:
            return 4 * planes * wanted.pixels + self.fusion.scratch_bytes(wanted, planes)
        return 4 * (planes // 6 + 1) * wanted.pixels

    @property
    def fusion(self) -> ExposureFusion:
        return ExposureFusion(
            contrast=self.contrast, saturation=self.saturation, exposedness=self.exposedness, depth=self.depth
        )

    def run(  # type: ignore[override]  # frames in place of one tile
        self, device: Any, *tiles: Tile, wanted: Window, facts: Mapping[str, Any]
    ) -> Tile:
        """Frame tiles, dark → bright → red, green, blue[, coverage], linear Rec.2020 in base units."""
        return RadianceMerge(self.full_below, self.none_above).run(device, tiles, wanted, facts)

    # ------------------------------------------------------------ fusion's two adapters
    def shown(self, device: Any, tiles: Sequence[Tile], facts: Mapping[str, Any]) -> list[Tile]:
        """Frame tiles → linear Rec.2020, clipped to 0..1, display-encoded (sRGB's curve), coverage kept.

        Every frame stays as bright as it was exposed: that is what fusion judges. A camera's clipped highlights become
        white (`highlights.h`).
        """
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

    # ------------------------------------------------------------ fusion as a deep stage over frame tiles
    def coarse_planes(self, frames: int, coverage: bool, facts: Mapping[str, Any]) -> int:
        return self.fusion.coarse_planes(frames, coverage, facts)

    def down_window(self, coarse: Window, level: int, shape: Shape) -> Window:
        return self.fusion.down_window(coarse, level, shape)

    def down(self, device: Any, tiles: Sequence[Tile], coarse: Window, level: int, facts: Mapping[str, Any]) -> Tile:
        return self.fusion.down(device, self.shown(device, tiles, facts), coarse, level, facts)

    def solve(self, device: Any, coarse: Tile, level: int, shape: Shape, facts: Mapping[str, Any]) -> Tile:
        return self.fusion.solve(device, coarse, level, shape, facts)

    def up_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self.fusion.up_window(wanted, level, shape)

    def coarse_window(self, wanted: Window, level: int, shape: Shape) -> Window:
        return self.fusion.coarse_window(wanted, level, shape)

    def up(
        self, device: Any, tiles: Sequence[Tile], solved: Tile, wanted: Window, level: int, facts: Mapping[str, Any]
    ) -> Tile:
        fused = self.fusion.up(device, self.shown(device, tiles, facts), solved, wanted, level, facts)
        return self.scene_linear(device, fused)


def _shown(device: Any, tile: Tile, frame: Mapping[str, Any]) -> Tile:
    planes = COLOUR + ((COVERAGE,) if tile.has_coverage else ())
    out: Tile = device.tile(tile.window, tile.picture, planes)
    parameters = highlight_parameters(frame, 1.0 / frame["clip"])
    device.launch(SHOWN, device.planes(tile, 3), device.planes(out, 3), **parameters)
    if tile.has_coverage:
        out.array[3] = tile.plane(COVERAGE)
    return out
