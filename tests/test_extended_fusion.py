"""Extended exposure fusion: the published formulas in float64, published values, and the same bits however it is cut."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.extended_fusion import ExtendedFusion
from tilepipe.stages.fusion import COPY, ExposureFusion
from tilepipe.stages.streaming import run_in_memory

_SPEC = importlib.util.spec_from_file_location("plain_fusion_twin", Path(__file__).with_name("test_fusion.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
plain = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(plain)  # the twin of plain fusion and the ways to cut a picture are the same
bracket, ragged, same, solve_whole, tiles_of = plain.bracket, plain.ragged, plain.same, plain.solve_whole, plain.tiles_of


def copy64(values, middle, part=0.3, bend=0.125):
    """g(t, k) and its slope (Hessel and Morel, IPOL 2019, section 3)."""
    away, sign = np.abs(values - middle), np.sign(values - middle)
    a, b = part / 2 + bend, part / 2 - bend
    far = np.maximum(away - b, bend)
    inside = away <= part / 2
    return np.where(inside, values, middle + sign * (a - bend**2 / far)), np.where(inside, 1.0, (bend / far) ** 2)


def extended64(frames, top, part=0.3, bend=0.125):
    count = math.ceil(1 / part)
    middles = [(1 - part / 2) - k * (1 - part) / (count - 1) for k in range(count)]
    pairs = [copy64(frame.astype(np.float64), middle, part, bend) for frame in frames for middle in middles]
    copies = [pair[0] for pair in pairs]
    raw = raw64(copies) * np.array([pair[1].prod(axis=-1) for pair in pairs])
    result = [0.0] * (top + 1)
    for copy, weight in zip(copies, raw / raw.sum(axis=0), strict=True):
        values, share = copy, weight[..., None]
        for level in range(top + 1):
            above = plain.reduce64(values)
            detail = values if level == top else values - plain.expand64(above, values.shape, plain.repeated)
            result[level] = result[level] + share * detail
            values, share = above, plain.reduce64(share)
    out = result[top]
    for level in reversed(range(top)):
        out = result[level] + plain.expand64(out, result[level].shape, plain.repeated)
    return out


def raw64(copies):
    """Weights before they are divided by their sum: shares beside one flat grey frame, whose raw weight is known."""
    flat = np.full_like(copies[0], 0.5)  # C = S = 0: the raw weight is 1e-12
    shares = [plain.weights64([copy, flat], 1, 1, 1) for copy in copies]
    return np.array([share[0] / share[1] * 1e-12 for share in shares])


def test_published_values_of_the_curves():
    """β = .3, λ = .125: r, g(0, ·) and g(1, ·) as the formulas of WACV 2020 give them."""
    stage, device = ExtendedFusion(), CpuDevice()
    np.testing.assert_allclose(stage.middles, [0.85, 0.616667, 0.383333, 0.15], atol=5e-7)
    expected = {0.0: [0.5939393939, 0.3680751174, 0.1519379845, 0.0], 1.0: [1.0, 0.8480620155, 0.6319248827, 0.4060606061]}
    tile = Tile(np.array([0.0, 1.0, 0.4] * 3, np.float32).reshape(3, 1, 3), Window(0, 0, 1, 3), Shape(1, 3))
    for k, middle in enumerate(stage.middles):
        out = device.tile(tile.window, tile.picture, ("red", "green", "blue", "slope"))
        device.launch(COPY, device.planes(tile), device.planes(out), middle=middle, **stage.curve())
        np.testing.assert_allclose(out.array[0, 0, :2], [expected[0.0][k], expected[1.0][k]], atol=1e-7)
        slopes = copy64(np.array([0.0, 1.0, 0.4]), middle)[1] ** 3  # of three equal colours
        np.testing.assert_allclose(out.array[3, 0], slopes, rtol=2e-6)


@pytest.mark.parametrize(("part", "copies"), [(0.3, 4), (0.5, 2), (0.1, 10), (0.34, 3), (0.999, 2), (1.0, 1)])
def test_number_of_copies(part, copies):
    assert len(ExtendedFusion(part=part).middles) == copies == math.ceil(1 / part)


@pytest.mark.parametrize(("size", "frames"), [((97, 133), 3), ((64, 40), 2), ((31, 33), 1)])
def test_equals_the_published_formulas(size, frames):
    images = bracket(size, frames, seed=frames)
    found = solve_whole(ExtendedFusion(), CpuDevice(), tiles_of(images))
    expected = extended64(images, Shape(*size).depth)
    assert np.abs(np.moveaxis(found, 0, -1) - expected).max() <= 4e-6


def test_one_copy_is_plain_fusion():
    tiles = tiles_of(bracket((83, 71), 3))
    same(solve_whole(ExtendedFusion(part=1.0), CpuDevice(), tiles), solve_whole(ExposureFusion(), CpuDevice(), tiles))


def test_leaves_the_range_less_than_plain_fusion():
    """The paper's first claim (figure 3 there): hardly any value beyond 0..1."""
    tiles = tiles_of(bracket((128, 200), 4))
    usual, extended = (solve_whole(stage, CpuDevice(), tiles) for stage in (ExposureFusion(), ExtendedFusion()))
    beyond = [float(np.maximum(made - 1, -made).max()) for made in (usual, extended)]
    assert beyond[0] > 0.05
    assert beyond[1] < beyond[0] / 3


@pytest.fixture(scope="module")
def whole():
    tiles = tiles_of(bracket((231, 177), 3))
    return tiles, solve_whole(ExtendedFusion(), CpuDevice(), tiles, 3)


@pytest.mark.parametrize(("level", "size"), [(2, 128), (4, 96), (6, 256)])
def test_tiles_and_hand_over_levels(whole, level, size):
    same(solve_whole(ExtendedFusion(), CpuDevice(), whole[0], level, size, size), whole[1])


@pytest.mark.parametrize("variant", built_variants())
def test_variants_and_level_by_level(whole, variant):
    tiles, expected = whole
    same(solve_whole(ExtendedFusion(), CpuDevice(variant), tiles, 4, width=128), expected)
    planar = [Tile(tile.array.copy(), tile.window, tile.picture) for tile in tiles]
    same(solve_whole(ExtendedFusion(), plain.LevelByLevel(CpuDevice(variant)), planar, 3, 256, 128), expected)


def test_in_memory_in_one_pass(whole):
    tiles, expected = whole
    out = np.empty((*expected.shape[1:], 3), np.float32)
    seen = Tile(np.moveaxis(out, -1, 0), tiles[0].window, tiles[0].picture)
    run_in_memory(ExtendedFusion(), CpuDevice(), tiles, seen, threads=2, strip_px=64, level=4)
    same(seen.array, expected)


def test_coverage():
    images, covers = bracket((90, 81), 2), ragged((90, 81), 2)
    expected = solve_whole(ExtendedFusion(), CpuDevice(), tiles_of(images))
    full = solve_whole(ExtendedFusion(), CpuDevice(), tiles_of(images, np.ones_like(covers)))
    same(full[:3], expected)
    found = []
    for filling in (0.0, np.nan):
        tiles = tiles_of(np.where(covers[..., None] > 0, images, np.float32(filling)), covers)
        found.append(solve_whole(ExtendedFusion(), CpuDevice(), tiles))
        same(solve_whole(ExtendedFusion(), plain.LevelByLevel(CpuDevice()), tiles, 2, 64, 96), found[-1])
    same(found[0], found[1])
    same(found[0][3], covers.max(axis=0))
    assert (found[0][:3, found[0][3] == 0] == 0).all()
