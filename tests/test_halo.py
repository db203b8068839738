"""Halos: what local contrast does beside a high edge, in pictures of several shapes, and to a smooth ramp.

Measure after Hessel and Morel (arXiv 1808.09411): noise-free steps; the largest deviation from the plateau within a
radius, divided by the step.
"""

from __future__ import annotations

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape
from tilepipe.stages.local_contrast import LocalContrast

LEVEL = 3


def toned(stops, **settings):
    """log2 luminance `(y, x)` through the stage, float64."""
    shape = Shape(*stops.shape)
    tile = Tile(np.stack([2.0**stops] * 3).astype(np.float32), shape.whole, shape)
    stage, device = LocalContrast(**settings), CpuDevice()
    coarse = stage.down(device, [tile], shape.halved(LEVEL).whole, LEVEL, {})
    solved = stage.solve(device, coarse, LEVEL, shape, {})
    return np.log2(stage.up(device, [tile], solved, shape.whole, LEVEL, {}).array[1].astype(np.float64))


def beside_the_edge(size, axis, step, **settings):
    """Signed distances from the edge, deviations from either plateau in stops, the step that is left."""
    along = np.arange(size[axis]) - (size[axis] / 2 - 0.5)
    edge = np.where(along < 0, -3 - step / 2, -3 + step / 2)
    out = toned(np.broadcast_to(edge[:, None] if axis == 0 else edge, size), **settings)
    profiles = out if axis == 1 else out.T
    low, high = np.median(profiles[:, along < 0]), np.median(profiles[:, along > 0])
    return along, profiles - np.where(along < 0, low, high), high - low


@pytest.mark.parametrize("size", [(256, 256), (256, 512), (256, 1024), (512, 256), (1024, 256)], ids=str)
@pytest.mark.parametrize("axis", [0, 1])
def test_plateaus_beside_an_edge_of_8_stops(size, axis):
    along, deviation, left = beside_the_edge(size, axis, 8.0, range=0.5)
    for radius in (2, 4, 8, 16, 32, 64, 128, 512):
        near = np.abs(along) < radius
        assert np.abs(deviation[:, near]).max() / 8.0 <= 0.0005, radius
    assert 4.0 < left < 5.0
    overshoot = max(deviation[:, along > 0].max(), -deviation[:, along < 0].min())
    assert overshoot / left <= 0.001


@pytest.mark.parametrize("size", [(256, 256), (256, 1024)], ids=str)
@pytest.mark.parametrize("edge", [0.5, 1.0, 2.0])
@pytest.mark.parametrize(("edges", "bound"), [(4, 0.001), (2, 0.005)])
def test_plateaus_beside_smaller_edges(size, edge, edges, bound):
    step = edges * edge
    _, deviation, _ = beside_the_edge(size, 1, step, range=0.5, edge=f"{edge}EV")
    assert np.abs(deviation).max() / step <= bound


@pytest.mark.parametrize(("step", "bound"), [(4.0, 1.0), (8.0, 0.5), (10.0, 0.5)])
def test_a_slanted_edge_with_lifted_detail_has_no_pale_line(step, bound):
    """Mixed pixels along the edge, detail lifted, large places protected: lightness of any pixel from 8 px on, in L*."""
    y, x = np.mgrid[: 256 * 4, : 768 * 4] / 4 + 0.125
    away = ((x - 384) - (y - 128) * 0.12) / np.hypot(1, 0.12)
    stops = np.log2(np.where(away > 0, 2.0**-0.5, 2.0 ** (-0.5 - step)).reshape(256, 4, 768, 4).mean((1, 3)))
    light = 2.0 ** toned(stops, range=0.45, detail=1.15)
    lightness = np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * (24389 / 27))  # CIE 15:2004
    away = away.reshape(256, 4, 768, 4).mean((1, 3))
    for side in (away > 8, away < -8):
        assert np.abs(lightness[side] - np.median(lightness[side])).max() <= bound


@pytest.mark.parametrize("width", [512, 1024, 1777])
@pytest.mark.parametrize("edges", [8, 12, 16])
def test_a_smooth_ramp_stays_smooth(width, edges):
    """Ramps of many `edge`s, away from the picture's rim: their slope nears `range`, and ripples with the nodes only a little.

    A shorter ramp is detail in part, its slope nearer to 1.
    """
    rise = edges / width
    out = toned(np.broadcast_to(-3 + rise * (np.arange(width) - width / 2), (64, width)), range=0.5)[32]
    slope = np.diff(out[width // 8 : -width // 8]) / rise
    assert slope.min() >= 0.5
    assert slope.max() <= 0.85
    one_edge = width // edges
    around = np.convolve(slope, np.full(one_edge, 1.0 / one_edge), "valid")
    assert np.abs(slope[one_edge // 2 : one_edge // 2 + around.size] - around).max() <= 0.025
