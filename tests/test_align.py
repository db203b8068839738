"""Alignment against a known truth, against real brackets, and beside two libraries' estimators."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.registration import phase_cross_correlation

from tilepipe.demo.camera import expose_linear
from tilepipe.demo.frames import demo_shape
from tilepipe.demo.scene import FrameSetting, SceneOptions, may_move, render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.align import align, align_coarse, align_combine, refine_partial
from tilepipe.measure.fit import apply, corners, quantised, through_corners
from tilepipe.measure.reduced import SurveySum, survey, survey_partial
from tilepipe.measure.response import srgb_light

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data" / "brackets"
SRGB = np.array([srgb_light(code / 255) for code in range(256)], np.float32)
FINE = 4  # source samples per pixel and axis: frames are exact means of these
MARGIN = 40
HEIGHT, WIDTH = 420, 620
CLOUD = 0.6  # of the picture's height


@dataclass(frozen=True)
class Frame:
    pixels: Any
    light: float
    name: str = "frame"
    linear: bool = True

    @property
    def shape(self) -> Shape:
        return Shape(*self.pixels.shape[1:])

    def tile(self, device: Any, window: Window) -> Tile:
        part = self.pixels[:, window.rows, window.cols]
        return Tile(SRGB[np.ascontiguousarray(part)] if part.dtype == np.uint8 else part, window, self.shape)


def smooth_noise(rng: Any, scales: tuple[int, ...], power: float) -> Any:
    """Invented texture on the fine grid: value noise of several scales (in fine samples), unit variance."""
    height, width = (HEIGHT + 2 * MARGIN) * FINE, (WIDTH + 2 * MARGIN) * FINE
    total = np.zeros((height, width), np.float32)
    for scale in scales:
        grid = rng.standard_normal((height // scale + 3, width // scale + 3)).astype(np.float32)
        layer = cv2.resize(grid, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
        total += layer[:height, :width] * scale**power
    return total / total.std()


@functools.cache
def land(seed: int = 3) -> Any:
    """Invented land: rough ground with sharp boxes of many sizes, about .18 of clipping."""
    rng = np.random.default_rng(seed)
    stops = smooth_noise(rng, (8, 16, 32, 64, 160), 0.3) * 0.6
    for _ in range(150):
        y, x, h, w = rng.integers(0, stops.shape[0]), rng.integers(0, stops.shape[1]), *rng.integers(8, 160, 2)
        stops[y : y + h, x : x + w] += rng.normal() * 0.8
    return 0.18 * 2.0**stops


@functools.cache
def cloud(seed: int = 4) -> Any:
    return 0.5 * 2.0 ** (smooth_noise(np.random.default_rng(seed), (64, 128, 256), 0.9) * 0.6)


def at(source: Any, y: Any, x: Any) -> Any:
    """Bilinear values of a fine source at pixel coordinates of the base frame."""
    to_x, to_y = (x + MARGIN + 0.5) * FINE - 0.5, (y + MARGIN + 0.5) * FINE - 0.5
    return cv2.remap(
        source.astype(np.float32), to_x.astype(np.float32), to_y.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )


def frame_of(matrix: Any, exposure: float, seed: int, drift: tuple[float, float] | None = None) -> Frame:
    """What a camera moved by `matrix` (base → frame) sees: means of 4 × 4 points, photon and read noise, clipping."""
    inverse, total = np.linalg.inv(matrix), np.zeros((HEIGHT, WIDTH))
    rows, cols = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    for step in range(FINE * FINE):
        y = rows + (step // FINE + 0.5) / FINE - 0.5
        x = cols + (step % FINE + 0.5) / FINE - 0.5
        depth = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
        base_x = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) / depth
        base_y = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / depth
        seen = at(land(), base_y, base_x)
        if drift is not None:
            sky = at(cloud(), base_y - drift[1], base_x - drift[0])
            seen = np.where(base_y < CLOUD * HEIGHT + 3.0 * np.sin(base_x / 7.0), sky, seen)
        total += seen
    light = total / (FINE * FINE) * exposure
    clean = np.minimum(np.stack([0.7 * light, light, 0.8 * light]), 1.0)
    noise = np.random.default_rng(seed).standard_normal(clean.shape) * np.sqrt(3.24e-4 * clean + 4.3e-6)
    return Frame(np.minimum(clean + noise, 1.0).astype(np.float32), exposure, f"frame {seed}")


def turned(degrees: float, x: float, y: float) -> Any:
    angle, cx, cy = np.deg2rad(degrees), (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    centre = np.array([[1, 0, cx], [0, 1, cy], [0, 0, 1.0]])
    turn = np.array([[np.cos(angle), -np.sin(angle), x], [np.sin(angle), np.cos(angle), y], [0, 0, 1.0]])
    return centre @ turn @ np.linalg.inv(centre)


def shifted(x: float, y: float) -> Any:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])


MOVES: dict[str, tuple[Any, Any]] = {
    "shift": (shifted(3.37, -2.61), shifted(-7.5, 4.25)),
    "rotation": (turned(0.5, 2.2, -1.3), turned(-0.9, -6.4, 3.3)),
    "homography": (
        np.array([[1.002, 0.003, -2.2], [-0.002, 1.003, 1.7], [2e-6, -3e-6, 1]]),
        np.array([[0.999, -0.004, 4.2], [0.005, 1.001, -3.7], [-3e-6, 2e-6, 1]]),
    ),
}


def error_px(found: Any, true: Any, top: int) -> tuple[float, float]:
    """Median and largest distance between two matrices over the picture from row `top` on."""
    rows, cols = np.mgrid[top:HEIGHT:6, 0:WIDTH:6]
    points = np.stack([cols.ravel(), rows.ravel(), np.ones(rows.size)])
    one, other = np.array(found) @ points, np.asarray(true) @ points
    distance = np.hypot(*(one[:2] / one[2] - other[:2] / other[2]))
    return float(np.median(distance)), float(distance.max())


def aligned(frames: list[Frame], base: int, order: list[int], device: Any = None, **options: Any) -> dict[str, Any]:
    device = device or CpuDevice()
    return align(device, frames, survey(device, frames), base, order, **options)


@functools.cache
def bracket(move: str, drifting: bool) -> list[Frame]:
    dark, bright = MOVES[move]
    return [
        frame_of(dark, 0.25, 1, (-9.0, 2.0) if drifting else None),
        frame_of(np.eye(3), 1.0, 2, (0.0, 0.0) if drifting else None),
        frame_of(bright, 4.0, 3, (8.0, -3.0) if drifting else None),
    ]


@pytest.mark.parametrize("drifting", [False, True], ids=["still", "60 % drifting cloud"])
@pytest.mark.parametrize("move", list(MOVES))
def test_known_moves_are_found_on_what_stands_still(move: str, drifting: bool) -> None:
    facts = aligned(bracket(move, drifting), 1, [0, 1, 2])
    for index, true in ((0, MOVES[move][0]), (2, MOVES[move][1])):
        row = facts["frames"][index]
        assert row["model"] == move
        median, largest = error_px(row["matrix"], true, int(CLOUD * HEIGHT) + 6 if drifting else 0)
        assert median <= 0.1
        assert largest <= 0.5
    assert facts["frames"][1]["matrix"] == [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    assert facts["warnings"] == []


@pytest.mark.parametrize("drift", [0.6, 2.0], ids=["slow cloud", "cloud at two pixels"])
def test_slow_cloud_does_not_carry_the_land_along(drift: float) -> None:
    dark, bright = MOVES["rotation"]
    frames = [
        frame_of(dark, 0.25, 1, (-drift, 0.2 * drift)), frame_of(np.eye(3), 1.0, 2, (0.0, 0.0)),
        frame_of(bright, 4.0, 3, (drift, -0.3 * drift)),
    ]
    rows = aligned(frames, 1, [0, 1, 2])["frames"]
    for index, true in ((0, dark), (2, bright)):
        median, largest = error_px(rows[index]["matrix"], true, int(CLOUD * HEIGHT) + 6)
        assert median <= 0.1
        assert largest <= 0.5


def scene_matrix(shape: Shape, setting: FrameSetting) -> Any:
    """Scene point (x, y, 1) → pixel of the invented scene's frame: p = m + R·(q − m) + shift, solved for q."""
    angle, mx, my = np.deg2rad(setting.rotation_degrees), (shape.width - 1) / 2, (shape.height - 1) / 2
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    return shifted(mx, my) @ np.linalg.inv(shifted(setting.shift_x_px, setting.shift_y_px) @ turn) @ shifted(-mx, -my)


@pytest.mark.parametrize(
    "options", [SceneOptions(), SceneOptions(drift=3.0, cloud=1.2, wind=2.5, shimmer=2.0)],
    ids=["evening", "strong drift and wind"],
)
def test_an_invented_coast_whose_grass_water_and_cloud_move_is_aligned_by_its_rocks(options: SceneOptions) -> None:
    shape = demo_shape(1.0)
    settings = scene_frames(shape.height, shape.width, options)
    views = [render_truth(shape.whole, shape, setting) for setting in settings]
    frames = [
        Frame(expose_linear(view, shape.whole, shape, setting), setting.gain, setting.name)
        for view, setting in zip(views, settings, strict=True)
    ]
    base = next(index for index, setting in enumerate(settings) if setting.is_base)
    still = ~np.logical_or.reduce([may_move(shape.whole, shape, setting) for setting in settings])
    stops = np.log2(np.maximum(views[base][1], 1e-5))
    rough = np.maximum(np.abs(np.gradient(stops, axis=0)), np.abs(np.gradient(stops, axis=1))) > 0.05
    y, x = np.nonzero(still & rough)
    seen = np.stack([x, y, np.ones(len(x))])[:, ::7]
    rows = aligned(frames, base, list(range(len(frames))))["frames"]
    back = np.linalg.inv(scene_matrix(shape, settings[base]))
    for row, setting in zip(rows, settings, strict=True):
        one, other = np.array(row["matrix"]) @ seen, scene_matrix(shape, setting) @ back @ seen
        error = np.hypot(*(one[:2] / one[2] - other[:2] / other[2]))
        assert np.median(error) <= 0.1, setting.name
        assert error.max() <= 0.5, setting.name


def test_a_frame_within_a_tenth_of_a_pixel_is_left_alone() -> None:
    frames = [frame_of(np.eye(3), 1.0, 1), frame_of(shifted(0.05, -0.03), 0.25, 2)]
    row = aligned(frames, 0, [1, 0])["frames"][1]
    assert row["model"] == "none"
    assert row["corners_64"] == [0] * 8


def test_a_very_dark_frame_is_aligned() -> None:
    frames = [frame_of(np.eye(3), 1.0, 1), frame_of(turned(0.4, 5.3, -2.7), 1 / 64, 2)]
    assert float(np.median(frames[1].pixels[1])) < SRGB[11]  # half the picture is darker than code 11 of 255
    row = aligned(frames, 0, [1, 0])["frames"][1]
    assert error_px(row["matrix"], turned(0.4, 5.3, -2.7), 0)[1] <= 0.5


def test_a_frame_without_common_places_says_so() -> None:
    other = Frame(np.random.default_rng(1).random((3, HEIGHT, WIDTH)).astype(np.float32) * 0.5, 0.5, "a strange frame")
    facts = aligned([frame_of(np.eye(3), 1.0, 1), other], 0, [1, 0])
    assert facts["frames"][1]["model"] == "none"
    assert [warning["where"] for warning in facts["warnings"]] == ["a strange frame"]


def test_the_model_can_be_stated() -> None:
    frames = bracket("rotation", False)
    assert {row["model"] for row in aligned(frames, 1, [0, 1, 2], model="none")["frames"]} == {"none"}
    assert aligned(frames, 1, [0, 1, 2], model="homography")["frames"][0]["model"] == "homography"


def test_facts_do_not_know_windows_order_or_instruction_sets() -> None:
    frames = bracket("rotation", True)
    facts = []
    variants = built_variants()
    for index, side in enumerate(((HEIGHT, WIDTH), (128, 200), (97, 61))):
        device = CpuDevice(variants[index % len(variants)])
        total = SurveySum(frames)
        for window in reversed(list(Grid(frames[0].shape, *side))):
            total.add(survey_partial(device, frames, window))
        coarse = align_coarse(device, total.finish(device), 1, [0, 1, 2], places=60)
        sums = {at: refine_partial(device, frames, coarse.places[at]) for at in reversed(range(len(coarse.places)))}
        facts.append(align_combine(coarse, [sums[at] for at in range(len(sums))]))
    assert all(one == facts[0] for one in facts)


def test_two_libraries_find_the_same_shift() -> None:
    base, moved = bracket("shift", False)[1], bracket("shift", False)[0]
    one, other = (np.sqrt(np.maximum(frame.pixels[1] / frame.light, 0.0)) for frame in (base, moved))
    phase, _, _ = phase_cross_correlation(one, other, upsample_factor=50, normalization=None)
    warp = np.eye(2, 3, dtype=np.float32)
    warp[:, 2] = 3.0, -3.0
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    _, warp = cv2.findTransformECC(one.astype(np.float32), other.astype(np.float32), warp, cv2.MOTION_TRANSLATION, stop)
    (_, _, x), (_, _, y), _ = aligned([base, moved], 0, [1, 0])["frames"][1]["matrix"]
    assert np.hypot(x + phase[1], y + phase[0]) < 0.15
    assert np.hypot(x - warp[0, 2], y - warp[1, 2]) < 0.05


def test_corners_in_sixty_fourths_give_the_matrix_back() -> None:
    shape = Shape(HEIGHT, WIDTH)
    matrix = tuple(tuple(float(value) for value in row) for row in MOVES["homography"][0])
    fixed, moves = quantised(matrix, shape)
    for (x, y), dx, dy in zip(corners(shape), moves[::2], moves[1::2], strict=True):
        to_x, to_y = apply(fixed, x, y)
        assert abs(to_x - x - dx / 64) < 1e-9
        assert abs(to_y - y - dy / 64) < 1e-9
    assert fixed == through_corners(moves, shape)
    assert error_px(fixed, MOVES["homography"][0], 0)[1] < 0.02


def jpegs(folder: str, keep: slice = slice(None)) -> list[Frame]:
    found = []
    for path in sorted((DATA / folder).glob("*.jp*g")):
        with Image.open(path) as picture:
            tags = picture.getexif().get_ifd(0x8769)
            light = float(tags[33434]) * float(tags.get(34855, 100)) / float(tags[33437]) ** 2
            pixels = np.ascontiguousarray(np.moveaxis(np.asarray(picture.convert("RGB")), 2, 0))
        found.append(Frame(pixels, light, path.name, False))
    if not found:
        pytest.skip(f"no {folder} pictures beside the repository")
    return sorted(found, key=lambda frame: frame.light)[keep]


def test_a_night_skyline_moves_as_three_estimators_say() -> None:
    frames = jpegs("st_louis_arch")
    facts = aligned(frames, 2, [0, 1, 2, 3])
    matrices = [np.array(row["matrix"]) for row in facts["frames"]]
    stated = [(1.0, 0.6), (7.4, 1.1), (2.0, 0.3)]  # neighbours, dark to bright, (x, y) px; README of the pictures
    centre = np.array([frames[0].shape.width / 2, frames[0].shape.height / 2, 1.0])
    for dark, bright, (x, y) in zip(matrices, matrices[1:], stated, strict=False):
        step = (bright @ np.linalg.inv(dark)) @ centre
        assert abs(step[0] / step[2] - centre[0] - x) <= 0.5
        assert abs(step[1] / step[2] - centre[1] - y) <= 0.5


def test_a_tripod_bracket_stays_where_it_is() -> None:
    facts = aligned(jpegs("window", slice(4, 9)), 2, list(range(5)))
    assert max(row["largest_move_px"] for row in facts["frames"]) < 0.35
    assert facts["warnings"] == []
