"""Pyramid kernels: the arithmetic bit by bit, whole and in windows, on every instruction set, against OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages import pyramid

SIZES = [(1, 1), (1, 2), (2, 3), (5, 4), (64, 33), (97, 1031), (331, 277)]


def random_plane(size, seed=0):
    return np.random.default_rng(seed).standard_normal(size).astype(np.float32)


def one(array, window=None, picture=None):
    shape = Shape(*array.shape)
    return Tile(array[None], window or shape.whole, picture or shape, ("value",))


def poisoned(array, window):
    """`window` of the array, as a view into memory that is NaN all around."""
    room = np.full((window.height + 16, window.width + 16), np.nan, np.float32)
    inside = room[8:-8, 8:-8]
    inside[...] = array[window.rows, window.cols]
    return one(inside, window, Shape(*array.shape))


def reduced(device, tile, window=None):
    shape = tile.picture.halved()
    out = pyramid.one_plane(device, window or shape.whole, shape)
    device.launch(pyramid.REDUCE, device.planes(tile), device.planes(out))
    return out.array[0]


def mirrored(index, length):
    period = max(2 * (length - 1), 1)
    index = np.abs(index) % period
    return np.where(index < length, index, period - index)


def reduce_twin(a, axis):
    """[1 4 6 4 1]/16 over mirrored even samples, in the kernel's order of operations and the array's own precision."""
    centre = 2 * np.arange((a.shape[axis] + 1) // 2)
    t = [np.take(a, mirrored(centre + d, a.shape[axis]), axis) for d in range(-2, 3)]
    f = a.dtype.type
    return ((t[0] + t[4]) * f(0.0625) + (t[1] + t[3]) * f(0.25)) + t[2] * f(0.375)


def expand_twin(a, length, axis):
    index = np.arange(length) >> 1
    before, here, after = (np.take(a, np.clip(index + d, 0, a.shape[axis] - 1), axis) for d in (-1, 0, 1))
    f = a.dtype.type
    odd = (np.arange(length) & 1).astype(bool).reshape((-1, 1) if axis == 0 else (1, -1))
    return np.where(odd, (here + after) * f(0.5), (before + after) * f(0.125) + here * f(0.75))


def bits(array):
    return np.ascontiguousarray(array).view(np.uint32)


@pytest.fixture(params=built_variants())
def device(request):
    return CpuDevice(request.param)


@pytest.mark.parametrize("size", SIZES)
def test_reduce_and_expand_bit_by_bit(device, size):
    plane = random_plane(size)
    twin = reduce_twin(reduce_twin(plane, 0), 1)
    mine = reduced(device, one(plane))
    np.testing.assert_array_equal(bits(mine), bits(twin))
    wide = pyramid.expanded(device, one(mine), Shape(*size).whole, Shape(*size)).array[0]
    twin = expand_twin(expand_twin(mine, size[0], 0), size[1], 1)
    np.testing.assert_array_equal(bits(wide), bits(twin))


@pytest.mark.parametrize("size", SIZES[3:])
def test_reduce_agrees_with_opencv(size):
    """cv2.pyrDown: the same kernel, mirrored border and even samples."""
    plane = random_plane(size)
    assert np.abs(reduced(CpuDevice(), one(plane)) - cv2.pyrDown(plane)).max() < 5e-7


def test_expand_agrees_with_opencv_away_from_the_rim():
    plane = random_plane((41, 53))
    wide = pyramid.expanded(CpuDevice(), one(plane), Shape(82, 106).whole, Shape(82, 106)).array[0]
    assert np.abs(wide - cv2.pyrUp(plane))[2:-2, 2:-2].max() < 5e-7


def test_constants_stay_exactly_constant():
    device, value = CpuDevice(), np.float32(0.7)
    plane = np.full((37, 53), value)
    small = reduced(device, one(np.full((37, 53), np.float32(1))))
    assert (small == 1).all()
    wide = pyramid.expanded(device, one(reduced(device, one(plane))), Shape(37, 53).whole, Shape(37, 53)).array[0]
    assert np.abs(wide - value).max() <= np.spacing(value)


@pytest.mark.parametrize("size", [(1, 9), (97, 133), (331, 277)])
def test_any_window_has_the_bits_of_the_whole(device, size):
    plane, shape = random_plane(size), Shape(*size)
    coarse = reduced(device, one(plane))
    whole = pyramid.expanded(device, one(coarse), shape.whole, shape).array[0]
    rng = np.random.default_rng(1)
    for _ in range(20):
        y, x = rng.integers(0, shape.halved().height), rng.integers(0, shape.halved().width)
        window = Window(int(y), int(x), int(rng.integers(1, 70)), int(rng.integers(1, 70))).cut(shape.halved())
        source = poisoned(plane, pyramid.reduce_window(window, shape))
        part = reduced(device, source, window)
        np.testing.assert_array_equal(bits(part), bits(coarse[window.rows, window.cols]))
        window = Window(2 * int(y) + 1, 2 * int(x), int(rng.integers(1, 70)), int(rng.integers(1, 70))).cut(shape)
        if window.pixels:
            source = poisoned(coarse, pyramid.expand_window(window, shape.halved()))
            part = pyramid.expanded(device, source, window, shape).array[0]
            np.testing.assert_array_equal(bits(part), bits(whole[window.rows, window.cols]))


@pytest.mark.parametrize("size", [(1, 1), (5, 8), (97, 133)])
def test_box_sums_are_areas(device, size):
    shape = Shape(*size)
    levels = pyramid.levels_whole(shape, 0, shape.depth)
    tops = [
        pyramid.box_pyramid_of(device, one(plane), levels)[-1].array
        for plane in (np.ones(size, np.float32), random_plane(size))
    ]
    assert tops[0].item() == shape.pixels
    assert abs(tops[1].item() - random_plane(size).sum(dtype=np.float64)) < 1e-3


def test_full_coverage_divides_by_exactly_one(device):
    cover = np.ones((61, 46), np.float32)
    levels = pyramid.levels_whole(Shape(61, 46), 0, 6)
    covering = pyramid.Cover.over(device, one(cover), levels)
    for tile in (*covering.inverse, *covering.inverse_expanded):
        assert (tile.array == 1).all()


def test_levels_of_a_tile_lie_within_each_other():
    shape = Shape(805, 1003)
    for wanted in (Window(0, 0, 100, 90), Window(333, 512, 97, 64), Window(700, 900, 105, 103)):
        levels = pyramid.levels_up(shape, wanted, 5)
        for level in range(5):
            assert levels.made[level].contains(levels.sums[level])
            assert levels.made[level].contains(pyramid.reduce_window(levels.made[level + 1], levels.shapes[level]))
            assert levels.sums[level + 1] == pyramid.expand_window(levels.sums[level], levels.shapes[level + 1])
    with pytest.raises(ValueError, match="aligned"):
        pyramid.levels_strip(shape, Window(0, 8, 805, 100), 4)
