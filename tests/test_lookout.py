"""Halos are found where they were drawn, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from tilepipe.measure import lookout
from tilepipe.measure.lookout import halo, worst


def _skyline(excess: float = 0.0, slope: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A dark land under a bright sky, 6 stops apart, L* 30 and 90, and a pale line of 6 cells above the land (invented)."""
    rows = np.arange(90)[:, None] + np.zeros((1, 70))
    sky = rows < 45
    light = np.where(sky, 0.0 + slope * (45 - rows), -6.0)
    lightness = np.where(sky, 90.0 + 10.0 * slope * (45 - rows), 30.0)
    lightness = lightness + np.where(sky & (rows > 38), excess, 0.0)
    return light, lightness


def test_a_clean_edge_has_none() -> None:
    found = halo(*_skyline())
    assert np.nanmax(np.abs(found)) == 0.0


@pytest.mark.parametrize("excess", [0.7, 3.0])
def test_a_pale_line_is_measured_where_it_is(excess: float) -> None:
    found = halo(*_skyline(excess))
    assert np.nanmax(found) == pytest.approx(excess)
    place = worst(found)[0]
    assert abs(place.row - 44.5) <= 1.5
    assert np.isnan(found[:40]).all()


def test_a_slope_of_the_light_itself_is_no_halo() -> None:
    """Ten L* a stop is the picture's own contrast across the edge: what follows it is no excess."""
    found = halo(*_skyline(slope=0.004))
    assert np.nanmax(np.abs(found)) < 0.02


def test_the_worst_places_keep_apart() -> None:
    values = np.zeros((20, 20))
    values[5, 5], values[5, 6], values[15, 15] = 3.0, 2.9, 1.0
    places = worst(values)
    assert [(place.row, place.column) for place in places] == [(5, 5), (15, 15)]


def test_bands_of_rows_find_what_the_whole_map_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(5)
    across = np.cumsum(random.choice([0.0] * 20 + [4.0], (150, 90)), axis=1)
    light = across + np.cumsum(random.choice([0.0] * 20 + [-4.0], (150, 1)), axis=0)
    lightness = 5.0 * light + random.random(light.shape)
    monkeypatch.setattr(lookout, "BAND", 1000)
    whole = halo(light, lightness)
    monkeypatch.setattr(lookout, "BAND", 16)
    assert np.isfinite(whole).sum() > 100
    np.testing.assert_array_equal(halo(light, lightness), whole)
