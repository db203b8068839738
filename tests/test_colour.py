"""Spaces, whites, encodings and profiles against published values, colour-science and LittleCMS."""

from __future__ import annotations

import csv
import json
import math
import warnings
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest

from tilepipe.colour.encode import CURVES, Encoding
from tilepipe.colour.icc import profile
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
from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Window

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

REFERENCE = Path(__file__).resolve().parent.parent.parent / "shared" / "data" / "reference"
# Relative colorimetric; without LittleCMS's own shortcuts for 16 bits, which cost it up to 4e-3 in dark colours.
PLAIN: dict[str, Any] = {
    "colorspace": "rgb", "outcolorspace": "rgb", "intent": 1, "flags": imagecodecs.CMS.FLAGS.NOOPTIMIZE,
}
TITLES = {"srgb": "sRGB", "display_p3": "Display P3", "rec2020": "ITU-R BT.2020", "romm": "ROMM RGB"}


def reference(name: str) -> Path:
    if not (REFERENCE / name).exists():
        pytest.skip(f"the reference table {name} is not here")
    return REFERENCE / name


@pytest.mark.parametrize("space", SPACES.values(), ids=SPACES)
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


def test_encoded_values() -> None:
    """Published curves at .18 and .5, computed in float64 from IEC 61966-2-1, ITU-R BT.2020-2 and ISO 22028-2."""
    assert CURVES["srgb"].encoded(0.18) == pytest.approx(0.46135612950, abs=1e-11)
    assert CURVES["srgb"].decoded(0.5) == pytest.approx(0.21404114048, abs=1e-11)
    assert CURVES["romm"].encoded(0.18) == pytest.approx(0.38571142475, abs=1e-11)
    assert CURVES["rec2020"].encoded(0.18) == pytest.approx(0.40900772886, abs=1e-11)
    for name, curve in CURVES.items():
        for value in (0.0, 0.001, 0.0019, 0.0031, 0.01, 0.3, 1.0):
            assert curve.decoded(curve.encoded(value)) == pytest.approx(value, abs=1e-12), name


@pytest.mark.parametrize(("name", "column"), [("srgb", "sRGB"), ("rec2020", "BT709_oetf"), ("romm", "ProPhoto")])
def test_curves_against_the_printed_table(name: str, column: str) -> None:
    """Values printed from colour-science 0.4.7; BT.709 and BT.2020 share their curve."""
    with reference("transfer_curves.csv").open() as file:
        for row in csv.DictReader(file):
            assert CURVES[name].encoded(float(row["linear"])) == pytest.approx(float(row[column]), abs=2e-7)


def light(colours: Any, planes: tuple[str, ...] = COLOUR) -> Tile:
    array = np.asarray(colours, np.float32).T.reshape(len(planes), 1, -1).copy()
    window = Window(0, 0, *array.shape[1:])
    return Tile(array, window, window.shape, planes)


def encoded(colours: Any, **how: Any) -> Any:
    return Encoding(**how).run(CpuDevice(), light(colours))[:, 0].T


def inside(space: Space, count: int = 4000) -> tuple[Any, Any]:
    """Linear colours of a space, and the same in the working space (float64)."""
    own = np.random.default_rng(1).random((count, 3)) ** 2
    return own, own @ np.array(between(space, REC2020)).T


@pytest.mark.parametrize("space", SPACES.values(), ids=SPACES)
def test_encoding_is_matrix_and_curve(space: Space) -> None:
    """Against numpy in float64 with colour-science's curves."""
    own, working = inside(space)
    encode = {
        "srgb": colour.models.eotf_inverse_sRGB, "rec2020": colour.models.oetf_BT2020,
        "romm": colour.models.cctf_encoding_ROMMRGB,
    }[space.curve]
    expected = encode(own) * 65535
    codes = encoded(working, space=space, gamut="limit").astype(np.float64)
    assert np.abs(codes - expected).max() < 0.6
    assert (codes == np.rint(expected)).mean() > 0.97


@pytest.mark.parametrize("space", SPACES.values(), ids=SPACES)
def test_greys_stay_grey_and_ends_stay_ends(space: Space) -> None:
    values = np.concatenate([np.linspace(0, 1, 20001), [-3.0, 2.0, np.nan]])
    for bits in (8, 16):
        for dither in (False, True):
            codes = encoded(np.repeat(values[:, None], 3, 1), space=space, bits=bits, dither=dither)
            assert (codes == codes[:, :1]).all()
            highest = 2**bits - 1
            assert codes[[0, 20000, -3, -2, -1], 0].tolist() == [0, highest, 0, highest, 0]
            expected = np.array([CURVES[space.curve].encoded(float(v)) for v in values[:20001:7]]) * highest
            assert np.abs(codes[:20001:7, 0] - expected).max() < (1.01 if dither else 0.52)


def test_colours_beyond_the_gamut_come_smoothly_to_its_rim() -> None:
    row = np.array(luminance_row(SRGB))
    ramp = np.linspace(0, 1, 3001)[:, None]
    grey, green = np.array([0.4, 0.4, 0.4]), np.array([0.0, 0.6, 0.0])
    for gamut in ("soft", "limit"):
        codes = encoded(grey * (1 - ramp) + green * ramp, gamut=gamut).astype(np.float64) / 65535
        assert np.abs(np.diff(codes, axis=0)).max() < 0.006
        given = (grey * (1 - ramp) + green * ramp) @ np.array(between(REC2020, SRGB)).T @ row
        assert np.abs(colour.models.eotf_sRGB(codes) @ row - given).max() < 2e-4


def test_dither_keeps_the_mean_and_knows_no_tiles() -> None:
    device = CpuDevice()
    array = np.full((3, 64, 200), 0.2, np.float32)
    tile = Tile(array, Window(0, 0, 64, 200), Window(0, 0, 64, 200).shape)
    how = Encoding(bits=8, dither=True)
    codes = how.run(device, tile)
    exact = CURVES["srgb"].encoded(0.2) * 255
    assert abs(codes.mean() - exact) < 0.02
    assert set(np.unique(codes)) == {math.floor(exact), math.ceil(exact)}
    assert (how.run(device, tile.cut(Window(7, 31, 40, 77))) == codes[:, 7:47, 31:108]).all()


def test_every_instruction_set_gives_the_same_codes() -> None:
    random = np.random.default_rng(3)
    array = (random.random((4, 33, 71), dtype=np.float32) * 1.4 - 0.2)
    tile = Tile(array, Window(0, 0, 33, 71), Window(0, 0, 33, 71).shape, (*COLOUR, COVERAGE))
    for how in (Encoding(), Encoding(space=ROMM, bits=8, dither=True)):
        first = how.run(CpuDevice(), tile)
        assert first.shape == (4, 33, 71)
        assert first.dtype == how.dtype
        assert (first[3] == np.rint(array[3].clip(0, 1) * np.float32(2**how.bits - 1))).all()
        for variant in native.built_variants():
            assert (how.run(CpuDevice(variant), tile) == first).all()


@pytest.mark.parametrize("space", SPACES.values(), ids=SPACES)
def test_profiles_mean_what_the_encoding_does(space: Space) -> None:
    """LittleCMS (by imagecodecs) takes our code values through our profile to XYZ, in float."""
    own, working = inside(space, 1000)
    values = encoded(working, space=space, gamut="limit").astype(np.float64)[None] / 65535
    xyz = imagecodecs.cms_transform(
        values, profile(space), imagecodecs.cms_profile("xyz"), colorspace="rgb", outcolorspace="xyz",
    )[0]
    assert np.abs(xyz - own @ np.array(rgb_to_pcs(space)).T).max() < 6e-5


@pytest.mark.parametrize("space", SPACES.values(), ids=SPACES)
def test_profiles_agree_with_our_encodings_through_littlecms(space: Space) -> None:
    """sRGB code values by LittleCMS to another of our spaces: greys in 16 bits, colours in float as linear light.

    A profile states its matrix in steps of 1/65536, and BT.2020's constants leave a gap at the joint of its curve: near
    black these show in code values more than in light, hence the comparison in light.
    """
    greys = np.repeat(np.linspace(0, 1, 4001)[:, None], 3, 1)
    ours = encoded(greys, space=space).astype(np.float64) / 65535
    theirs = imagecodecs.cms_transform(encoded(greys)[None], profile(SRGB), profile(space), **PLAIN)[0] / 65535
    level = np.abs(greys[:, 0] - CURVES[space.curve].limit) > 2e-4
    assert np.abs(theirs - ours)[level].max() < 4e-5
    assert np.abs(theirs - ours)[level].mean() < 2e-5
    _, working = inside(SRGB, 2000)
    decoded = np.vectorize(CURVES[space.curve].decoded)
    ours = decoded(encoded(working, space=space, gamut="limit").astype(np.float64) / 65535)
    values = encoded(working, gamut="limit").astype(np.float64)[None] / 65535
    theirs = decoded(imagecodecs.cms_transform(values, profile(SRGB), profile(space), **PLAIN)[0])
    assert np.abs(theirs - ours).max() < 6e-5


def test_our_srgb_is_littlecmss_own() -> None:
    codes = encoded(inside(SRGB, 1000)[1], gamut="limit")
    theirs = imagecodecs.cms_transform(codes[None], profile(SRGB), imagecodecs.cms_profile("srgb"), **PLAIN)[0]
    assert np.abs(theirs.astype(np.int64) - codes)[codes > 3000].max() <= 2


def test_profiles_are_well_formed_and_always_the_same() -> None:
    for space in SPACES.values():
        for linear in (False, True):
            made = profile(space, linear)
            assert made == profile.__wrapped__(space, linear)
            assert int.from_bytes(made[:4], "big") == len(made)
            assert made[8:12] == bytes([4, 0x40, 0, 0])
            assert len(made) % 4 == 0
            imagecodecs.cms_profile_validate(made)
    assert np.abs(np.array(imagecodecs.cms_transform(
        np.full((1, 1, 3), 30000, np.uint16), profile(SRGB, True), profile(REC2020, True), **PLAIN,
    ), np.int64) - 30000).max() <= 1
