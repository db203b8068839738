"""Shares of a merge against the published formula in float64, and their cells' exact sums."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.shares import UNITS, cell_sums, radiance_shares

IDENTITY = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]


def _facts(lights: tuple[float, ...], base: int = 1, shot: float = 3.24e-4, read: float = 4.3e-6) -> dict[str, Any]:
    frames = [
        {"light": light, "shot": shot, "read": read, "clip": 1.0, "to_working": IDENTITY, "colours_apart": True}
        for light in lights
    ]
    return {"frames": frames, "base": base}


def _tiles(values: np.ndarray, lights: tuple[float, ...]) -> list[Tile]:
    shape = Shape(*values.shape)
    return [
        Tile(np.stack([np.minimum(values * light, 1.0)] * 3).astype(np.float32), shape.whole, shape, COLOUR)
        for light in lights
    ]


def test_shares_and_noise_of_a_grey_are_the_published_ones() -> None:
    """Hasinoff, Durand, Freeman, CVPR 2010: weights t²/Var; at X = .1 and t = ¼, 1, 4 these are .033208 .179522 .787270."""
    lights = (0.25, 1.0, 4.0)
    tiles, window = _tiles(np.full((3, 5), 0.1), lights), Window(0, 0, 3, 5)
    tile = radiance_shares(RadianceMerge(), CpuDevice(), tiles, window, _facts(lights))
    assert tile.planes == ("share_0", "share_1", "share_2", "noise", "clipped")
    assert np.allclose(tile.array[:3, 1, 2], [0.033208, 0.179522, 0.787270], atol=2e-6)
    # an inverse-variance merge has the variance of its frame k times that frame's share
    assert tile.array[3, 1, 2] == pytest.approx(0.5 * np.log2(0.179522), abs=1e-5)
    assert not tile.array[4].any()


def test_light_beyond_every_frame_is_the_darkest_ones_and_told() -> None:
    lights = (0.5, 1.0)
    values = np.array([[0.1, 5.0]])
    tile = radiance_shares(RadianceMerge(), CpuDevice(), _tiles(values, lights), Window(0, 0, 1, 2), _facts(lights))
    assert tile.array[:2, 0, 1].tolist() == [1.0, 0.0]
    assert tile.array[2, 0].tolist()[1] > 0.4  # noisier than the base frame would be, did it see it
    assert tile.array[3, 0].tolist() == [0.0, 1.0]


@pytest.mark.parametrize("count", [1, 2, 3, 5, 9])
def test_shares_sum_to_one_for_any_number_of_frames(count: int) -> None:
    lights = tuple(2.0 ** (index - count // 2) for index in range(count))
    values = np.linspace(0.001, 1.9, 37).reshape(1, 37)
    tile = radiance_shares(
        RadianceMerge(), CpuDevice(), _tiles(values, lights), Window(0, 0, 1, 37), _facts(lights, base=count // 2)
    )
    assert len(tile.planes) == count + 2
    assert np.allclose(tile.array[:count].sum(axis=0), 1.0, atol=1e-6)


def test_cells_are_exact_sums() -> None:
    shape, window = Shape(40, 50), Window(8, 16, 20, 30)
    values = np.random.default_rng(1).random((1, 20, 30), np.float32)
    sums = cell_sums(CpuDevice(), Tile(values, window, shape, ("x",)), 8)
    units = np.rint(values[0].astype(np.float64) * UNITS).astype(np.int64)
    assert sums.shape == (1, 3, 4)
    assert sums[0, 2, 3] == units[16:20, 24:30].sum()
    assert sums.sum() == units.sum()
