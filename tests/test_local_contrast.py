"""Local contrast: its float64 twin, its bits at every cut of the picture, black and bright ends, coverage."""

from __future__ import annotations

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.stages.local_contrast import LocalContrast
from tilepipe.stages.local_lift import lifts_of
from tilepipe.stages.streaming import run_in_memory
from tilepipe.units import Measured

REC2020 = (0.2627002120112670, 0.6779980715188711, 0.0593017164698620)  # luminance row, ITU-R BT.2020 primaries, D65


class LevelByLevel:
    """The CPU without its drivers: a deep stage then runs level by level, as on a GPU."""

    def __init__(self, device):
        self._device = device

    def __getattr__(self, name):
        if name == "drive":
            raise AttributeError(name)
        return getattr(self._device, name)


def scene(size, seed=1):
    """An invented picture over about 18 EV with noise, high edges and some negative pixels, `(3, y, x)`."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: size[0], : size[1]]
    stops = -6 + 4 * np.sin(x / 37) * np.cos(y / 23) + rng.normal(0, 0.5, size) + 5 * (x + y / 3 > size[1] * 0.7)
    light = 2.0**stops
    planes = np.stack([light * 1.3, light, light * 0.6]) * rng.uniform(0.9, 1.1, (3, *size))
    planes[:, 3:6, 4:9] *= -1
    return planes.astype(np.float32)


def picture(array, coverage=None):
    shape = Shape(*array.shape[1:])
    if coverage is None:
        return Tile(array, shape.whole, shape, COLOUR)
    return Tile(np.concatenate([array, coverage[None]]), shape.whole, shape, (*COLOUR, COVERAGE))


def poisoned(tile, window):
    """`window` of the tile, as a view into memory that is NaN all around."""
    room = np.full((len(tile.planes), window.height + 16, window.width + 16), np.nan, np.float32)
    inside = room[:, 8:-8, 8:-8]
    inside[...] = tile.cut(window).array
    return Tile(inside, window, tile.picture, tile.planes)


def solve_whole(stage, device, tile, level=3, height=None, width=None):
    """Both passes over tiles that hold exactly the declared windows."""
    shape = tile.picture
    height, width = height or shape.height, width or shape.width
    coarse_shape = shape.halved(min(level, shape.depth))
    planes = stage.coarse_planes(1, tile.has_coverage, {})
    coarse = np.empty((planes, coarse_shape.height, coarse_shape.width), np.float32)
    for window in Grid(coarse_shape, max(height >> level, 1), max(width >> level, 1)):
        source = poisoned(tile, stage.down_window(window, level, shape))
        part = stage.down(device, [source], window, level, {})
        coarse[:, window.rows, window.cols] = part.array
    solved = stage.solve(device, Tile(coarse, coarse_shape.whole, coarse_shape, part.planes), level, shape, {})
    out = np.empty(tile.array.shape, np.float32)
    for window in Grid(shape, height, width):
        source = poisoned(tile, stage.up_window(window, level, shape))
        known = poisoned(solved, stage.coarse_window(window, level, shape))
        out[:, window.rows, window.cols] = stage.up(device, [source], known, window, level, {}).array
    return out


def bits(array):
    return np.ascontiguousarray(array).view(np.uint32)


def same(a, b):
    np.testing.assert_array_equal(bits(a), bits(b))


# ---------------------------------------------------------------- the formula in float64


def reduce64(a):
    for axis in (0, 1):
        n = a.shape[axis]
        period = max(2 * (n - 1), 1)
        index = np.abs(2 * np.arange((n + 1) // 2)[:, None] + np.arange(-2, 3)) % period
        index = np.where(index < n, index, period - index)
        weights = np.array([1, 4, 6, 4, 1]) / 16
        a = np.moveaxis(np.tensordot(np.take(a, index, axis), weights, ([axis + 1], [0])), -1, -1)
    return a


def expand64(a, shape):
    for axis in (0, 1):
        index = np.arange(shape[axis]) >> 1
        before, here, after = (np.take(a, np.clip(index + d, 0, a.shape[axis] - 1), axis) for d in (-1, 0, 1))
        odd = (np.arange(shape[axis]) & 1).astype(bool).reshape((-1, 1) if axis == 0 else (1, -1))
        a = np.where(odd, (here + after) / 2, before / 8 + here * 0.75 + after / 8)
    return a


def pyramid64(a, depth):
    levels = [a]
    for _ in range(depth):
        levels.append(reduce64(levels[-1]))
    return levels


def guide64(a, edge):
    """Half the size: 5×5 means of what is about as bright as the middle."""
    n = [(side + 1) // 2 for side in a.shape]
    rows, columns = (_five(side) for side in a.shape)
    near = a[rows[:, None, :, None], columns[None, :, None, :]].reshape(*n, 25)
    taps = np.multiply.outer([1, 4, 6, 4, 1], [1, 4, 6, 4, 1]).ravel()
    middle = a[::2, ::2, None]
    weights = taps / (1 + ((near - middle) / edge) ** 2) ** 2
    return (weights * near).sum(-1) / weights.sum(-1)


def _five(side):
    period = max(2 * (side - 1), 1)
    index = np.abs(2 * np.arange((side + 1) // 2)[:, None] + np.arange(-2, 3)) % period
    return np.where(index < side, index, period - index)


def twin(stage, array, anchor=None):
    """Old and new log2 luminance, float64, after Paris 2011 and Aubry 2014 with this stage's curve, guide and nodes."""
    light = np.maximum(np.tensordot(REC2020, array.astype(np.float64), 1), 0)
    x = 0.5 * np.log2(light**2 + 2.0 ** (2 * stage.low_ev))
    depth, step = Shape(*x.shape).depth, stage.edge / stage.nodes_per_edge
    guide = [x]
    for _ in range(depth):
        guide.append(guide64(guide[-1], stage.edge))
    sums, means = ([np.zeros_like(level) for level in guide[:-1]] for _ in range(2))
    for k in range(stage.nodes):
        d = x - (stage.low_ev + k * step)
        planes = pyramid64(d / np.sqrt(1 + (d / stage.edge) ** 2), depth)
        for level in range(depth):
            place = np.clip((guide[level] - stage.low_ev) / step, 0, stage.nodes - 1)
            hat = np.maximum(1 - np.abs(place - k), 0)
            sums[level] += hat * (planes[level] - expand64(planes[level + 1], planes[level].shape))
            means[level] += hat * planes[level]
    lifts = lifts_of(stage.detail, stage.scales, stage.deepen, stage.noise, Shape(*x.shape), (), 0.0)
    new = np.zeros_like(guide[-1])
    for level in reversed(range(depth)):
        near = np.clip(np.abs(means[level]) / stage.edge * 8 - 0.25, 0, 1)
        weight = np.where(sums[level] < 0, lifts.darker[level], lifts.brighter[level])
        weight += (1 - weight) * near**2 * (3 - 2 * near)
        new = sums[level] * (1 - stage.range + lifts.lift * weight) + expand64(new, sums[level].shape)
    return x, new + x + (stage.range - 1) * (x - (x.mean() if anchor is None else anchor))


def change(before, after):
    """The applied change in stops, read off the green plane."""
    return np.log2(np.abs(after[1].astype(np.float64) / before[1]))


@pytest.mark.parametrize("size", [(97, 133), (64, 150), (131, 40)])
@pytest.mark.parametrize("settings", [{"detail": 1.6, "range": 0.5}, {"detail": 0.5, "range": 1.3, "edge": "0.7EV"}])
def test_equals_its_float64_twin(size, settings):
    stage, array = LocalContrast(**settings), scene(size)
    old, new = twin(stage, array)
    found = change(array, solve_whole(stage, CpuDevice(), picture(array)))
    assert np.abs(found - (new - old)).max() <= 1e-5


def test_around_names_what_stays():
    stage, array = LocalContrast(range=0.5, around="-1EV"), scene((70, 90))
    old, new = twin(stage, array, np.log2(0.18) - 1)
    assert np.abs(change(array, solve_whole(stage, CpuDevice(), picture(array))) - (new - old)).max() <= 1e-5
    for level in (-9.0, -3.5, 2.0):
        flat = np.full((3, 40, 56), 2.0**level, np.float32)
        moved = solve_whole(stage, CpuDevice(), picture(flat))
        assert abs(np.log2(moved).mean() - (level + np.log2(0.18) - 1) / 2) < 1e-3
        kept = solve_whole(LocalContrast(range=0.5), CpuDevice(), picture(flat))
        assert np.abs(np.log2(kept) - level).max() < 4e-6


def test_range_alone_makes_the_picture_neither_darker_nor_brighter():
    halves = np.where(np.arange(256) < 128, 2.0**-7, 2.0)
    for array in (scene((200, 256)), np.broadcast_to(halves, (3, 128, 256)), np.broadcast_to(halves, (3, 256, 256)).mT):
        array = np.ascontiguousarray(array, np.float32)
        out = solve_whole(LocalContrast(range=0.5), CpuDevice(), picture(array))
        assert abs(change(array, out).mean()) <= 0.2


def test_neutral_values_change_no_bit():
    for array in (scene((331, 277)), scene((64, 7))):
        same(solve_whole(LocalContrast(), CpuDevice(), picture(array)), array)
    assert LocalContrast().is_neutral()
    assert not LocalContrast(range=0.5).is_neutral()


def test_halving_the_spacing_of_the_nodes_divides_the_error_by_three():
    class Fine(LocalContrast):
        nodes_per_edge = 4

    class Finest(LocalContrast):
        nodes_per_edge = 32

    settings, array = {"detail": 1.5, "range": 0.5}, scene((60, 83))
    old, new = twin(Finest(**settings), array)
    errors = []
    for kind in (LocalContrast, Fine):
        found = change(array, solve_whole(kind(**settings), CpuDevice(), picture(array)))
        errors.append(np.sqrt(np.mean((found - (new - old)) ** 2)))
    assert errors[0] / errors[1] >= 3
    assert errors[0] < 0.03


# ---------------------------------------------------------------- the same bits however it is cut

STAGE = LocalContrast(detail=1.4, range=0.5)


@pytest.fixture(scope="module", params=[(331, 277), (805, 1003)], ids=str)
def whole(request):
    tile = picture(scene(request.param))
    return tile, solve_whole(STAGE, CpuDevice(), tile, level=3)


@pytest.mark.parametrize(("level", "size"), [(2, 256), (3, 384), (4, 1024), (5, 256), (6, 384), (1, 1024)])
def test_tiles_and_hand_over_levels(whole, level, size):
    tile, expected = whole
    same(solve_whole(STAGE, CpuDevice(), tile, level, size, size), expected)


@pytest.mark.parametrize("variant", built_variants())
def test_variants_and_column_strips(whole, variant):
    tile, expected = whole
    same(solve_whole(STAGE, CpuDevice(variant), tile, 4, width=128), expected)


def test_in_memory_in_one_pass(whole):
    tile, expected = whole
    out = np.empty((*expected.shape[1:], 3), np.float32)
    seen = Tile(np.moveaxis(out, -1, 0), tile.window, tile.picture)
    run_in_memory(STAGE, CpuDevice(), [tile], seen, threads=2, strip_px=128, level=4)
    same(seen.array, expected)


def test_level_by_level_as_a_gpu_runs_it():
    tile = picture(scene((150, 131)))
    expected = solve_whole(STAGE, CpuDevice(), tile)
    same(solve_whole(STAGE, LevelByLevel(CpuDevice()), tile), expected)
    same(solve_whole(STAGE, LevelByLevel(CpuDevice()), tile, 2, 64, 96), expected)


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (3, 2), (64, 5)])
def test_tiny_pictures(size):
    tile = picture(scene(size))
    expected = solve_whole(STAGE, LevelByLevel(CpuDevice()), tile, 1)
    assert np.isfinite(expected).all()
    for level in (1, 2, 6):
        same(solve_whole(STAGE, CpuDevice(), tile, level), expected)


def test_the_announced_rings_are_enough_and_grow_with_the_level():
    shape = Shape(4000, 6000)
    sizes = [STAGE.deep_scratch_bytes(Window(1000, 1000, 512, 512), level, shape) for level in (2, 4, 6)]
    assert sizes == sorted(sizes)
    assert STAGE.scratch_bytes(Window(0, 0, 512, 512), 3) > 1 << 20


# ---------------------------------------------------------------- ends of the range


def test_black_negative_and_very_bright_values_are_continuous():
    """Along a smooth ramp from below zero to 2^12 the change has no jump."""
    stops = np.linspace(-20, 12, 1600)
    light = np.concatenate([np.linspace(-2e-4, 2.0**-20, 800), 2.0**stops])
    array = np.broadcast_to(light, (3, 9, light.size)).astype(np.float32)
    out = solve_whole(LocalContrast(detail=2.0, range=0.5), CpuDevice(), picture(array))
    assert np.isfinite(out).all()
    applied = change(np.where(array == 0, 1, array), np.where(array == 0, 1, out))[4]
    assert np.abs(np.diff(applied)).max() < 0.05


def test_the_colour_keeps_its_ratios():
    array = np.abs(scene((80, 60)))
    out = solve_whole(STAGE, CpuDevice(), picture(array))
    gains = out.astype(np.float64) / array
    assert np.abs(gains / gains[1] - 1).max() < 3e-7


# ---------------------------------------------------------------- coverage


def ragged(size):
    y, x = np.mgrid[: size[0], : size[1]]
    inside = np.hypot(y - size[0] * 0.5, (x - size[1] * 0.4) * 0.8) < size[0] * 0.45
    coverage = inside.astype(np.float32)
    coverage[size[0] // 2, : size[1] // 2] *= 0.25
    return coverage


def test_full_coverage_gives_the_plain_bits():
    array = scene((331, 277))
    covered = solve_whole(STAGE, CpuDevice(), picture(array, np.ones((331, 277), np.float32)))
    same(covered[:3], solve_whole(STAGE, CpuDevice(), picture(array)))
    assert (covered[3] == 1).all()


def test_what_lies_under_no_coverage_does_not_matter():
    array, coverage = scene((150, 201)), ragged((150, 201))
    results = []
    for filling in (0.0, np.nan, 3e38, -1.0):
        filled = np.where(coverage > 0, array, np.float32(filling))
        results.append(solve_whole(STAGE, CpuDevice(), picture(filled, coverage)))
        same(results[-1], results[0])
    assert np.isfinite(results[0]).all()
    assert (results[0][:3, coverage == 0] == 0).all()
    same(results[0][3], coverage)


def test_covered_bits_do_not_depend_on_the_cut():
    array, coverage = scene((331, 277)), ragged((331, 277))
    array[:, coverage == 0] = np.nan
    tile = picture(array, coverage)
    expected = solve_whole(STAGE, LevelByLevel(CpuDevice()), tile)
    for level, height, width in ((2, 128, 128), (4, 331, 64), (6, 256, 256)):
        same(solve_whole(STAGE, CpuDevice(), tile, level, height, width), expected)


def test_a_ragged_rim_casts_no_halo():
    """A flat picture inside a ragged edge stays flat up to the edge."""
    coverage = ragged((150, 201))
    flat = np.where(coverage > 0, np.float32(0.02), np.float32(0))
    out = solve_whole(STAGE, CpuDevice(), picture(np.stack([flat] * 3), coverage))
    assert np.abs(np.log2(out[1, coverage > 0] / 0.02)).max() < 1e-5


def test_parameters_have_units_and_limits():
    assert LocalContrast(edge=Measured(0.5)).nodes == 81
    assert LocalContrast(edge="1EV").nodes == 41
    with pytest.raises(ValueError, match="unit"):
        LocalContrast(edge=1.0)
    with pytest.raises(ValueError, match="range"):
        LocalContrast(range=0.1)
