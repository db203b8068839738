"""Sharpen: crisper fine detail at the size that is delivered, without halos and without sharpening noise."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from pydantic import Field, field_validator

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.exact import Vector
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.point import colour_of, like
from tilepipe.stages.stage import Kind, Stage
from tilepipe.units import Length, LengthField

_HEADER = "sharpen.h"
ROOT = Kernel("sharpen_root", 3, 1, params="float weight[3];", header=_HEADER)
ACROSS = Kernel("sharpen_across", 1, 3, 3, params="float taps[3];", header=_HEADER)
GAIN = Kernel(
    "sharpen_gain", 4, 1, 3, params="float noise[3]; float dark; float taps[3]; float amount, overshoot;", header=_HEADER,
)
APPLY = Kernel("sharpen_apply", 4, 3, header=_HEADER)
REACH_PX = 3
_NOISE = ("light", "shot", "read", "clip")  # what a frame's facts tell of its noise
SMALLEST_PX, LARGEST_PX = 0.3, 1.3  # beyond it seven taps cut the bell off


def gaussian_taps(radius_px: float) -> tuple[float, float, float]:
    """Weights one, two and three pixels away of a Gaussian of this standard deviation, seven taps that add up to 1."""
    values = [exact.exp(-0.5 * (step / radius_px) * (step / radius_px)) for step in (1.0, 2.0, 3.0)]
    total = 1.0 + 2.0 * (values[0] + values[1] + values[2])
    return (values[0] / total, values[1] / total, values[2] / total)


def merged_variance(luminance: float, frames: Sequence[Mapping[str, Any]]) -> float:
    """Variance of light merged noise-optimally from the frames that are not clipped there; 0 without frames.

    Hasinoff, Durand, Freeman 2010: 1 / Σ t²/(λ_S·t·x + λ_R). Where all are clipped the darkest counts.
    """
    if not frames:
        return 0.0
    seen = [frame for frame in frames if frame["light"] * luminance < frame["clip"]]
    seen = seen or [min(frames, key=lambda frame: frame["light"])]
    told = 0.0
    for frame in seen:
        light, shot, read = (float(frame[name]) for name in ("light", "shot", "read"))
        told += light * light / max(shot * light * luminance + read, 1e-12)
    return 1.0 / told


@functools.lru_cache(maxsize=8)
def noise_powers(frames: tuple[tuple[float, ...], ...]) -> Vector:
    """A variance R + S·x + Q·x² that the merge's never exceeds up to display white, and equals with its slope at black.

    Above the light at which bright frames clip the merge knows less; the square covers that, so that middle tones are
    taken as noisier than they are, by a factor up to 2.5 of the deviation for brackets 2 EV apart.
    """
    named = [dict(zip(_NOISE, frame, strict=True)) for frame in frames]
    dark, small = merged_variance(0.0, named), 2.0**-20
    rise = (merged_variance(small, named) - dark) / small
    steps = [exact.exp2(step / 16.0) for step in range(-10 * 16, 1)]
    steps += [frame["clip"] / frame["light"] for frame in named if frame["clip"] <= frame["light"]]
    square = max((merged_variance(light, named) - dark - rise * light) / (light * light) for light in steps)
    return (dark, rise, max(square, 0.0))


class Sharpen(Stage):
    """Makes fine detail crisper, for the size at which the picture is looked at; stands after `resize` and `display`.

    Acts on luminance, hue and saturation stay. No pixel leaves the range of its 3×3 neighbours by more than `overshoot`
    of it, so that edges become steeper and get no halos. Detail that is no larger than the noise is left alone; the noise
    is that of the merged frames at the same brightness: where steps before lifted the shadows, state a larger `noise`.
    """

    name: ClassVar[str] = "sharpen"
    kind: ClassVar[Kind] = "window"
    version: ClassVar[int] = 2
    uses: ClassVar[tuple[str, ...]] = ("frames",)

    amount: float = Field(0.0, ge=0, le=4, description="How much detail is added: 0 none, 1 as much again.")
    radius: LengthField = Field(
        Length(0.7, "px"), description="How fine the detail is, 0.3px to 1.3px of the delivered picture.",
    )
    overshoot: float = Field(0.05, ge=0, le=0.5, description="How far beyond its neighbours' range a pixel may go.")
    noise: float = Field(3.0, ge=0, le=20, description="Detail up to this many standard deviations counts as noise.")

    @field_validator("radius")
    @classmethod
    def _is_fine(cls, value: Length) -> Length:
        if value.unit != "px" or not SMALLEST_PX <= value.value <= LARGEST_PX:
            raise ValueError(f"must lie within {SMALLEST_PX}px and {LARGEST_PX}px; larger detail is for `local_contrast`")
        return value

    def is_neutral(self) -> bool:
        return self.amount == 0.0

    def input_window(self, wanted: Window, shape: Shape, facts: Mapping[str, Any]) -> Window:
        return wanted.padded(REACH_PX).cut(shape)

    def scratch_bytes(self, wanted: Window, planes: int) -> int:
        return wanted.padded(REACH_PX).pixels * 5 * 4

    def run(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
        tall = Window.between(wanted.y - REACH_PX, wanted.x, wanted.y_end + REACH_PX, wanted.x_end).cut(tile.picture)
        needed, taps = tile.cut(self.input_window(wanted, tile.picture, facts)), gaussian_taps(self.radius.value)
        frames = tuple(tuple(float(frame[name]) for name in _NOISE) for frame in facts.get("frames") or ())
        powers, squared = noise_powers(frames), self.noise * self.noise
        root = device.tile(needed.window, tile.picture, ("root",))
        device.launch(ROOT, colour_of(device, needed), device.planes(root), weight=luminance_row())
        across = device.tile(tall, tile.picture, ("blurred", "least", "most"))
        device.launch(ACROSS, device.planes(root), device.planes(across), taps=taps)
        gain = device.tile(wanted, tile.picture, ("gain",))
        device.launch(
            GAIN, [*device.planes(across), *device.planes(root)], device.planes(gain),
            noise=[squared * power for power in powers], dark=exact.sqrt(powers[0]),
            taps=taps, amount=self.amount, overshoot=self.overshoot,
        )
        given = tile.cut(wanted)
        out = like(device, given)
        device.launch(APPLY, [*device.planes(gain), *colour_of(device, given)], colour_of(device, out))
        return out
