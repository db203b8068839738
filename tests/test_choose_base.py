"""The survey's exact sums, and the choice of the base frame on invented brackets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.choose_base import choose_base
from tilepipe.measure.reduced import Survey, SurveyGrid, SurveySum, survey, survey_partial


@dataclass(frozen=True)
class Frame:
    pixels: Any
    light: float
    name: str = "frame"
    linear: bool = True
    planes: tuple[str, ...] = ("red", "green", "blue")

    @property
    def shape(self) -> Shape:
        return Shape(*self.pixels.shape[1:])

    def tile(self, device: Any, window: Window) -> Tile:
        return Tile(self.pixels[:, window.rows, window.cols], window, self.shape, self.planes)


def noisy(light: Any, exposure: float, seed: int) -> Any:
    """Frame units: clipped, with photon and read noise (λ_S 3.24e-4, λ_R 4.3e-6), three equal channels."""
    x = np.minimum(light * exposure, 1.0)
    noise = np.random.default_rng(seed).standard_normal((3, *light.shape)) * np.sqrt(3.24e-4 * x + 4.3e-6)
    return np.minimum(x + noise, 1.0).astype(np.float32)


def scene(height: int = 300, width: int = 420) -> Any:
    """Invented: boxes of many sizes and lights on grey, sharp edges everywhere."""
    rng = np.random.default_rng(5)
    light = np.full((height, width), 0.18)
    for _ in range(500):
        y, x, h, w = rng.integers(0, height), rng.integers(0, width), *rng.integers(4, 40, 2)
        light[y : y + h, x : x + w] = 0.18 * 2.0 ** rng.uniform(-2, 2)
    return light


def same(one: Survey, other: Survey) -> bool:
    return all(
        np.array_equal(a.level, b.level) and np.array_equal(a.state, b.state) and np.array_equal(a.edges, b.edges)
        and a.clipped_px == b.clipped_px
        for a, b in zip(one.frames, other.frames, strict=True)
    )


def test_the_survey_does_not_know_windows_or_instruction_sets() -> None:
    rng = np.random.default_rng(1)
    pixels = (rng.random((7, 731, 3301)) * 1.2 - 0.1).astype(np.float32)
    planes = ("red", "green", "blue", "peak_red", "peak_green", "peak_blue", "coverage")
    frame = Frame(pixels, 1.0, planes=planes)
    reference = survey(CpuDevice(), [frame], 4096)
    assert SurveyGrid(frame.shape).factor == 3
    for variant in built_variants():
        device = CpuDevice(variant)
        for side in ((731, 3301), (256, 257), (97, 1000)):
            total = SurveySum([frame])
            for window in Grid(frame.shape, *side):
                total.add(survey_partial(device, [frame], window))
            assert same(total.finish(device), reference), (variant, side)


def test_the_reduced_picture_is_the_exact_box_mean() -> None:
    rng = np.random.default_rng(2)
    pixels = (rng.random((3, 90, 3100)) * 1.3 - 0.1).astype(np.float32)
    found = survey(CpuDevice(), [Frame(pixels, 1.0)]).frames[0]
    fixed = np.rint(np.clip(pixels[1], -0.5, 1.5) * np.float32(1048576.0)).astype(np.int64)
    clipped = (pixels.max(axis=0) >= np.float32(0.985)).astype(np.int64)
    for y, x in ((0, 0), (13, 517), (29, 1033)):
        box = np.s_[3 * y : 3 * y + 3, 3 * x : 3 * x + 3]
        mean = int(fixed[box].sum()) / fixed[box].size / 1048576.0
        assert int(found.level[y, x]) == round(min(max(mean, 0.0), 1.0) ** 0.5 * 65535)
        assert bool(found.state[y, x] & 1) == bool(clipped[box].any())
    assert found.clipped_px == int(clipped.sum())


def chosen(lights: Any, exposures: tuple[float, ...]) -> dict[str, Any]:
    frames = [
        Frame(noisy(light, exposure, seed), exposure, f"frame {seed}")
        for seed, (light, exposure) in enumerate(zip(lights, exposures, strict=True))
    ]
    return choose_base(survey(CpuDevice(), frames))


def with_sun(light: Any, strength: float = 5000.0) -> Any:
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    return np.where((y - 60) ** 2 + (x - 300) ** 2 < 14**2, strength, light)


def test_the_middle_frame_wins_when_it_loses_least() -> None:
    facts = chosen([scene()] * 3, (1 / 64, 1.0, 16.0))
    assert facts["base"] == 1
    assert facts["left_out"] == []
    assert "frame 1 is the base" in facts["reason"]


def test_the_sun_does_not_count_as_clipped() -> None:
    plain, sunny = chosen([scene()] * 3, (1 / 64, 1.0, 4.0)), chosen([with_sun(scene())] * 3, (1 / 64, 1.0, 4.0))
    area = 1000 * np.pi * 14**2 / scene().size
    assert area > 4
    for one, other in zip(plain["frames"], sunny["frames"], strict=True):
        assert abs(one["clipped_thousandths"] - other["clipped_thousandths"]) <= 1


def test_a_clipped_sky_counts_though_it_holds_the_sun() -> None:
    light = with_sun(scene())
    light[:120] = np.maximum(light[:120], 0.5)
    facts = chosen([light] * 3, (0.125, 1.0, 8.0))
    assert facts["frames"][1]["clipped_thousandths"] < 20
    assert facts["frames"][2]["clipped_thousandths"] > 380  # the sky is 40 % of the picture


@pytest.mark.parametrize("shaken", [0, 1, 2])
def test_a_shaken_frame_is_left_out_with_a_warning(shaken: int) -> None:
    still = scene()
    moved = sum(np.roll(still, step, axis=1) for step in range(6)) / 6.0
    facts = chosen([moved if index == shaken else still for index in range(3)], (0.25, 1.0, 4.0))
    assert facts["left_out"] == [shaken]
    assert facts["base"] != shaken
    assert [warning["where"] for warning in facts["warnings"]] == [f"frame {shaken}"]


def test_a_still_bracket_has_no_shaken_frame() -> None:
    assert chosen([scene()] * 4, (1 / 16, 0.25, 1.0, 4.0))["left_out"] == []


def test_frames_that_lose_alike_are_told_apart_by_sharpness() -> None:
    still = scene()
    soft = sum(np.roll(still, step, axis=0) for step in range(2)) / 2.0
    assert chosen([still, soft], (0.8, 1.0))["base"] == 0
    assert chosen([soft, still], (0.8, 1.0))["base"] == 1
