"""Spaces, whites, encodings and profiles against published values, colour-science and LittleCMS."""

from __future__ import annotations

import csv
import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tilepipe.colour.spaces import (
    DISPLAY_P3,
    REC2020,
    ROMM,
    SPACES,
    SRGB,
    Space,
    between,
    luminance_row,
    rgb_to_pcs,
    rgb_to_xyz,
    xyz_to_rgb,
)
from tilepipe.colour.white import (
    D50,
    D65,
    PCS,
    adaptation,
    daylight_xy,
    kelvin_duv,
    uv_of,
    white_xy,
    xy_of,
    xy_of_uv,
    xyz_of,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

REFERENCE = Path(__file__).resolve().parent.parent.parent / "shared" / "data" / "reference"
TITLES = {"srgb": "sRGB", "display_p3": "Display P3", "rec2020": "ITU-R BT.2020", "romm": "ROMM RGB"}


def reference(name: str) -> Path:
    if not (REFERENCE / name).exists():
        pytest.skip(f"the reference table {name} is not here")
    return REFERENCE / name


@pytest.mark.parametrize("space", SPACES.values(), ids=str)
def test_matrices_are_those_derived_from_primaries(space: Space) -> None:
    """Against colour-science, its derived matrices (its stored sRGB and ROMM ones have four decimals)."""
    theirs = colour.RGB_COLOURSPACES[TITLES[space.name]].copy()
    assert theirs.primaries.tolist() == [list(space.red), list(space.green), list(space.blue)]
    assert tuple(theirs.whitepoint) == space.white
    theirs.use_derived_transformation_matrices(True)
    assert np.abs(np.array(rgb_to_xyz(space)) - theirs.matrix_RGB_to_XYZ).max() < 1e-14
    assert np.abs(np.array(xyz_to_rgb(space)) - theirs.matrix_XYZ_to_RGB).max() < 1e-13


def test_luminance_rows() -> None:
    """Derived values printed from colour-science 0.4.7 in float64."""
    expected = {
        "srgb": (0.2126390058715103, 0.7151686787677559, 0.0721923153607337),
        "display_p3": (0.2289745640697487, 0.6917385218365064, 0.0792869140937450),
        "rec2020": (0.2627002120112670, 0.6779980715188711, 0.0593017164698620),
        "romm": (0.2880711282292933, 0.7118432178101014, 0.0000856539606053),
    }
    for name, row in expected.items():
        assert np.abs(np.subtract(luminance_row(SPACES[name]), row)).max() < 1e-15


def test_white_is_white_in_every_space() -> None:
    for source in SPACES.values():
        for target in SPACES.values():
            assert np.abs(np.array(between(source, target)).sum(1) - 1).max() < 1e-14
    assert between(REC2020, REC2020) == ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@pytest.mark.parametrize("method", ["bradford", "cat16"])
def test_adaptation(method: Any) -> None:
    """Against colour-science's von Kries transforms, and its printed D65 → D50 matrices."""
    name = {"bradford": "Bradford", "cat16": "CAT16"}[method]
    for first, second in ((D65, D50), (daylight_xy(5000.0), daylight_xy(12000.0))):
        mine = np.array(adaptation(xyz_of(first), xyz_of(second), method))
        theirs = colour.adaptation.matrix_chromatic_adaptation_VonKries(xyz_of(first), xyz_of(second), name)
        assert np.abs(mine - theirs).max() < 1e-12
    printed = json.loads(reference("cat_D65_to_D50.json").read_text())  # its D50 is (.34567, .3585)
    assert np.abs(np.array(adaptation(xyz_of(D65), xyz_of((0.34567, 0.3585)), method)) - printed[name]).max() < 1e-12


def test_bradford_to_the_profile_connection_space() -> None:
    """The first row as computed in float64 from ICC.1:2022, annex E."""
    first = adaptation(xyz_of(D65), PCS)[0]
    assert np.abs(np.subtract(first, (1.0478860032, 0.0229187652, -0.0502160953))).max() < 1e-10
    assert adaptation(PCS, PCS) == ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def test_pcs_matrices_carry_white_to_pcs_white() -> None:
    for space in SPACES.values():
        assert np.abs(np.array(rgb_to_pcs(space)).sum(1) - PCS).max() < 1e-14


def test_daylight_locus() -> None:
    """CIE 15:2018 by its formula at 5000 K and 6500 K, and a table printed from colour-science."""
    assert np.abs(np.subtract(daylight_xy(5000.0), (0.345741, 0.358666))).max() < 1e-6
    assert np.abs(np.subtract(daylight_xy(6500.0), (0.312779, 0.329183))).max() < 1e-6
    with pytest.raises(ValueError, match="4000 K"):
        daylight_xy(3000.0)
    with reference("cct_tables.csv").open() as file:
        for row in csv.DictReader(file):
            if 4000 <= float(row["K"]) <= 25000:
                x, y = daylight_xy(float(row["K"]))
                assert abs(x - float(row["daylight_x"])) < 1e-6
                assert abs(y - float(row["daylight_y"])) < 1e-6


def test_kelvin_and_duv_by_robertson() -> None:
    """The example of colour-science's uv_to_CCT_Robertson1968, and its function on a grid of lights."""
    kelvin, duv = kelvin_duv(xy_of_uv((0.193741375998230, 0.315221043940594)))
    assert abs(kelvin - 6500.016) < 1e-3
    assert abs(duv - 0.008333) < 1e-6
    for kelvin in (2200.0, 2700.0, 4321.0, 5500.0, 6500.0, 9000.0, 20000.0):
        for duv in (-0.015, 0.0, 0.004, 0.01):
            theirs = colour.temperature.CCT_to_uv_Robertson1968([kelvin, duv])
            assert np.abs(np.subtract(uv_of(white_xy(kelvin, duv)), theirs)).max() < 1e-12
            found = kelvin_duv(white_xy(kelvin, duv))
            assert abs(found[0] / kelvin - 1) < 1e-4
            assert abs(found[1] - duv) < 1e-6
            assert np.abs(np.subtract(found, colour.temperature.uv_to_CCT_Robertson1968(theirs))).max() < 1e-3


def test_planckian_locus_lies_where_ohno_puts_it() -> None:
    """Against a table printed from colour-science's Ohno 2013: Robertson's table has four to five decimals."""
    with reference("cct_tables.csv").open() as file:
        for row in csv.DictReader(file):
            kelvin = float(row["K"])
            if 2000 <= kelvin <= 20000:
                theirs = uv_of((float(row["planckian_x(Ohno2013)"]), float(row["planckian_y"])))
                assert np.abs(np.subtract(uv_of(white_xy(kelvin)), theirs)).max() < 2e-4


def test_what_is_no_light_is_refused() -> None:
    with pytest.raises(ValueError, match="no light"):
        white_xy(1700.0, 0.03)
    for xy in ((0.0, 0.3), (0.7, 0.4), (0.3, -0.1)):
        with pytest.raises(ValueError, match="not the chromaticity"):
            kelvin_duv(xy)
    with pytest.raises(ValueError, match="1667 K"):
        white_xy(1200.0)
    assert kelvin_duv((0.24, 0.235))[0] == 1e5
    assert kelvin_duv((0.60, 0.39))[0] == pytest.approx(1e6 / 600)


def test_primaries_as_stated() -> None:
    for space, name in ((SRGB, "sRGB"), (DISPLAY_P3, "Display P3"), (REC2020, "ITU-R BT.2020"), (ROMM, "ROMM RGB")):
        for column, primary in enumerate((space.red, space.green, space.blue)):
            xyz = tuple(np.array(rgb_to_xyz(space))[:, column])
            assert np.abs(np.subtract(xy_of(xyz), primary)).max() < 1e-14, name
