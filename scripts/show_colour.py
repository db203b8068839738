"""Measures what the stages of light and colour promise: `scripts/show_colour.py [figures] [speed] [--sheet FILE]`.

Colour is judged by colour-science (OKLab, CIE L*, ΔE2000, ColorChecker 2005); pictures are invented.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tilepipe import process
from tilepipe.colour.encode import Encoding
from tilepipe.colour.spaces import REC2020, SRGB, between, rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape
from tilepipe.plan.chain import Chain
from tilepipe.recipe.steps import read_steps
from tilepipe.run.evaluate import run_chain
from tilepipe.stages.stage import all_stages

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

BLUE = {"at": "250deg", "reach": "70deg", "stops": "-1.5EV"}
WARM = [{"at": "30deg", "reach": "50deg", "stops": "-0.8EV"}, {"at": "100deg", "reach": "60deg", "stops": "0.6EV"}]
FACTS: dict[str, Any] = {  # an invented bracket of a camera at ISO 100
    "frames": [{"light": light, "shot": 3.24e-4, "read": 4.3e-6, "clip": 1.0} for light in (0.25, 1.0, 4.0)]
}
SPEED: tuple[dict[str, Any], ...] = (  # every stage does something; `monochrome` is timed apart, as nothing needs colour then
    {"tone_channels": {"channels": [BLUE, WARM[1]]}}, {"saturation": {"chroma": 1.2}},
    {"dodge": {"stops": "0.5EV"}}, {"burn": {"stops": "0.5EV", "around": "-6EV"}},
    {"vignette": {"stops": "-1EV"}}, {"tone_curve": {"points": [{"at": "-3EV", "to": "-2.7EV"}, {"at": "0EV", "to": "0EV"}]}},
    {"display": {}}, {"sharpen": {"amount": 0.7}},
)
TILE_PX, THREADS, PATCH_PX = 1024, 2, 56


def made(pixels: Any, *steps: dict[str, Any] | str) -> Any:
    """Stages one after the other on linear Rec.2020 `(y, x, 3)`, neutral ones too; float64."""
    planar = np.ascontiguousarray(np.asarray(pixels, np.float32).transpose(2, 0, 1))
    shape, device = Shape(*planar.shape[1:]), CpuDevice()
    for step in steps:
        name, values = (step, {}) if isinstance(step, str) else next(iter(step.items()))
        stage = all_stages()[name].model_validate(values)
        planar = np.array(stage.run(device, Tile(planar, shape.whole, shape), shape.whole, FACTS).array)
    return planar.transpose(1, 2, 0).astype(np.float64)


def xyz(pixels: Any) -> Any:
    return np.asarray(pixels, np.float64) @ np.array(rgb_to_xyz(REC2020)).T


def lch(pixels: Any) -> tuple[Any, Any, Any]:
    """OKLab's lightness, chroma and hue in degrees."""
    lab = colour.XYZ_to_Oklab(xyz(pixels))
    return lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


def spread(pixels: Any) -> float:
    """σ of CIE L* at 1:1."""
    return float(colour.colorimetry.lightness_CIE1976(np.clip(xyz(pixels)[..., 1], 0, 1) * 100).std())


def working(srgb: Sequence[float]) -> Any:
    return np.asarray(srgb, np.float64) @ np.array(between(SRGB, REC2020)).T


def colorchecker() -> Any:
    """The chart's 24 patches as linear Rec.2020, adapted to D65 by CAT16, in four rows of squares."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker 2005"]
    whites = [colour.xy_to_XYZ(white) for white in (chart.illuminant, (0.3127, 0.3290))]
    matrix = colour.adaptation.matrix_chromatic_adaptation_VonKries(*whites, "CAT16")
    patches = colour.xyY_to_XYZ(np.array(list(chart.data.values()))) @ matrix.T @ np.linalg.inv(np.array(rgb_to_xyz(REC2020))).T
    return patches.reshape(4, 6, 3).repeat(PATCH_PX, 0).repeat(PATCH_PX, 1)


def sun(side_px: int = 321) -> tuple[Any, Any]:
    """A sun of 30 × white in a warm glow before a blue evening sky, and each pixel's distance from it."""
    y, x = np.mgrid[:side_px, :side_px] - side_px // 2
    radius = np.hypot(y, x)[..., None]
    light = working((1.0, 0.55, 0.2)) * np.exp(-radius / 40) * 4 + working((0.35, 0.4, 0.55)) * 0.25
    return light + 30 * np.clip(14 - radius, 0, 1), radius[..., 0]


# ---------------------------------------------------------------- figures
def stops_keep_colour() -> str:
    chart, turned, ratio = colorchecker(), 0.0, 0.0
    for channel in (BLUE, *WARM):
        before, after = lch(chart), lch(made(chart, {"tone_channels": {"channels": [channel]}}))
        seen = before[1] > 0.01
        turned = max(turned, float(np.abs((after[2] - before[2] + 180) % 360 - 180)[seen].max()))
        ratio = max(ratio, float(np.abs((after[1] / after[0]) / (before[1] / before[0]) - 1)[seen].max()))
    return f"hue moves {turned:.4f}° (0.5 allowed), chroma ÷ lightness {100 * ratio:.4f} % (1 allowed)"


def greys_stay() -> str:
    ramp = np.exp2(np.linspace(-16, 4, 600))[None, :, None].repeat(3, 2).repeat(32, 0).astype(np.float32)
    moved = np.abs(made(ramp, {"tone_channels": {"channels": [BLUE, *WARM]}}) / ramp - 1).max()
    return f"{moved:.1e} (1e-6 allowed)"


def noise_stays() -> str:
    worst = []
    for tint in ((0.85, 0.98, 1.25), (0.95, 1.0, 1.1), (0.5, 0.9, 2.2)):
        for level in (0.004, 0.01, 0.03, 0.1):
            truth = level * np.broadcast_to(tint, (160, 200, 3))
            noisy = truth + np.random.default_rng(3).standard_normal(truth.shape) * np.sqrt(3.24e-4 * truth + 4.3e-6)
            worst.append(spread(made(noisy, {"tone_channels": {"channels": [BLUE]}})) / spread(noisy))
    return f"× {max(worst):.3f} at worst (1.3 allowed), × {min(worst):.3f} at best"


def rays_are_smooth() -> str:
    light, radius = sun()
    steps = [{"tone_channels": {"channels": [*WARM, BLUE]}}, {"saturation": {"chroma": 1.2}}]
    told = []
    for turn in (0.0, 0.5, 1.0):
        bright, chroma, _ = lch(made(light, *steps, {"display": {"turn": turn}}))
        falls, again = 0.0, 0.0
        for angle in np.arange(64) * (2 * np.pi / 64):
            away = np.arange(0, light.shape[0] // 2 - 2)
            rows, cols = (np.rint(light.shape[0] // 2 + away * part).astype(int) for part in (np.sin(angle), np.cos(angle)))
            order = np.argsort(radius[rows, cols], kind="stable")
            along, colours = bright[rows, cols][order], chroma[rows, cols][order]
            falls = max(falls, float(np.diff(along).max()))
            top = int(colours.argmax())
            low = top + int(colours[top:].argmin())
            back = max(-np.diff(colours[: top + 1]).min(initial=0), np.diff(colours[top : low + 1]).max(initial=0))
            again = max(again, float(back))
        told.append(f"turn {turn:g}: lightness rises outward by {falls:.5f}, chroma turns back by {again:.5f}")
    return "; ".join(told)


def clipped_suns_have_no_ring() -> str:
    """Warm suns that clip in all frames, channel after channel: the strongest colour between green and magenta beside them."""
    told = []
    y, x = np.mgrid[:321, :321] - 160
    radius = np.hypot(y, x)[..., None]
    for name, tint in (("yellow", (1.0, 0.8, 0.45)), ("orange", (1.0, 0.55, 0.2)), ("red", (1.0, 0.3, 0.12))):
        glow = 3 * np.exp(-radius / 40) + 40 / (1 + np.exp((radius - 16) / 3))
        light = working(tint) * glow + working((0.35, 0.4, 0.55)) * 0.2
        frames = [np.minimum(np.maximum(light, 0) * gain, 1).astype(np.float32) for gain in (0.0625, 0.25, 1.0)]
        merged = process(frames, [0.0625, 0.25, 1.0], [{"blend": {"method": "radiance"}}])
        clipped = (frames[0] >= 0.999).any(-1).mean()
        _, chroma, hue = lch(made(merged, "display"))
        _, _, warm = lch(light)
        strange = (hue > 125) | (hue < float(np.median(warm[radius[..., 0] < 60])) - 25)
        away = radius[..., 0]
        near = (away < 70) & strange
        told.append(f"{name} ({clipped:.1%} clipped in all frames) {float(chroma[near].max(initial=0)):.4f}")
    return "OKLab chroma of hues that the sun does not have: " + ", ".join(told)


def hazy_ramp_has_no_bands() -> str:
    """A pale sky of 0.6 EV over 3000 px through all steps to 8 bits: plateaus beside those of a ramp without any noise."""
    width, height = 3000, 64
    sky = working((0.62, 0.66, 0.72)) * np.exp2(np.linspace(-1.6, -1.0, width))[None, :, None].repeat(height, 0)
    steps: list[Any] = [
        {"local_contrast": {"range": 0.5, "detail": 1.15}},
        {"tone_channels": {"channels": [{"at": "250deg", "reach": "60deg", "stops": "-0.3EV"}]}}, "display",
    ]
    shown = process([sky.astype(np.float32)], steps=steps)
    shape = Shape(height, width)
    tile = Tile(np.ascontiguousarray(shown.transpose(2, 0, 1)), shape.whole, shape)
    smooth, codes = (Encoding(SRGB, 8, dither=dither).run(CpuDevice(), tile)[1] for dither in (False, True))
    ideal = longest(smooth[0])
    plain, row = longest(codes[0]), codes.astype(np.float64).mean(0)
    step = 3000 / max(int(np.ptp(smooth)), 1)
    wide = np.convolve(row, np.ones(int(step) // 2) / (int(step) // 2), "valid")
    back = float(max(-np.diff(wide[:: int(step) // 2]).min(), 0.0))
    return f"longest run of one code {plain} px, of the ramp itself {ideal} px (twice allowed); turns back by {back:.3f} codes"


def longest(codes: Any) -> int:
    """Length of the longest run of equal values."""
    ends = np.flatnonzero(np.diff(codes.astype(int)) != 0)
    return int(np.diff(np.concatenate([[-1], ends, [len(codes) - 1]])).max())


def neutral_is_nothing() -> str:
    chart = colorchecker()
    names = ("tone_channels", "saturation", "dodge", "burn", "vignette", "tone_curve", "sharpen")
    before, after = (colour.XYZ_to_Lab(xyz(pixels), (0.3127, 0.3290)) for pixels in (chart, made(chart, *names)))
    apart = colour.delta_E(before, after, method="CIE 2000").max()
    return f"ΔE2000 {apart:.5f} on ColorChecker (0.1 allowed); all but `display`"


def equal_brightness() -> str:
    """How far a hue's edge is smeared where both sides are as bright."""
    picture = np.empty((64, 128, 3))
    for half, tint in ((slice(0, 64), (0.12, 0.22, 0.55)), (slice(64, 128), (0.5, 0.2, 0.05))):
        picture[:, half] = working(tint) / (xyz(working(tint))[1]) * 0.2
    stops = np.log2(made(picture, {"tone_channels": {"channels": [BLUE]}}) / picture)[32, :, 1]
    beyond = np.abs(stops[:64] - stops[8]) > 0.1 * abs(stops[8])
    return f"the effect is more than a tenth short up to {int(beyond.sum())} px from such an edge"


FIGURES: tuple[tuple[str, Callable[[], str]], ...] = (
    ("tone_channels, only `stops`", stops_keep_colour), ("tone_channels, grey ramp", greys_stay),
    ("tone_channels, −1.5 EV in blue, σ(L*) of shadows", noise_stays), ("sun, 64 rays, after all steps", rays_are_smooth),
    ("suns clipped in all frames", clipped_suns_have_no_ring), ("hazy sky to 8 bits", hazy_ramp_has_no_bands),
    ("neutral settings", neutral_is_nothing), ("tone_channels, hues of equal brightness side by side", equal_brightness),
)


# ---------------------------------------------------------------- speed and a sheet to look at
def speed(megapixels: float) -> None:
    """Tile by tile in memory, two threads, best of three: all stages fused, then each alone.

    Other work on the machine makes the wall clock useless; processor time is what two free cores would take.
    """
    side = int((megapixels * 1e6) ** 0.5) // 16 * 16
    shape = Shape(side, side)
    given = np.tile(np.random.default_rng(1).random((3, 16, side), np.float32), (1, side // 16, 1))
    alone = [*((step,) for step in SPEED), ({"monochrome": {"mix": [BLUE]}},)]
    print(f"{shape}, {THREADS} threads, tiles of {TILE_PX} px; MP/s by the clock, and by processor time on {THREADS} cores")
    for name, steps in (("all together", SPEED), *((next(iter(steps[0])), steps) for steps in alone)):
        wall, processor = (min(times) for times in zip(*(_timed(given, shape, steps) for _ in range(3)), strict=True))
        print(f"  {name:16} {shape.pixels / wall / 1e6:8.1f} {THREADS * shape.pixels / processor / 1e6:8.1f}")


def _timed(given: Any, shape: Shape, steps: Sequence[dict[str, Any]]) -> tuple[float, float]:
    chain, device, whole = Chain(read_steps(list(steps), frames=1), shape), CpuDevice(), Tile(given, shape.whole, shape)
    grid = Grid(shape, TILE_PX, TILE_PX)

    def tile(index: int) -> None:
        windows = chain.windows(grid[index], FACTS)
        run_chain(device, chain, whole.cut(windows[0]), windows, FACTS)

    start = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(tile, range(len(grid))))
    return time.perf_counter() - start[0], time.process_time() - start[1]


def sheet(path: Path) -> None:
    """The sun with three turns toward white, and the chart before and after hues were moved, as one PNG."""
    light, _ = sun(224)
    chart = colorchecker()[:, : 3 * 224]
    rows = [np.concatenate([made(light, {"display": {"turn": turn}}) for turn in (0.0, 0.5, 1.0)], 1)[:224]]
    rows += [np.pad(part, ((0, 0), (0, max(rows[0].shape[1] - part.shape[1], 0)), (0, 0)))[:, : rows[0].shape[1]]
             for part in (chart, made(chart, {"tone_channels": {"channels": [BLUE, *WARM]}}))]
    shown = np.clip(np.concatenate(rows) @ np.array(between(REC2020, SRGB)).T, 0, 1)
    Image.fromarray((colour.cctf_encoding(shown, function="sRGB") * 255 + 0.5).astype(np.uint8)).save(path)
    print(f"sheet: {path}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", nargs="*", metavar="figures|speed", help="both without a word")
    parser.add_argument("--megapixels", type=float, default=24.0, help="size of the picture for `speed`")
    parser.add_argument("--sheet", type=Path, help="writes a PNG to look at")
    chosen = parser.parse_args()
    if not chosen.what or "figures" in chosen.what:
        for name, figure in FIGURES:
            print(f"{name}: {figure()}")
    if not chosen.what or "speed" in chosen.what:
        speed(chosen.megapixels)
    if chosen.sheet:
        sheet(chosen.sheet)


if __name__ == "__main__":
    main()
