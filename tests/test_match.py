"""Gains and the response of encoded frames: invented brackets with known answers, and real ones beside their EXIF."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.errors import InputError
from tilepipe.geometry import Shape, Window
from tilepipe.measure.match import match
from tilepipe.measure.reduced import survey
from tilepipe.measure.response import code_table, solve_symmetric, srgb_light

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
SRGB = np.array([srgb_light(code / 255) for code in range(256)], np.float32)


@dataclass(frozen=True)
class Frame:
    pixels: Any
    light: float
    linear: bool = True
    name: str = "frame"

    @property
    def shape(self) -> Shape:
        return Shape(*self.pixels.shape[1:])

    def tile(self, device: Any, window: Window) -> Tile:
        part = self.pixels[:, window.rows, window.cols]
        return Tile(SRGB[np.ascontiguousarray(part)] if part.dtype == np.uint8 else part, window, self.shape)


def soft(height: int, width: int, stops: float, seed: int) -> Any:
    """Invented light: smooth random hills over about ± 2·stops around .1 of clipping, and a fine grain."""
    rng = np.random.default_rng(seed)
    total = rng.standard_normal((height, width)) * 0.05
    y, x = np.mgrid[:height, :width]
    for _ in range(40):
        fy, fx, phase = *rng.uniform(-0.12, 0.12, 2), rng.uniform(0, 6.28)
        total += np.sin(fy * y + fx * x + phase) / 4.5
    return 0.1 * 2.0 ** (stops * total)


def noisy(light: Any, exposure: float, seed: int, share: float = 1.0) -> Any:
    """Frame units with photon and read noise (λ_S 3.24e-4, λ_R 4.3e-6), or a share of it."""
    x = np.minimum(light * exposure, 1.0)
    noise = np.random.default_rng(seed).standard_normal((3, *light.shape)) * np.sqrt(3.24e-4 * x + 4.3e-6)
    return np.minimum(x + share * noise, 1.0).astype(np.float32)


def gains(frames: list[Frame], base: int, **options: Any) -> tuple[list[float], dict[str, Any]]:
    facts = match(CpuDevice(), survey(CpuDevice(), frames), base, **options)
    return [math.log2(row["gain"]) for row in facts["frames"]], facts


def test_gains_are_measured_to_a_hundredth_of_a_stop() -> None:
    light = soft(400, 600, 2.0, 1)
    true = (0.25 * 2**0.08, 1.0, 4.0 * 2**-0.31)
    frames = [Frame(noisy(light, e, i), t) for i, (e, t) in enumerate(zip(true, (0.25, 1.0, 4.0), strict=True))]
    found, facts = gains(frames, 1)
    assert np.abs(np.array(found) - (0.08, 0.0, -0.31)).max() < 0.01
    assert facts["frames"][1]["light"] == 1.0
    assert facts["frames"][2]["light"] == pytest.approx(true[2], rel=0.01)
    assert [w["found"] for w in facts["warnings"]] == [f"{found[2]:+.2f} EV against the stated exposure"]


def test_what_moves_does_not_spoil_the_gain() -> None:
    light, other = soft(400, 600, 2.0, 2), soft(400, 600, 2.0, 3)
    moved = light.copy()
    moved[:160] = other[:160] * 1.7  # 40 % of the picture shows something else, and brighter
    found, _ = gains([Frame(noisy(light, 0.25, 1), 0.25), Frame(noisy(moved, 1.0, 2), 1.0)], 1)
    assert abs(found[0]) < 0.02


def test_displaced_frames_are_matched_where_they_lie() -> None:
    rng = np.random.default_rng(4)
    light = np.repeat(np.repeat(0.1 * 2.0 ** rng.uniform(-2, 2, (70, 100)), 6, axis=0), 6, axis=1)
    one, other = light[10:410, 0:580], light[3:403, 12:592]
    frames = [Frame(noisy(one, 1.0, 1), 1.0), Frame(noisy(other, 4.0, 2), 4.0)]
    still = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    shift = ((1.0, 0.0, -12.0), (0.0, 1.0, 7.0), (0.0, 0.0, 1.0))
    found, _ = gains(frames, 0, matrices=[still, shift])
    assert abs(found[1]) < 0.01


def test_stated_exposures_can_be_taken_as_they_are() -> None:
    light = soft(100, 150, 2.0, 5)
    _, facts = gains([Frame(noisy(light, 0.3, 1), 0.25), Frame(noisy(light, 1.0, 2), 1.0)], 1, mode="exposure")
    assert [row["light"] for row in facts["frames"]] == [0.25, 1.0]


def test_linear_frames_without_exposures_are_refused_with_a_way_out() -> None:
    light = soft(64, 64, 1.0, 6)
    frames = [Frame(noisy(light, e, 1), t) for e, t in ((0.5, 1.0), (1.0, math.nan))]
    with pytest.raises(InputError, match="state `exposure` for each frame"):
        gains(frames, 0)


def test_equal_exposures_are_refused() -> None:
    frames = [Frame(noisy(soft(64, 64, 1.0, 7), 1.0, seed), 1.0) for seed in (1, 2)]
    with pytest.raises(InputError, match="same exposure"):
        gains(frames, 0)


def test_frames_that_share_nothing_keep_their_stated_exposures_with_a_warning() -> None:
    light = np.full((100, 100), 0.1)
    found, facts = gains([Frame(noisy(light, 0.01, 1), 0.01), Frame(noisy(light, 20.0, 2), 20.0)], 1)
    assert found == [0.0, 0.0]
    assert "too few well exposed places" in facts["warnings"][0]["what"]


def curve(light: Any) -> Any:
    """An invented camera's code of linear light: a power curve with a shoulder and a toe."""
    lifted = np.clip(light, 0.0, 1.0)
    code = lifted**0.42 * (1.0 + 0.35 * (1.0 - lifted)) - 0.03 * (1.0 - lifted)
    return np.clip(np.rint(code * 255.0), 0, 255).astype(np.uint8)


def light_of_codes() -> Any:
    """The light at which the invented camera gives each code."""
    light = np.linspace(0.0, 1.0, 400001)
    lifted = light**0.42 * (1.0 + 0.35 * (1.0 - light)) - 0.03 * (1.0 - light)
    assert np.all(np.diff(lifted[100:]) > 0)
    return np.interp(np.arange(256), lifted[100:] * 255.0, light[100:])


def check_response(facts: dict[str, Any], from_stops: int, limit_stops: float) -> None:
    """The measured curve is monotone and, for light from 2^from_stops on, the true one up to one free constant."""
    nodes = facts["response"]["nodes"]
    assert nodes[0] == 0.0
    assert nodes[-1] == 1.0
    assert np.all(np.diff(nodes) > 0)
    codes = slice(int(np.searchsorted(light_of_codes(), 2.0**from_stops)), 244)
    error = np.log2(np.array(nodes)[codes]) - np.log2(light_of_codes()[codes])
    assert np.abs(error - np.median(error)).max() < limit_stops


def test_an_invented_camera_curve_is_found() -> None:
    light = soft(500, 700, 3.5, 8)
    frames = [
        Frame(np.repeat(curve(noisy(light, e, i, 0.3)[:1]), 3, axis=0), e, linear=False)
        for i, e in enumerate((0.125, 0.5, 2.0, 8.0))
    ]
    plain, _ = gains(frames, 1, curve="none")
    found, facts = gains(frames, 1)
    check_response(facts, -7, 0.08)
    assert np.abs(found).max() < 0.03 < np.abs(plain).max()


def test_encoded_frames_without_exposures_are_estimated_with_a_warning() -> None:
    light = soft(300, 400, 2.0, 9)
    codes = [np.searchsorted(SRGB, noisy(light, e, 1)).astype(np.uint8) for e in (0.5, 2.0)]
    facts = match(CpuDevice(), survey(CpuDevice(), [Frame(c, math.nan, linear=False) for c in codes]), 0)
    assert facts["frames"][1]["light"] == pytest.approx(4.0, rel=0.05)
    assert facts["frames"][1]["gain"] is None
    assert "exposures are unknown" in facts["warnings"][0]["what"]


def test_every_instruction_set_gives_the_same_facts() -> None:
    light = soft(300, 400, 3.0, 10)
    frames = [Frame(np.repeat(curve(noisy(light, e, 1)[:1]), 3, axis=0), e, linear=False) for e in (0.25, 1.0, 4.0)]
    facts = [match(CpuDevice(v), survey(CpuDevice(v), frames), 1) for v in built_variants()]
    assert all(one == facts[0] for one in facts)


def test_the_code_table_is_the_rounded_srgb_curve() -> None:
    level = np.array([0, 700, 5000, 20000, 48210, 65535])
    light = (level / 65535.0) ** 2  # IEC 61966-2-1
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    assert code_table()[level].tolist() == np.rint(code * 255).astype(int).tolist()


def test_the_solver_agrees_with_a_library() -> None:
    rng = np.random.default_rng(11)
    root = rng.standard_normal((40, 40))
    matrix, right = root @ root.T + np.eye(40), rng.standard_normal(40)
    assert np.abs(solve_symmetric(matrix, right) - np.linalg.solve(matrix, right)).max() < 1e-9


def jpegs(folder: str) -> list[Frame]:
    paths = sorted((DATA / "brackets" / folder).glob("*.jp*g"))
    if not paths:
        pytest.skip(f"no {folder} pictures beside the repository")
    frames = []
    for path in paths:
        with Image.open(path) as picture:
            tags = picture.getexif().get_ifd(0x8769)  # exposure time, ISO speed, f-number: t·ISO/N²
            light = float(tags[33434]) * float(tags.get(34855, 100)) / float(tags[33437]) ** 2
            pixels = np.ascontiguousarray(np.moveaxis(np.asarray(picture.convert("RGB")), 2, 0))
        frames.append(Frame(pixels, light, False, path.name))
    return sorted(frames, key=lambda frame: frame.light)


@pytest.mark.parametrize(("folder", "limit_stops"), [("window", 0.12), ("st_louis_arch", 0.12)])
def test_real_brackets_follow_their_exif_once_their_curve_is_known(folder: str, limit_stops: float) -> None:
    frames = jpegs(folder)[-10:]
    _, plain = gains(frames, len(frames) // 2, curve="none")
    found, facts = gains(frames, len(frames) // 2)
    off = [abs(pair["measured"] - pair["expected"]) for pair in facts["pairs"]]
    before = [abs(pair["measured"] - pair["expected"]) for pair in plain["pairs"]]
    assert max(off) < limit_stops < 0.3 < max(before)
    assert max(map(abs, found)) < 0.15


def test_a_bracket_made_of_real_radiance_gives_its_curve_back() -> None:
    openexr = pytest.importorskip("OpenEXR")
    path = DATA / "hdr_truth" / "MtTamWest.exr"
    if not path.exists():
        pytest.skip("no scene-linear pictures beside the repository")
    with openexr.File(str(path)) as file:
        channels = file.channels()
        light = channels["RGBA"].pixels[..., 1].astype(np.float64)
    light = light / np.percentile(light, 90)
    frames = [
        Frame(np.repeat(curve(noisy(light, e, i)[:1]), 3, axis=0), e, linear=False)
        for i, e in enumerate((0.0625, 0.25, 1.0, 4.0))
    ]
    found, facts = gains(frames, 2)
    check_response(facts, -5, 0.08)  # full noise at every pixel: below, it lifts the codes themselves
    assert np.abs(found).max() < 0.05
