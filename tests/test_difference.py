"""Colour differences against colour-science and the published pairs."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from tilepipe.colour.difference import delta_e_2000, lab_of
from tilepipe.colour.spaces import WORKING, rgb_to_xyz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour


def test_the_published_first_pair() -> None:
    """Sharma, Wu, Dalal 2005, table 1, pair 1: 2.0425."""
    assert delta_e_2000((50, 2.6772, -79.7751), (50, 0, -82.7485)) == pytest.approx(2.0424596801565738, abs=1e-12)


def test_many_pairs_against_colour_science() -> None:
    generator = np.random.default_rng(5)
    first = generator.uniform((0, -90, -90), (100, 90, 90), (500, 3))
    second = np.where(generator.random((500, 1)) < 0.5, first + generator.normal(0, 2, (500, 3)),
                      generator.uniform((0, -90, -90), (100, 90, 90), (500, 3)))
    second[:5, 1:] = 0.0  # greys have no hue
    theirs = colour.difference.delta_E_CIE2000(first, second)
    ours = [delta_e_2000(a, b) for a, b in zip(first.tolist(), second.tolist(), strict=True)]
    assert np.allclose(ours, theirs, atol=1e-9)


def test_lab_against_colour_science() -> None:
    rgb = np.random.default_rng(6).uniform(-0.02, 2.0, (200, 3))
    xyz = rgb @ np.array(rgb_to_xyz(WORKING)).T
    theirs = colour.XYZ_to_Lab(xyz, (0.3127, 0.3290))
    assert np.allclose([lab_of(row) for row in rgb.tolist()], theirs, atol=1e-9)
