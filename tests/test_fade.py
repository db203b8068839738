"""Light that fades from place to place during a bracket: measured, taken back, and left alone where there is none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tilepipe import process
from tilepipe.demo.camera import expose_linear
from tilepipe.demo.frames import demo_shape
from tilepipe.demo.scene import SceneOptions, render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.fade import PEAKS, Fade
from tilepipe.measure.match import match
from tilepipe.measure.reduced import survey


class View:
    """A frame in memory."""

    linear = True

    def __init__(self, pixels: Any, light: float) -> None:
        self.pixels, self.light, self.name = pixels, light, "frame"
        self.shape = Shape(*pixels.shape[1:])

    def tile(self, device: Any, window: Window) -> Tile:
        return Tile(np.ascontiguousarray(self.pixels[:, window.rows, window.cols]), window, self.shape)


def soft(height: int, width: int, seed: int) -> Any:
    """Invented light: smooth hills over about 6 EV around a tenth of clipping."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    total = np.zeros((height, width))
    for _ in range(40):
        fy, fx, phase = *rng.uniform(-0.05, 0.05, 2), rng.uniform(0, 6.28)
        total += np.sin(fy * y + fx * x + phase) / 4.5
    return 0.08 * 2.0 ** (1.2 * total)


def seen(light: Any, seed: int) -> Any:
    """Frame units with photon and read noise (λ_S 3.24e-4, λ_R 4.3e-6)."""
    clean = np.minimum(np.stack([0.7 * light, light, 0.8 * light]), 1.0)
    noise = np.random.default_rng(seed).standard_normal(clean.shape) * np.sqrt(3.24e-4 * clean + 4.3e-6)
    return np.minimum(clean + noise, 1.0).astype(np.float32)


def slope(shape: Shape) -> Any:
    """0.3 EV across the picture, with a bend, of mean nothing at its middle."""
    y, x = np.mgrid[: shape.height, : shape.width]
    u, v = x / (shape.width - 1) - 0.5, y / (shape.height - 1) - 0.5
    return 0.3 * (0.8 * u + 0.2 * v) + 0.1 * (u * u - v * v)


def faded_bracket(fades: bool, moving: bool) -> tuple[list[View], Any]:
    shape = Shape(800, 1200)
    light, fade = soft(800, 1200, 1), slope(shape)
    other = light.copy()
    if moving:
        other[150:420, 100:500] = soft(270, 400, 2) * 1.3  # something else stood there
    return [
        View(seen(light * 0.25 * 2.0 ** (-0.5 * fade * fades), 1), 0.25), View(seen(light, 2), 1.0),
        View(seen(other * 4.0 * 2.0 ** (fade * fades), 3), 4.0),
    ], fade


def total_stops(row: dict[str, Any], shape: Shape, stated: float) -> Any:
    """log2 of frame ÷ base at a grid of places, by gain and fade."""
    found = Fade.from_facts(row["fade"], shape)
    places = [[(float(x), float(y)) for x in range(40, 1200, 80)] for y in range(40, 800, 80)]
    return np.array([[np.log2(row["light"] / stated) + (found.stops(*at) if found else 0.0) for at in line] for line in places])


@pytest.mark.parametrize("moving", [False, True], ids=["still", "a part moves"])
def test_a_fade_of_a_third_of_a_stop_is_found_to_a_hundredth(moving: bool) -> None:
    frames, fade = faded_bracket(True, moving)
    rows = match(CpuDevice(), survey(CpuDevice(), frames), 1, local=True)["frames"]
    shape, here = frames[0].shape, fade[40::80, 40::80]
    assert rows[1]["fade"] is None
    for row, part, stated in ((rows[0], -0.5, 0.25), (rows[2], 1.0, 4.0)):
        off = np.abs(total_stops(row, shape, stated) - part * here)
        assert np.median(off) <= 0.005
        assert np.percentile(off, 95) <= 0.01
        assert off.max() <= 0.02


@pytest.mark.parametrize("moving", [False, True], ids=["still", "a part moves"])
def test_light_that_stands_still_has_no_fade(moving: bool) -> None:
    frames, _ = faded_bracket(False, moving)
    rows = match(CpuDevice(), survey(CpuDevice(), frames), 1, local=True)["frames"]
    assert [row["fade"] for row in rows] == [None] * 3


@pytest.mark.parametrize("options", [SceneOptions(), SceneOptions(drift=3.0, cloud=1.2)], ids=["evening", "strong drift"])
def test_drifting_cloud_is_no_fade(options: SceneOptions) -> None:
    shape = demo_shape(1.0)
    settings = scene_frames(shape.height, shape.width, options)
    frames = [
        View(expose_linear(render_truth(shape.whole, shape, setting), shape.whole, shape, setting), setting.gain)
        for setting in settings
    ]
    base = next(index for index, setting in enumerate(settings) if setting.is_base)
    rows = match(CpuDevice(), survey(CpuDevice(), frames), base, local=True)["frames"]
    assert [row["fade"] for row in rows] == [None] * len(rows)


# ---------------------------------------------------------------- taking it back
def test_colours_are_divided_and_peaks_are_kept() -> None:
    shape = Shape(90, 130)
    fade = Fade(3, 4, shape, tuple(np.random.default_rng(1).integers(-400, 400, 12).tolist()))
    pixels = np.random.default_rng(2).random((3, 90, 130), np.float32)
    whole = fade.run(CpuDevice(built_variants()[-1]), Tile(pixels, shape.whole, shape))
    assert whole.planes == ("red", "green", "blue", *PEAKS)
    np.testing.assert_array_equal(whole.array[3:], pixels)
    stops = np.array([[fade.stops(float(x), float(y)) for x in range(130)] for y in range(90)])
    np.testing.assert_allclose(whole.array[:3], pixels * 2.0**-stops, rtol=3e-7)
    for variant in built_variants():
        for window in (Window(0, 0, 17, 33), Window(71, 55, 19, 75)):
            part = fade.run(CpuDevice(variant), Tile(np.ascontiguousarray(pixels[:, window.rows, window.cols]), window, shape))
            np.testing.assert_array_equal(
                part.array.view(np.uint32), np.ascontiguousarray(whole.array[:, window.rows, window.cols]).view(np.uint32)
            )


def test_a_run_takes_the_fade_back() -> None:
    """At every brightness the merge is the base frame's scene; without `local` eight tenths of a fade are left in shadow."""
    frames, fade = faded_bracket(True, False)
    light = soft(800, 1200, 1)
    left: dict[bool, list[float]] = {True: [], False: []}
    for local, slopes in left.items():
        pixels = [frame.pixels.transpose(1, 2, 0) for frame in frames]
        merged = process(pixels, [0.25, 1.0, 4.0], [{"match": {"local": local}}, {"blend": {"method": "radiance"}}])
        off = np.log2(np.maximum(merged[..., 1], 1e-6) / light)
        for low, high in ((0.0, 0.05), (0.05, 0.15), (0.15, 0.24), (0.3, 0.9)):
            where = (light > low) & (light < high)
            slopes.append(abs(float(np.polyfit(fade[where], off[where], 1)[0])))
    assert max(left[True]) < 0.02
    assert max(left[False]) > 0.7
