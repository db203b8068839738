"""Noise measured in frames of known noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.formats.frame import CameraInfo, Encoding, FrameInfo
from tilepipe.geometry import Shape, Window
from tilepipe.measure.noise import (
    TYPICAL_READ,
    TYPICAL_SHOT,
    NoiseLevel,
    NoiseSum,
    fit_noise,
    noise_of_profile,
    noise_partial,
    pooled_noise,
)

BLACK, WHITE = 1024, 15871
SPAN = float(WHITE - BLACK)


@dataclass(frozen=True)
class Codes:
    pixels: Any

    def read(self, window: Window) -> Any:
        return np.ascontiguousarray(self.pixels[:, window.rows, window.cols])


@dataclass(frozen=True)
class Source:
    info: FrameInfo
    codes: Codes
    decoder: FrameDecoder


def source(pixels: Any, kind: str, transfer: str = "linear", coverage: bool = False) -> Source:
    camera = None
    if kind == "mosaic":
        camera = CameraInfo((float(BLACK),) * 4, WHITE, "RGGB", None, None, "", "", "")
    channels = 1 if kind != "colour" else 3
    info = FrameInfo(
        "frame", Shape(*pixels.shape[1:]), kind, pixels.dtype.name, channels, coverage,  # type: ignore[arg-type]
        Encoding(transfer, "sRGB", "stated"), None, 1, camera, True, None, 0, {},  # type: ignore[arg-type]
    )
    return Source(info, Codes(pixels), FrameDecoder.of(info))


def measured(device: CpuDevice, frame: Source, tile: int = 4096) -> dict[str, Any]:
    total = NoiseSum()
    height, width = frame.info.shape.height, frame.info.shape.width
    for y in range(0, height, tile):
        for x in range(0, width, tile):
            window = Window(y, x, tile, tile).cut(frame.info.shape)
            total.add(noise_partial(device, frame, window))
    return total.finish()


def noisy(truth: Any, shot: float, read: float, seed: int = 1) -> Any:
    rng = np.random.default_rng(seed)
    return rng.poisson(truth / shot) * shot + rng.normal(0.0, math.sqrt(read), truth.shape)


def gradient(height: int, width: int) -> Any:
    """Smooth light over 8 stops (invented)."""
    y, x = np.mgrid[:height, :width]
    return 0.9 * np.exp2(-8.0 * (0.75 * x / width + 0.25 * y / height))


def mosaic_codes(values: Any) -> Any:
    return np.clip(np.rint(values * SPAN + BLACK), 0, 65535).astype(np.uint16)[None]


@pytest.mark.parametrize(
    ("shot", "read"), [(TYPICAL_SHOT, TYPICAL_READ), (8 * TYPICAL_SHOT, 64 * TYPICAL_READ), (5e-5, 4e-7)]
)
def test_known_noise_of_a_mosaic(shot: float, read: float) -> None:
    frame = source(mosaic_codes(noisy(gradient(600, 800), shot, read)), "mosaic")
    found = measured(CpuDevice(), frame)
    assert found["shot"] == pytest.approx(shot, rel=0.15)
    assert found["read"] == pytest.approx(read, rel=0.15)
    assert found["noise_from"] == "measured in the frame"


def test_texture_over_half_of_the_picture_adds_little() -> None:
    truth = gradient(600, 800)
    rng = np.random.default_rng(8)
    truth[::, 200:600] *= np.exp2(rng.normal(0.0, 0.3, (600, 400)))
    frame = source(mosaic_codes(noisy(np.minimum(truth, 1.0), TYPICAL_SHOT, TYPICAL_READ)), "mosaic")
    found = measured(CpuDevice(), frame)
    assert found["shot"] == pytest.approx(TYPICAL_SHOT, rel=0.15)
    assert found["read"] == pytest.approx(TYPICAL_READ, rel=0.15)


def test_known_noise_of_a_linear_picture_with_a_ragged_edge() -> None:
    values = np.repeat(noisy(gradient(500, 700), 2e-4, 3e-6)[None], 4, axis=0)
    values[3] = 1.0
    values[:, :, 600:] = 0.0
    found = measured(CpuDevice(), source(values.astype(np.float32), "colour", coverage=True))
    assert found["shot"] == pytest.approx(2e-4, rel=0.15)
    assert found["read"] == pytest.approx(3e-6, rel=0.15)


def test_dark_frames_tell_the_read_noise_of_bright_ones() -> None:
    sums = [NoiseSum(), NoiseSum(), NoiseSum()]
    for index, (total, light) in enumerate(zip(sums, (0.02, 0.2, 8.0), strict=True)):
        values = noisy(np.minimum(gradient(300, 400) * light + 0.05 * light, 1.0), TYPICAL_SHOT, TYPICAL_READ, index)
        frame = source(mosaic_codes(np.minimum(values, 1.0)), "mosaic")
        total.add(noise_partial(CpuDevice(), frame, frame.info.shape.whole))
    together = pooled_noise(sums, ["iso 100", "iso 100", "iso 100"])
    for found in together:
        assert found["shot"] == pytest.approx(TYPICAL_SHOT, rel=0.15)
        assert found["read"] == pytest.approx(TYPICAL_READ, rel=0.15)
    assert pooled_noise(sums, [1, 2, 3])[2] == sums[2].finish()


def test_one_flat_level_keeps_the_typical_ratio() -> None:
    flat = np.full((200, 300), 0.2)
    found = measured(CpuDevice(), source(mosaic_codes(noisy(flat, TYPICAL_SHOT, TYPICAL_READ)), "mosaic"))
    variance = found["shot"] * 0.2 + found["read"]
    assert variance == pytest.approx(TYPICAL_SHOT * 0.2 + TYPICAL_READ, rel=0.15)
    assert found["noise_from"].endswith("in the typical ratio")


def test_a_picture_without_noise_gets_typical_values() -> None:
    found = measured(CpuDevice(), source(np.full((1, 64, 64), 3000, np.uint16), "mosaic"))
    assert (found["shot"], found["read"]) == (TYPICAL_SHOT, TYPICAL_READ)
    assert found["noise_from"].startswith("typical values")


def test_typical_values_follow_the_iso_speed() -> None:
    total = NoiseSum(iso=400.0)
    assert total.finish()["shot"] == pytest.approx(4 * TYPICAL_SHOT)
    assert total.finish()["read"] == pytest.approx(16 * TYPICAL_READ)


def test_the_noise_profile_of_a_file() -> None:
    assert noise_of_profile((1e-4, 2e-6))["shot"] == 1e-4
    found = noise_of_profile((1e-4, 1e-6, 2e-4, 3e-6, 4e-4, 5e-6))
    assert (found["shot"], found["read"]) == (2e-4, 3e-6)
    with pytest.raises(ValueError, match="noise profile"):
        noise_of_profile((1e-4, 1e-6, 2e-4))


def test_an_encoded_picture_is_never_better_than_its_rounding() -> None:
    smooth = np.repeat(np.linspace(0, 255, 512).round().astype(np.uint8)[None, None], 200, axis=1).repeat(3, axis=0)
    found = measured(CpuDevice(), source(np.ascontiguousarray(smooth), "colour", "srgb"))
    assert found["shot"] >= 6.2e-6
    assert found["read"] >= 7.7e-9


def test_levels_far_above_the_line_count_little() -> None:
    levels = [NoiseLevel(5000, x, 1e-4 * x + 1e-6) for x in (0.01, 0.05, 0.1, 0.2, 0.4, 0.6)]
    levels[3] = NoiseLevel(50_000, 0.2, 1e-3)
    shot, read, _ = fit_noise(levels, (TYPICAL_SHOT, TYPICAL_READ))
    assert shot == pytest.approx(1e-4, rel=0.05)
    assert read == pytest.approx(1e-6, rel=0.2)


@pytest.mark.parametrize("kind", ["mosaic", "colour"])
def test_same_counts_on_every_variant_and_tiling(kind: str) -> None:
    values = noisy(gradient(197, 301), TYPICAL_SHOT, TYPICAL_READ)
    pixels = mosaic_codes(values) if kind == "mosaic" else np.repeat(values[None], 3, axis=0).astype(np.float32)
    frame = source(pixels, kind)
    whole = noise_partial(CpuDevice(built_variants()[-1]), frame, frame.info.shape.whole).counts
    assert whole.sum() > 0
    for variant in built_variants():
        device = CpuDevice(variant)
        for tile in (64, 100, 4096):
            counts = np.zeros_like(whole)
            for y in range(0, 197, tile):
                for x in range(0, 301, tile):
                    counts += noise_partial(device, frame, Window(y, x, tile, tile).cut(frame.info.shape)).counts
            np.testing.assert_array_equal(counts, whole, err_msg=f"{variant} {tile}")
