"""Beside what moved every frame that shows the same within noise keeps its own light; what does not is replaced."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.motion_members import FULL
from tilepipe.stages.settle import SettleMaps, settle, settle_window

Pixels = npt.NDArray[Any]
SHAPE = Shape(96, 120)
WHOLE = Window(0, 0, 96, 120)
LIGHTS = (0.25, 1.0, 4.0)
SHOT, READ = 3.24e-4, 4.3e-6  # typical at ISO 100: Hasinoff, Durand, Freeman, CVPR 2010
FACTS: dict[str, Any] = {"base": 1, "frames": [
    {"light": light, "clip": 1.0, "shot": SHOT, "read": READ, "to_working": [1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0]}
    for light in LIGHTS
]}
MOVED = Window(40, 60, 20, 24)


def bracket(moved: float = 0.5, level: float = 0.1) -> list[Pixels]:
    """Three frames of invented light with fine texture; in the brightest, `MOVED` is so much of its brightness."""
    generator = np.random.default_rng(5)
    light = level * generator.uniform(0.6, 1.4, (3, 96, 120))
    frames = []
    for index, gain in enumerate(LIGHTS):
        value = light * gain
        if index == 2:
            value[:, MOVED.rows, MOVED.cols] *= moved
        noise = generator.normal(size=value.shape) * np.sqrt(SHOT * value + READ)
        frames.append(np.minimum(value + noise, 1.0).astype(np.float32))
    return frames


def maps(alone: int = 0) -> SettleMaps:
    cells = (SHAPE.height // 8, SHAPE.width // 8)
    return SettleMaps((1,), np.full((1, *cells), FULL, np.uint8), 8, alone=np.full(cells, alone, np.uint8))


def settled(frames: list[Pixels], held: SettleMaps, window: Window = WHOLE, device: Any = None) -> list[Pixels]:
    needed = settle_window(held, window, SHAPE)
    tiles = [Tile(np.ascontiguousarray(frame[:, needed.rows, needed.cols]), needed, SHAPE) for frame in frames]
    made = settle(device or CpuDevice(), tiles, window, FACTS, held)
    return [np.array(tile.array[:3]) for tile in made]


def same(one: Pixels, other: Pixels) -> Pixels:
    return np.asarray((one.view(np.uint32) == other.view(np.uint32)).all(axis=0))


def test_what_stands_still_keeps_its_bits_and_what_moved_is_replaced() -> None:
    frames = bracket()
    made = settled(frames, maps())
    still = np.ones((SHAPE.height, SHAPE.width), bool)
    around = MOVED.padded(10)
    still[around.rows, around.cols] = False
    for frame, own in zip(frames, made, strict=True):
        assert same(frame, own)[still].mean() > 0.8
    inner = MOVED.padded(-4)
    assert not same(frames[2], made[2])[inner.rows, inner.cols].any()
    shown = made[2][:, inner.rows, inner.cols].mean() / (4.0 * frames[1][:, inner.rows, inner.cols].mean())
    assert abs(shown - 1.0) < 0.01


def test_where_a_frame_stands_alone_nothing_is_kept() -> None:
    frames = bracket(moved=1.0)
    made = settled(frames, maps(alone=FULL))
    assert not same(frames[2], made[2]).any()
    without = settled(frames, replace(maps(), alone=None))
    assert all(same(one, other).all() for one, other in zip(made, without, strict=True))


def test_a_clipping_frame_beside_movement_is_not_kept_because_it_clips() -> None:
    frames = bracket(moved=0.3, level=0.2)  # the brightest clips in spots all over
    made = settled(frames, maps())
    inner = MOVED.padded(-4)
    dark = frames[2][:, inner.rows, inner.cols].max(axis=0) < 0.6
    assert dark.sum() > 100
    assert not same(frames[2], made[2])[inner.rows, inner.cols][dark].any()


@pytest.mark.parametrize("variant", native.built_variants())
def test_windows_and_variants_do_not_touch_a_bit(variant: str) -> None:
    frames = bracket()
    half = maps()
    assert half.alone is not None
    half.alone[:, 8:] = FULL  # so that some windows ask what frames show and others do not
    whole = settled(frames, half)
    device = CpuDevice(variant)
    for window in Grid(SHAPE, 40, 56):
        for made, wanted in zip(settled(frames, half, window, device), whole, strict=True):
            assert same(made, np.ascontiguousarray(wanted[:, window.rows, window.cols])).all()
