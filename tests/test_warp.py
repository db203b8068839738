"""Resampling: the same bits by every path and window, exact constants, honest sharpness, coverage that never bleeds."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.transform import warp as skimage_warp

from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.warp import _BETA, BELOW_PX, PEAKS, PHASES, Warp, tap_table

ROTATION = ((0.9998, -0.0199987, 4.3), (0.0199987, 0.9998, -3.7), (0.0, 0.0, 1.0))
PROJECTIVE = ((1.02, 0.03, -4.0), (-0.02, 0.99, 3.0), (4e-5, -3e-5, 1.0))
SHIFT = ((1.0, 0.0, 3.371), (0.0, 1.0, -2.214), (0.0, 0.0, 1.0))
MAPS = {"rotation": ROTATION, "projective": PROJECTIVE, "shift": SHIFT}
SHAPE = Shape(83, 117)


class WithoutDrivers:
    """The CPU's device as a device that has launches only, so that the one-pixel kernel does all the work."""

    def __init__(self, device: CpuDevice) -> None:
        for name in ("empty", "tile", "plane", "planes", "launch", "upload"):
            setattr(self, name, getattr(device, name))


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def picture(shape: Shape = SHAPE, planes: tuple[str, ...] = COLOUR, seed: int = 3) -> Tile:
    random = np.random.default_rng(seed)
    array = (random.random((len(planes), shape.height, shape.width), dtype=np.float32) - 0.1) * 8
    if COVERAGE in planes:
        cover = np.ones(shape_of(shape), np.float32)
        cover[:20, :31] = 0.0
        cover[20, :31] = 0.25
        cover[60:, 100:] = 0.0
        array[-1] = cover
        array[:-1] *= cover > 0
    return Tile(array, shape.whole, shape, planes)


def shape_of(shape: Shape) -> tuple[int, int]:
    return shape.height, shape.width


def poisoned(tile: Tile, window: Window) -> Tile:
    """A view of `window` inside a larger array of NaN, so that a read beyond the window shows."""
    array = np.full((len(tile.planes), window.height + 6, window.width + 22), np.nan, np.float32)
    array[:, 3:-3, 11:-11] = tile.cut(window).array
    return Tile(array[:, 3:-3, 11:-11], window, tile.picture, tile.planes)


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


@pytest.mark.parametrize("name", MAPS)
@pytest.mark.parametrize("planes", [COLOUR, (*COLOUR, *PEAKS, COVERAGE)], ids=["colour", "all planes"])
def test_every_window_gives_the_same_bits(device: CpuDevice, name: str, planes: tuple[str, ...]) -> None:
    tile = picture(planes=planes)
    warp = Warp.from_matrix(MAPS[name], Shape(79, 123), SHAPE)
    whole = warp.run(device, tile, warp.out_shape.whole, peaks=True)
    assert np.isfinite(whole.array).all()
    corners = ((0, 0, 17, 29), (33, 47, 21, 40), (70, 100, 9, 23), (5, 122, 60, 1), (78, 3, 1, 99))
    for window in (Window(*corner) for corner in corners):
        part = warp.run(device, poisoned(tile, warp.input_window(window)), window, peaks=True)
        assert part.planes == whole.planes
        assert (bits(part.array) == bits(whole.cut(window).array)).all()


@pytest.mark.parametrize("name", MAPS)
def test_the_row_loops_equal_the_kernel_of_one_pixel(device: CpuDevice, name: str) -> None:
    tile = picture(planes=(*COLOUR, *PEAKS, COVERAGE))
    warp = Warp.from_matrix(MAPS[name], Shape(79, 123), SHAPE)
    fast = warp.run(device, tile, warp.out_shape.whole)
    plain = warp.run(WithoutDrivers(device), tile, warp.out_shape.whole)
    assert (bits(fast.array) == bits(plain.array)).all()


def test_the_path_for_shifts_equals_the_general_path(device: CpuDevice) -> None:
    for planes in (COLOUR, (*COLOUR, *PEAKS, COVERAGE)):
        tile = picture(planes=planes)
        for across, down in ((3.371, -2.214), (-7.0, 0.5), (0.0, 0.25), (2.0, -3.0)):
            warp = Warp.from_matrix(((1.0, 0.0, across), (0.0, 1.0, down), (0.0, 0.0, 1.0)), Shape(90, 120), SHAPE)
            fast = warp.run(device, tile, warp.out_shape.whole)
            general = device.tile(fast.window, fast.picture, fast.planes)
            warp._drive_rows(device, tile, general)
            assert (bits(fast.array) == bits(general.array)).all()


@pytest.mark.parametrize("variant", native.built_variants())
def test_every_instruction_set_gives_the_same_bits(device: CpuDevice, variant: str) -> None:
    other = CpuDevice(variant)
    tile = picture(planes=(*COLOUR, COVERAGE))
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, SHAPE, SHAPE)
        mine, theirs = (warp.run(one, tile, SHAPE.whole, peaks=True) for one in (device, other))
        assert (bits(mine.array) == bits(theirs.array)).all()


def test_tiny_pictures_work(device: CpuDevice) -> None:
    for height, width in ((1, 1), (2, 3), (5, 2)):
        shape = Shape(height, width)
        for matrix in MAPS.values():
            moved = tuple((row[0], row[1], row[2] * 0.1) for row in matrix[:2])
            warp = Warp.from_matrix((*moved, matrix[2]), shape, shape)
            fast = warp.run(device, picture(shape), shape.whole)
            plain = warp.run(WithoutDrivers(device), picture(shape), shape.whole)
            assert (bits(fast.array) == bits(plain.array)).all()


def test_identity_gives_the_pixels_themselves(device: CpuDevice) -> None:
    tile = picture()
    warp = Warp.from_matrix(((1.0, 0.0, 0.0004), (0.0, 1.0, -0.0004), (0.0, 0.0, 1.0)), SHAPE, SHAPE)
    assert warp.is_identity
    assert np.shares_memory(warp.run(device, tile, SHAPE.whole).array, tile.array)


def test_whole_shifts_copy_exactly(device: CpuDevice) -> None:
    tile = picture()
    warp = Warp.from_matrix(((1.0, 0.0, 5.0), (0.0, 1.0, -3.0), (0.0, 0.0, 1.0)), SHAPE, SHAPE)
    result = warp.run(device, tile, SHAPE.whole)
    assert (bits(result.array[:3, 3:, :-5]) == bits(tile.array[:, :-3, 5:])).all()
    assert (result.plane(COVERAGE)[3:, :-5] == 1).all()
    assert not result.array[:, :3].any()
    assert not result.array[:, :, -5:].any()


def test_weights_add_up_to_one_exactly_in_whole_steps() -> None:
    table = tap_table().astype(np.float64)
    steps = table * (1 << 23)
    assert (steps == np.rint(steps)).all()
    assert (steps.sum(1) == 1 << 23).all()
    assert table[0].tolist() == [0, 0, 1, 0, 0, 0, 0, 0]
    assert np.array_equal(table[1:, :6], table[:0:-1, 5::-1])


def test_the_weights_are_kaisers_sinc_with_its_lean_taken_out() -> None:
    """Against numpy's i0 and sinc."""
    phases = np.arange(PHASES)[:, None] / PHASES
    distance = np.arange(-2, 4)[None, :] - phases
    inside = np.sqrt(np.maximum(0, 1 - (distance / 3) ** 2))
    window = np.i0(_BETA * inside) / np.i0(_BETA) * (np.abs(distance) < 3)
    weights = np.sinc(distance) * window
    weights /= weights.sum(1, keepdims=True)
    for row, at, under in zip(weights, distance, window, strict=True):
        moments = np.array([[(under * at ** (i + j)).sum() for j in (0, 1)] for i in (0, 1)])
        row += under * (np.linalg.solve(moments, [0.0, -(row * at).sum()]) @ [np.ones(6), at])
    assert np.abs(tap_table()[:, :6] - weights).max() < 4e-7
    assert np.abs((tap_table()[:, :6] * distance).sum(1)).max() < 1e-6


def test_constants_stay_exact(device: CpuDevice) -> None:
    for value in (np.float32(1 / 3), np.float32(70000.1), np.float32(-1e-6)):
        tile = Tile(np.full((3, 83, 117), value, np.float32), SHAPE.whole, SHAPE)
        for matrix in MAPS.values():
            result = Warp.from_matrix(matrix, SHAPE, SHAPE).run(device, tile, SHAPE.whole)
            inside = result.plane(COVERAGE) == 1
            assert inside.sum() > 0.8 * SHAPE.pixels
            assert (bits(result.array[:3, inside]) == bits(value)).all()
            assert not result.array[:3, ~inside].any()


def waves(y: Any, x: Any, cycles: float) -> Any:
    """Light between 0.5 and 2.5 with waves in two directions, amplitude 1."""
    first, second = 0.8 * x + 0.6 * y, 0.55 * x - 0.835 * y
    return 1.5 + (np.sin(2 * np.pi * cycles * first) + np.cos(2 * np.pi * cycles * second)) / 2


def positions(warp: Warp) -> tuple[Any, Any]:
    y, x = np.mgrid[: warp.out_shape.height, : warp.out_shape.width].astype(np.float64)
    m = np.array(warp.matrix).reshape(3, 3)
    px, py, w = np.tensordot(m, np.stack([x, y, np.ones_like(x)]), 1)
    return py / w, px / w


@pytest.mark.parametrize(("cycles", "worst"), [(0.05, 0.003), (0.125, 0.009), (0.2, 0.014), (0.25, 0.015)])
def test_band_limited_patterns(device: CpuDevice, cycles: float, worst: float) -> None:
    """Against the pattern itself; both axes, all phases, amplitude 1."""
    y, x = np.mgrid[:83, :117].astype(np.float64)
    tile = Tile(np.broadcast_to(waves(y, x, cycles).astype(np.float32), (3, 83, 117)).copy(), SHAPE.whole, SHAPE)
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, SHAPE, SHAPE)
        result = warp.run(device, tile, SHAPE.whole)
        at_y, at_x = positions(warp)
        deep = (at_y > 4) & (at_y < 78) & (at_x > 4) & (at_x < 112)
        assert np.sqrt(((result.array[0] - waves(at_y, at_x, cycles)) ** 2)[deep].mean()) < worst / 2
        assert np.abs(result.array[0] - waves(at_y, at_x, cycles))[deep].max() < worst


def test_positions_agree_with_linear_resamplers(device: CpuDevice) -> None:
    """Against skimage.transform.warp (order 1) and cv2.warpPerspective (INTER_LINEAR) on a slow pattern."""
    y, x = np.mgrid[:83, :117].astype(np.float64)
    slow = waves(y, x, 0.004).astype(np.float32)
    tile = Tile(np.broadcast_to(slow, (3, 83, 117)).copy(), SHAPE.whole, SHAPE)
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, SHAPE, SHAPE)
        mine = warp.run(device, tile, SHAPE.whole).array[0]
        theirs = skimage_warp(slow.astype(np.float64), np.array(matrix), order=1)
        opencv = cv2.warpPerspective(slow, np.array(matrix), (117, 83), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        at_y, at_x = positions(warp)
        deep = (at_y > 3) & (at_y < 79) & (at_x > 3) & (at_x < 113)
        assert np.abs(mine - theirs)[deep].max() < 1e-4
        assert np.abs(mine - opencv)[deep].max() < 6e-4  # OpenCV's positions are whole 1/32 px


def test_a_bright_disc_gets_no_dark_ring(device: CpuDevice) -> None:
    y, x = np.mgrid[:83, :117].astype(np.float64)
    sky = 0.5 + 0.002 * y
    scene = np.where((y - 41) ** 2 + (x - 60) ** 2 < 100, 5000.0, sky).astype(np.float32)
    tile = Tile(np.broadcast_to(scene, (3, 83, 117)).copy(), SHAPE.whole, SHAPE)
    for matrix in MAPS.values():
        result = Warp.from_matrix(matrix, SHAPE, SHAPE).run(device, tile, SHAPE.whole)
        inside = result.plane(COVERAGE) == 1
        assert result.array[0][inside].min() >= scene.min()
        assert result.array[0][inside].max() <= 5000.0


def test_peaks_hold_every_sample_that_entered(device: CpuDevice) -> None:
    array = np.zeros((3, 41, 41), np.float32)
    array[:, 20, 20] = 0.9
    shape = Shape(41, 41)
    warp = Warp.from_matrix(((1.0, 0.0, 0.5), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), shape, shape)
    result = warp.run(device, Tile(array, shape.whole, shape), shape.whole, peaks=True)
    assert result.planes == (*COLOUR, *PEAKS)
    assert np.argwhere(result.plane("peak_red") == np.float32(0.9)).tolist() == [[20, col] for col in range(17, 23)]


def test_uncovered_pixels_never_bleed(device: CpuDevice) -> None:
    tile = picture(planes=(*COLOUR, COVERAGE))
    cover = tile.plane(COVERAGE) > 0
    tile.array[:3] = np.where(cover, np.float32(7.25), np.float32(0))
    for matrix in MAPS.values():
        result = Warp.from_matrix(matrix, SHAPE, SHAPE).run(device, tile, SHAPE.whole)
        covered = result.plane(COVERAGE) > 0
        assert 0.5 * SHAPE.pixels < covered.sum() < 0.95 * SHAPE.pixels
        assert (result.array[:3, covered] == np.float32(7.25)).all()
        assert not result.array[:3, ~covered].any()
        assert result.plane(COVERAGE).max() <= 1.0


def test_full_coverage_changes_no_bit(device: CpuDevice) -> None:
    plain = picture()
    array = np.concatenate([plain.array, np.ones((1, *shape_of(SHAPE)), np.float32)])
    full = Tile(array, SHAPE.whole, SHAPE, (*COLOUR, COVERAGE))
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, SHAPE, SHAPE)
        first, second = (warp.run(device, tile, SHAPE.whole) for tile in (plain, full))
        assert (bits(first.array) == bits(second.array)).all()


def test_coverage_appears_only_where_the_map_leaves_the_input(device: CpuDevice) -> None:
    inner = Warp.from_matrix(((1.0, 0.0, 10.0), (0.0, 1.0, 10.0), (0.0, 0.0, 1.0)), Shape(60, 90), SHAPE)
    assert not inner.leaves_input
    assert inner.run(device, picture(), Window(0, 0, 60, 90)).planes == COLOUR
    half = Warp.from_matrix(((1.0, 0.0, 0.5), (0.0, 1.0, -0.5), (0.0, 0.0, 1.0)), SHAPE, SHAPE)
    assert not half.leaves_input
    assert Warp.from_matrix(((1.0, 0.0, 0.501), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), SHAPE, SHAPE).leaves_input


def test_windows_outside_the_input_are_one_pixel_and_uncovered(device: CpuDevice) -> None:
    warp = Warp.from_matrix(((1.0, 0.0, 500.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), SHAPE, SHAPE)
    needed = warp.input_window(SHAPE.whole)
    assert needed.width == 1
    assert not warp.run(device, picture().cut(needed), SHAPE.whole).array.any()


def test_a_map_that_folds_over_is_refused() -> None:
    with pytest.raises(ValueError, match="folds over"):
        Warp.from_matrix(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-0.01, 0.0, 1.0)), SHAPE, SHAPE)
    with pytest.raises(ValueError, match="finite"):
        Warp.from_matrix(((math.nan, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), SHAPE, SHAPE)


def test_margins_are_those_of_the_filter() -> None:
    warp = Warp.from_matrix(SHIFT, Shape(2000, 2000), Shape(2000, 2000))
    needed = warp.input_window(Window(500, 700, 100, 100))
    assert needed == Window.between(500 - 3 - BELOW_PX, 700 + 3 - BELOW_PX, 599 - 3 + 5, 799 + 3 + 5)


def test_bright_edges_keep_their_colours(device: CpuDevice) -> None:
    """A leaning edge of 1:300, a little apart in the channels, against the edge itself: a sharper edge than a linear
    resampler's (cv2), and no more false colour."""
    def edge(at_y: Any, at_x: Any) -> Any:
        across = (at_x + 0.31 * at_y - 70) / 2
        return np.array([np.clip(across + lag, 0, 1) ** 2 * 16 + 0.05 for lag in (0.0, 0.1, 0.25)])

    y, x = np.mgrid[:83, :117].astype(np.float64)
    tile = Tile(edge(y, x).astype(np.float32), SHAPE.whole, SHAPE)
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, SHAPE, SHAPE)
        mine = warp.run(device, tile, SHAPE.whole).array[:3]
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        soft = np.array([cv2.warpPerspective(one, np.array(matrix), (117, 83), flags=flags) for one in tile.array])
        at_y, at_x = positions(warp)
        deep = (at_y > 4) & (at_y < 78) & (at_x > 4) & (at_x < 112)
        ours, theirs = (np.log2(each[:, deep] / edge(at_y, at_x)[:, deep]) for each in (mine, soft))
        assert np.sqrt((ours**2).mean()) < 0.9 * np.sqrt((theirs**2).mean())
        false, usual = (each - each.mean(0) for each in (ours, theirs))
        assert np.sqrt((false**2).mean()) < np.sqrt((usual**2).mean())


def test_thin_dark_things_before_the_sky_stay_positive(device: CpuDevice) -> None:
    y, x = np.mgrid[:83, :117].astype(np.float64)
    twig = np.where(np.abs(x + 0.4 * y - 60) < 1.1, 0.03, 16.0).astype(np.float32)
    tile = Tile(np.stack([twig] * 3), SHAPE.whole, SHAPE)
    for matrix in MAPS.values():
        result = Warp.from_matrix(matrix, SHAPE, SHAPE).run(device, tile, SHAPE.whole)
        assert result.array[:3, result.plane(COVERAGE) > 0].min() >= 0.015


def test_noise_about_black_keeps_its_mean(device: CpuDevice) -> None:
    """A quarter of a standard deviation of light under noise: the range that is kept is the same about 0."""
    shape = Shape(400, 600)
    noise = np.random.default_rng(8).normal(0.25, 1.0, (3, 400, 600)).astype(np.float32)
    for matrix in MAPS.values():
        warp = Warp.from_matrix(matrix, shape, shape)
        result = warp.run(device, Tile(noise, shape.whole, shape), shape.whole)
        covered = result.plane(COVERAGE) > 0
        assert abs(result.array[:3, covered].mean() - noise.mean()) < 0.01
