"""Exposure fusion: the paper's formulas in float64, OpenCV's version of them, and the same bits however it is cut."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.stages.fusion import ExposureFusion
from tilepipe.stages.stage import all_stages
from tilepipe.stages.streaming import run_in_memory


class LevelByLevel:
    """The CPU without its drivers: a deep stage then runs level by level, as on a GPU."""

    def __init__(self, device):
        self._device = device

    def __getattr__(self, name):
        if name == "drive":
            raise AttributeError(name)
        return getattr(self._device, name)


def bracket(size, frames=3, seed=1):
    """Invented display-encoded frames `(frames, y, x, 3)` with texture, colour, noise and clipped parts."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: size[0], : size[1]]
    light = 2.0 ** (-3 + 2 * np.sin(x / 19) * np.cos(y / 13) + 3 * (x > size[1] * 0.6))
    colour = light[..., None] * (1 + 0.3 * np.stack([np.sin(y / 31), np.cos(x / 7), np.sin((x + y) / 11)], -1))
    stops = np.linspace(-2, 2, frames) if frames > 1 else [0]
    made = [np.clip(colour * 2.0**stop, 0, 1) ** (1 / 2.2) + rng.normal(0, 0.01, (*size, 3)) for stop in stops]
    return np.clip(made, 0, 1).astype(np.float32)


def tiles_of(frames, coverages=None):
    """Frames `(y, x, 3)` in memory as strided tiles; with coverages, planar ones."""
    shape = Shape(*frames[0].shape[:2])
    planar = [np.moveaxis(frame, -1, 0) for frame in frames]
    if coverages is None:
        return [Tile(frame, shape.whole, shape, COLOUR) for frame in planar]
    joined = [np.concatenate([frame, cover[None]]).copy() for frame, cover in zip(planar, coverages, strict=True)]
    return [Tile(frame, shape.whole, shape, (*COLOUR, COVERAGE)) for frame in joined]


def poisoned(tile, window):
    """`window` of the tile, as a view into memory of the same layout that is NaN all around."""
    cut = tile.cut(window).array
    if tile.array.dtype == np.uint16:
        return Tile(cut, window, tile.picture, tile.planes)
    if tile.array.strides[0] < tile.array.strides[2]:
        room = np.moveaxis(np.full((window.height + 6, window.width + 6, len(tile.planes)), np.nan, np.float32), -1, 0)
    else:
        room = np.full((len(tile.planes), window.height + 6, window.width + 6), np.nan, np.float32)
    inside = room[:, 3:-3, 3:-3]
    inside[...] = cut
    return Tile(inside, window, tile.picture, tile.planes)


def solve_whole(stage, device, tiles, level=3, height=None, width=None):
    """Both passes over tiles that hold exactly the declared windows: `(planes, y, x)`."""
    shape, covered = tiles[0].picture, tiles[0].has_coverage
    height, width = height or shape.height, width or shape.width
    coarse_shape = shape.halved(min(level, stage.top(shape)))
    coarse = np.empty((stage.coarse_planes(len(tiles), covered, {}), *vars(coarse_shape).values()), np.float32)
    for window in Grid(coarse_shape, max(height >> level, 1), max(width >> level, 1)):
        source = stage.down_window(window, level, shape)
        part = stage.down(device, [poisoned(tile, source) for tile in tiles], window, level, {})
        coarse[:, window.rows, window.cols] = part.array
    solved = stage.solve(device, Tile(coarse, coarse_shape.whole, coarse_shape, part.planes), level, shape, {})
    out = np.empty((3 + covered, *vars(shape).values()), np.float32)
    for window in Grid(shape, height, width):
        source = stage.up_window(window, level, shape)
        known = poisoned(solved, stage.coarse_window(window, level, shape))
        part = stage.up(device, [poisoned(tile, source) for tile in tiles], known, window, level, {})
        out[:, window.rows, window.cols] = part.array
    return out


def same(a, b):
    np.testing.assert_array_equal(np.ascontiguousarray(a).view(np.uint32), np.ascontiguousarray(b).view(np.uint32))


# ---------------------------------------------------------------- Mertens, Kautz, Van Reeth 2009 in float64


def mirrored(index, length):
    period = max(2 * (length - 1), 1)
    index = np.abs(index) % period
    return np.where(index < length, index, period - index)


def repeated(index, length):
    return np.clip(index, 0, length - 1)


def as_opencv(index, length):
    """cv2.pyrUp: mirrored at the top and left, repeated at the bottom and right."""
    return np.minimum(np.abs(index), length - 1)


def reduce64(a):
    for axis in (0, 1):
        centre = 2 * np.arange((a.shape[axis] + 1) // 2)
        t = [np.take(a, mirrored(centre + d, a.shape[axis]), axis) for d in range(-2, 3)]
        a = (t[0] + t[4]) / 16 + (t[1] + t[3]) / 4 + t[2] * 0.375
    return a


def expand64(a, shape, rim):
    for axis in (0, 1):
        index = np.arange(shape[axis]) >> 1
        before, here, after = (np.take(a, rim(index + d, a.shape[axis]), axis) for d in (-1, 0, 1))
        odd = (np.arange(shape[axis]) & 1).astype(bool).reshape([-1 if i == axis else 1 for i in range(a.ndim)])
        a = np.where(odd, (here + after) / 2, before / 8 + here * 0.75 + after / 8)
    return a


def weights64(frames, contrast, saturation, exposedness):
    made = []
    for frame in frames:
        grey = frame @ np.array([0.299, 0.587, 0.114])
        rows, cols = grey.shape
        y, x = np.arange(rows), np.arange(cols)
        around = grey[mirrored(y - 1, rows)] + grey[mirrored(y + 1, rows)]
        around = around + grey[:, mirrored(x - 1, cols)] + grey[:, mirrored(x + 1, cols)]
        spread = frame.std(axis=-1)
        well = np.exp(-(((frame - 0.5) ** 2) / (2 * 0.2**2)).sum(axis=-1))
        made.append(np.abs(around - 4 * grey) ** contrast * spread**saturation * well**exposedness + 1e-12)
    return np.array(made) / np.sum(made, axis=0)


def fused64(frames, top, contrast=1, saturation=1, exposedness=1, rim=repeated):
    """`(y, x, 3)` float64."""
    frames = np.asarray(frames, np.float64)
    result = [0.0] * (top + 1)
    for frame, weight in zip(frames, weights64(frames, contrast, saturation, exposedness), strict=True):
        weight = weight[..., None]
        for level in range(top + 1):
            above = reduce64(frame)
            detail = frame if level == top else frame - expand64(above, frame.shape, rim)
            result[level] = result[level] + weight * detail
            frame, weight = above, reduce64(weight)
    out = result[top]
    for level in reversed(range(top)):
        out = result[level] + expand64(out, result[level].shape, rim)
    return out


def paper_top(size):
    return max(int(np.floor(np.log2(min(size)))) - 1, 0)


PICTURES = [((97, 133), 3), ((64, 64), 2), ((131, 50), 4), ((77, 200), 5), ((31, 33), 1)]


@pytest.mark.parametrize(("size", "frames"), PICTURES)
def test_equals_the_papers_formulas(size, frames):
    images = bracket(size, frames, seed=frames)
    found = solve_whole(ExposureFusion(depth="paper"), CpuDevice(), tiles_of(images))
    expected = fused64(images, paper_top(size))
    assert np.abs(np.moveaxis(found, 0, -1) - expected).max() <= 2e-6
    assert ExposureFusion(depth="paper").top(Shape(*size)) == paper_top(size)


def test_equals_the_papers_formulas_on_flat_and_grey_8_bit_values():
    """Where contrast or saturation is 0 in all frames only the 1e-12 decides."""
    images = np.round(bracket((90, 75), 3) * 255) / 255
    images[:, 20:50, 10:40] = images[:, 20:21, 10:11]
    images[:, 55:80] = images[:, 55:80, :, :1]
    images = images.astype(np.float32)
    found = solve_whole(ExposureFusion(depth="paper"), CpuDevice(), tiles_of(images))
    assert np.abs(np.moveaxis(found, 0, -1) - fused64(images, paper_top((90, 75)))).max() <= 2e-6


@pytest.mark.parametrize("exponents", [(1, 1, 1), (0, 0, 1), (0.5, 1, 0.3), (0, 2, 0)])
def test_full_depth_and_exponents(exponents):
    images, names = bracket((83, 120), 3), ("contrast", "saturation", "exposedness")
    stage = ExposureFusion(**dict(zip(names, exponents, strict=True)))
    found = solve_whole(stage, CpuDevice(), tiles_of(images))
    expected = fused64(images, 7, **dict(zip(names, exponents, strict=True)))
    assert np.abs(np.moveaxis(found, 0, -1) - expected).max() <= 2e-6


def test_the_twin_is_a_faithful_reading_of_the_formulas():
    """cv2.createMergeMertens with weights (0, 0, 1): one level more, its own rim, input divided by 255."""
    for size in ((96, 128), (101, 77)):
        images = bracket(size, 3)
        theirs = cv2.createMergeMertens(0, 0, 1).process([frame * np.float32(255) for frame in images])
        mine = fused64(images, int(np.log2(min(size))), 0, 0, 1, as_opencv)
        assert np.abs(theirs - mine).max() <= 6e-7


def test_published_values_of_the_exposedness():
    """E(0) = .0439369336, E(.25) = .4578333618 for σ = .2; all three channels at 0: 8.481823525e-5."""
    grey = np.zeros((1, 1, 1, 3))
    assert abs(np.exp(-12.5 * 0.25) - 0.0439369336) < 1e-10
    two = np.concatenate([grey, grey + 0.25])
    expected = 0.4578333618**3 / (0.4578333618**3 + 8.481823525e-5)
    assert abs(weights64(two, 0, 0, 1)[1].item() - expected) < 1e-9
    stage = ExposureFusion(contrast=0, saturation=0)
    found = solve_whole(stage, CpuDevice(), tiles_of(two.astype(np.float32)))
    assert np.abs(found - 0.25 * expected).max() < 1e-7


# ---------------------------------------------------------------- the same bits however it is cut


@pytest.fixture(scope="module", params=[(331, 277), (805, 1003)], ids=str)
def whole(request):
    tiles = tiles_of(bracket(request.param, 3))
    return tiles, solve_whole(ExposureFusion(), CpuDevice(), tiles, 3)


@pytest.mark.parametrize(("level", "size"), [(2, 256), (3, 384), (4, 1024), (5, 256), (6, 384), (1, 1024)])
def test_tiles_and_hand_over_levels(whole, level, size):
    tiles, expected = whole
    same(solve_whole(ExposureFusion(), CpuDevice(), tiles, level, size, size), expected)


@pytest.mark.parametrize("variant", built_variants())
def test_variants_and_column_strips(whole, variant):
    tiles, expected = whole
    same(solve_whole(ExposureFusion(), CpuDevice(variant), tiles, 4, width=128), expected)


def test_in_memory_in_one_pass(whole):
    tiles, expected = whole
    out = np.empty((*expected.shape[1:], 3), np.float32)
    seen = Tile(np.moveaxis(out, -1, 0), tiles[0].window, tiles[0].picture)
    run_in_memory(ExposureFusion(), CpuDevice(), tiles, seen, threads=2, strip_px=128, level=4)
    same(seen.array, expected)


def test_planar_tiles_and_level_by_level_as_a_gpu_runs_it(whole):
    tiles, expected = whole
    planar = [Tile(tile.array.copy(), tile.window, tile.picture) for tile in tiles]
    same(solve_whole(ExposureFusion(), LevelByLevel(CpuDevice()), planar), expected)
    same(solve_whole(ExposureFusion(), LevelByLevel(CpuDevice()), planar, 2, 256, 384), expected)


@pytest.mark.parametrize("settings", [{"depth": "paper"}, {"contrast": 0.5, "exposedness": 2.0}])
def test_other_settings_level_by_level(settings):
    stage, tiles = ExposureFusion(**settings), tiles_of(bracket((97, 133), 4))
    planar = [Tile(tile.array.copy(), tile.window, tile.picture) for tile in tiles]
    expected = solve_whole(stage, LevelByLevel(CpuDevice()), planar)
    same(solve_whole(stage, CpuDevice(), tiles, 2, 64, 48), expected)


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (3, 2), (64, 5)])
def test_tiny_pictures(size):
    tiles = tiles_of(bracket(size, 2))
    planar = [Tile(tile.array.copy(), tile.window, tile.picture) for tile in tiles]
    expected = solve_whole(ExposureFusion(), LevelByLevel(CpuDevice()), planar, 1)
    for level in (1, 2, 6):
        same(solve_whole(ExposureFusion(), CpuDevice(), tiles, level), expected)


@pytest.mark.parametrize("count", [1, 16])
def test_one_and_sixteen_frames(count):
    images = bracket((48, 61), count)
    found = solve_whole(ExposureFusion(), CpuDevice(), tiles_of(images))
    if count == 1:
        assert np.abs(np.moveaxis(found, 0, -1) - images[0]).max() < 1e-6
    assert np.abs(np.moveaxis(found, 0, -1) - fused64(images, 6)).max() <= 2e-6
    with pytest.raises(ValueError, match="1 to 16 frames"):
        solve_whole(ExposureFusion(), CpuDevice(), tiles_of(bracket((8, 8), 17)))


def test_uint16_frames_count_65535_as_one():
    sixteen = np.round(bracket((70, 91), 3) * 65535).astype(np.uint16)
    floats = (sixteen / np.float32(65535)).astype(np.float32)
    expected = solve_whole(ExposureFusion(), CpuDevice(), tiles_of(floats))
    same(solve_whole(ExposureFusion(), CpuDevice(), tiles_of(sixteen)), expected)
    same(solve_whole(ExposureFusion(), CpuDevice(), tiles_of(sixteen), 2, 64, 32), expected)
    with pytest.raises(TypeError, match="uint16"):
        ExposureFusion().down(CpuDevice(), tiles_of(floats.astype(np.float64)), Window(0, 0, 1, 1), 7, {})


def test_windows_and_rings_are_announced():
    stage, shape = ExposureFusion(), Shape(4000, 6000)
    wanted = Window(1024, 2048, 512, 512)
    assert stage.up_window(wanted, 4, shape).contains(wanted.padded(16))
    assert stage.deep_scratch_bytes(wanted, 4, shape) < 2 << 20
    assert stage.coarse_planes(4, False, {}) == 16
    assert stage.coarse_planes(4, True, {}) == 21
    assert ExposureFusion not in all_stages().values()


# ---------------------------------------------------------------- coverage


def ragged(size, frames):
    y, x = np.mgrid[: size[0], : size[1]]
    covers = [(np.hypot(y - size[0] * 0.5, x - size[1] * (0.45 + 0.05 * k)) < size[0] * 0.44) for k in range(frames)]
    made = np.array(covers, np.float32)
    made[:, size[0] // 2, : size[1] // 2] *= 0.25
    return made


def test_full_coverage_gives_the_plain_bits(whole):
    tiles, expected = whole
    shape = vars(tiles[0].picture).values()
    images = [np.moveaxis(tile.array, 0, -1) for tile in tiles]
    covered = tiles_of(images, np.ones((3, *shape), np.float32))
    found = solve_whole(ExposureFusion(), CpuDevice(), covered)
    same(found[:3], expected)
    assert (found[3] == 1).all()


def test_what_lies_under_no_coverage_does_not_matter():
    images, covers = bracket((150, 131), 3), ragged((150, 131), 3)
    results = []
    for filling in (0.0, np.nan, 3e38, 0.7):
        filled = np.where(covers[..., None] > 0, images, np.float32(filling))
        results.append(solve_whole(ExposureFusion(), CpuDevice(), tiles_of(filled, covers)))
        same(results[-1], results[0])
    found = results[0]
    assert np.isfinite(found).all()
    same(found[3], covers.max(axis=0))
    assert (found[:3, found[3] == 0] == 0).all()
    tiles = tiles_of(np.where(covers[..., None] > 0, images, np.float32(np.nan)), covers)
    same(solve_whole(ExposureFusion(), LevelByLevel(CpuDevice()), tiles, 2, 64, 96), found)
    same(solve_whole(ExposureFusion(), CpuDevice(), tiles, 5, 150, 64), found)


def test_where_one_frame_alone_covers_it_is_taken_as_it_is():
    """A frame that covers all beside one that covers nothing gives the first frame back."""
    images = bracket((60, 71), 2)
    covers = np.stack([np.ones((60, 71)), np.zeros((60, 71))]).astype(np.float32)
    found = solve_whole(ExposureFusion(), CpuDevice(), tiles_of(images, covers))
    assert np.abs(found[:3] - np.moveaxis(images[0], -1, 0)).max() < 1e-6
