"""White balance and tone curve: neutral where they should be, monotone, hue kept, the same bits everywhere."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.colour.spaces import REC2020, flat, luminance_row, rgb_to_xyz
from tilepipe.colour.white import D65, kelvin_duv, white_xy, xyz_of
from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.tone_curve import ToneCurve, curve_table, knot_values, monotone_slopes, through_points
from tilepipe.stages.white_balance import WhiteBalance

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

AS_SHOT = {"as_shot": {"kelvin": 5210.0, "duv": 0.004}}
CURVE = ToneCurve.model_validate({
    "points": [{"at": "-6EV", "to": "-5EV"}, {"at": "-2.5EV", "to": "-2.5EV"}, {"at": "1EV", "to": "0.4EV"}],
    "black": "-9EV", "white": "0.3EV", "lift": "-8EV",
})
STAGES = {
    "white balance": WhiteBalance.model_validate({"kelvin": "6700K", "duv": -0.004}),
    "tone curve": CURVE,
    "tone curve, points": ToneCurve(points=CURVE.points),
}


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def picture(planes: tuple[str, ...] = COLOUR) -> Tile:
    random = np.random.default_rng(5)
    array = np.exp2(random.uniform(-20, 8, (len(planes), 61, 93))).astype(np.float32)
    array[:3][random.random((3, 61, 93)) < 0.1] *= -1
    return Tile(array, Window(0, 0, 61, 93), Shape(61, 93), planes)


def greys(device: CpuDevice, stage: Any, values: Any, facts: Any = AS_SHOT) -> Any:
    line = np.broadcast_to(np.asarray(values, np.float32), (3, 1, len(values))).copy()
    window = Window(0, 0, 1, len(values))
    return stage.run(device, Tile(line, window, window.shape), window, facts).array[:, 0]


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


@pytest.mark.parametrize("name", STAGES)
def test_windows_and_instruction_sets_give_the_same_bits(device: CpuDevice, name: str) -> None:
    tile = picture((*COLOUR, COVERAGE))
    whole = STAGES[name].run(device, tile, tile.window, AS_SHOT)
    assert np.isfinite(whole.array).all()
    assert (bits(whole.array[3]) == bits(tile.array[3])).all()
    for window in (Window(3, 5, 17, 31), Window(60, 92, 1, 1)):
        part = STAGES[name].run(device, tile, window, AS_SHOT)
        assert (bits(part.array) == bits(whole.cut(window).array)).all()
    for variant in native.built_variants():
        other = STAGES[name].run(CpuDevice(variant), tile, tile.window, AS_SHOT)
        assert (bits(other.array) == bits(whole.array)).all()


def test_defaults_are_neutral() -> None:
    assert WhiteBalance().is_neutral()
    assert ToneCurve().is_neutral()
    assert ToneCurve.model_validate({"points": [{"at": "-3EV", "to": "-3EV"}]}).is_neutral()
    assert not any(stage.is_neutral() for stage in STAGES.values())


def test_stating_the_light_as_shot_changes_no_bit(device: CpuDevice) -> None:
    tile = picture()
    stated = WhiteBalance.model_validate({"kelvin": "5210K", "duv": 0.004})
    assert (bits(stated.run(device, tile, tile.window, AS_SHOT).array) == bits(tile.array)).all()
    kelvin, duv = kelvin_duv(D65)
    unknown = WhiteBalance.model_validate({"kelvin": f"{kelvin!r}K", "duv": duv})
    assert (bits(unknown.run(device, tile, tile.window, {}).array) == bits(tile.array)).all()


def test_greys_stay_grey(device: CpuDevice) -> None:
    values = np.exp2(np.linspace(-26, 17, 4001)).astype(np.float32)
    values[:40] = np.linspace(-2, 0, 40)
    for stage in (CURVE, ToneCurve(), STAGES["tone curve, points"]):
        red, green, blue = greys(device, stage, values)
        assert (bits(red) == bits(green)).all()
        assert (bits(red) == bits(blue)).all()
    neutral = WhiteBalance.model_validate({"kelvin": "5210K"})
    assert (bits(greys(device, neutral, values)) == bits(np.broadcast_to(values, (3, 4001)))).all()


def test_white_balance_is_cat16_between_the_two_lights() -> None:
    """Against colour-science's CAT16 von Kries transform on XYZ."""
    stage = WhiteBalance.model_validate({"kelvin": "6700K", "duv": -0.004})
    stated, as_shot = xyz_of(white_xy(6700.0, -0.004)), xyz_of(white_xy(5210.0, 0.004))
    theirs = colour.adaptation.matrix_chromatic_adaptation_VonKries(stated, as_shot, "CAT16")
    to_xyz = np.array(rgb_to_xyz(REC2020))
    expected = np.linalg.inv(to_xyz) @ theirs @ to_xyz
    assert np.abs(np.array(stage.matrix(AS_SHOT)) - expected).max() < 1e-12


def test_higher_kelvin_is_warmer_and_higher_duv_more_magenta(device: CpuDevice) -> None:
    red, green, blue = greys(device, WhiteBalance.model_validate({"kelvin": "6700K"}), [0.18])
    assert red > green > blue
    red, green, blue = greys(device, WhiteBalance.model_validate({"duv": 0.012}), [0.18])
    assert min(red, blue) > green
    row = np.array(flat(WhiteBalance.model_validate({"kelvin": "4000K"}).matrix({}))).reshape(3, 3).sum(1)
    assert abs(row @ luminance_row() - 1) < 0.08  # brightness stays about the same


def test_kelvin_alone_keeps_the_cameras_duv() -> None:
    alone = WhiteBalance.model_validate({"kelvin": "6700K"}).matrix(AS_SHOT)
    both = WhiteBalance.model_validate({"kelvin": "6700K", "duv": 0.004}).matrix(AS_SHOT)
    assert alone == both


def test_a_neutral_curve_is_the_identity_at_its_knots() -> None:
    table = curve_table(lambda value: value)
    assert table.astype(np.float64).tolist() == knot_values()
    assert knot_values()[0] == 2.0**-24
    assert knot_values()[-1] == 2.0**16


def test_the_curve_goes_through_its_points(device: CpuDevice) -> None:
    stage = STAGES["tone curve, points"]
    at = [point.at for point in stage.points]
    red, *_ = greys(device, stage, np.exp2(at))
    assert np.abs(np.log2(red) - [point.to for point in stage.points]).max() < 1e-5
    outside = greys(device, stage, np.exp2([-12.0, -6.5, 1.5, 7.0]))[0]
    assert np.abs(np.log2(outside) - [-11.0, -5.5, 0.9, 6.4]).max() < 1e-5


def test_the_curve_follows_its_formula_and_never_falls(device: CpuDevice) -> None:
    values = np.exp2(np.linspace(-23, 15, 20011)).astype(np.float32)
    for stage in (CURVE, STAGES["tone curve, points"]):
        shown = greys(device, stage, values)[0].astype(np.float64)
        assert (np.diff(shown) >= -2e-7 * shown[1:]).all()
        lift = 2.0**stage.lift if stage.lift is not None else 0.0
        expected = np.array([stage.curve(float(value)) for value in values[::97]]) * (1 - lift) + lift
        assert np.abs(np.log2(shown[::97] / expected)).max() < 1e-4


def test_black_white_and_lift_do_what_they_say(device: CpuDevice) -> None:
    black = greys(device, ToneCurve.model_validate({"black": "-8EV"}), np.exp2([-8.0, -12.0, 0.0]))[0]
    assert np.log2(black[0]) == pytest.approx(-9.0, abs=0.01)
    assert np.log2(black[1]) < -15.9
    assert black[2] == pytest.approx(1.0, abs=1e-6)
    assert greys(device, ToneCurve.model_validate({"white": "1EV"}), [2.0])[0] == pytest.approx(1.0, abs=1e-6)
    lift = greys(device, ToneCurve.model_validate({"lift": "-7EV"}), [0.0, 1.0])[0]
    assert lift.tolist() == pytest.approx([2.0**-7, 1.0], abs=1e-6)


def test_regions_move_their_tones_and_no_others(device: CpuDevice) -> None:
    stage = ToneCurve.model_validate({"regions": [
        {"around": "-6EV", "reach": "2EV", "stops": "0.8EV"}, {"around": "-2EV", "stops": "-0.5EV"},
    ]})
    stops = np.linspace(-12, 4, 1601)
    moved = np.log2(greys(device, stage, np.exp2(stops))[0].astype(np.float64)) - stops
    expected = sum(size * np.clip(1 - ((stops - at) / 2) ** 2, 0, 1) ** 2 for at, size in ((-6, 0.8), (-2, -0.5)))
    assert np.abs(moved - expected).max() < 1e-4
    assert not stage.is_neutral()
    assert ToneCurve.model_validate({"regions": [{"around": "-2EV", "stops": "0EV"}]}).is_neutral()


def test_ratios_between_channels_stay(device: CpuDevice) -> None:
    tile = picture()
    result = STAGES["tone curve, points"].run(device, tile, tile.window, {}).array
    ratio = result.astype(np.float64) / tile.array
    assert np.abs(ratio / ratio[0] - 1).max() < 3e-7


def test_slopes_are_monotone_and_continuous() -> None:
    at, to = [-6.0, -5.0, -1.0, 0.0, 0.5], [-9.0, -4.0, -3.9, -3.9, 2.0]
    slopes = monotone_slopes(at, to)
    stops = np.linspace(-8, 3, 40001)
    values = np.array([through_points(at, to, float(one)) for one in stops])
    assert (np.diff(values) >= -1e-12).all()
    for k, slope in enumerate(slopes[1:-1], 1):
        around = [through_points(at, to, at[k] + d) for d in (-1e-6, 0.0, 1e-6)]
        assert (around[1] - around[0]) / 1e-6 == pytest.approx(slope, abs=1e-4)
        assert (around[2] - around[1]) / 1e-6 == pytest.approx(slope, abs=1e-4)


@pytest.mark.parametrize(("stage", "given", "message"), [
    (ToneCurve, {"points": [{"at": "0EV", "to": "0EV"}, {"at": "-1EV", "to": "1EV"}]}, "dark to bright"),
    (ToneCurve, {"points": [{"at": "0EV", "to": "0EV"}, {"at": "1EV", "to": "-1EV"}]}, "must not fall"),
    (ToneCurve, {"black": -8}, "needs a unit"),
    (ToneCurve, {"regions": [{"around": "-4EV", "reach": "1EV", "stops": "1EV"}]}, "change places around -3"),
    (WhiteBalance, {"kelvin": "1000K"}, "greater than or equal to 2000"),
    (WhiteBalance, {"kelvin": "2000K", "duv": 0.03}, "no light"),
])
def test_what_cannot_be_is_refused(stage: Any, given: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        stage.model_validate(given)
