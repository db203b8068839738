"""Exposure: an exact gain, and the measured one that brings scenes of any base frame to a like brightness."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe import process
from tilepipe.errors import PlanError
from tilepipe.geometry import Shape
from tilepipe.measure.reduced import ReducedFrame, Survey, SurveyGrid
from tilepipe.measure.scene_light import scene_light
from tilepipe.stages.exposure import FOLLOW, MOST_EV, TARGET_EV, Exposure, measured_stops


def _frame(light: float, clip_from: float) -> ReducedFrame:
    """A frame of an invented scene: a ramp of light from 2^-8 to 1, at an exposure of `light`."""
    ramp = np.exp2(np.linspace(-8.0, 0.0, 4096)).reshape(64, 64) * light
    level = np.rint(65535 * np.sqrt(np.minimum(ramp, 1.0))).astype(np.uint16)
    state = (ramp >= clip_from).astype(np.uint16)
    return ReducedFrame("f", light, True, level, state, np.zeros((6, 1, 1), np.int64), 0)


def test_the_log_average_is_the_scenes_whatever_frame_is_the_base() -> None:
    lights = [0.25, 1.0, 4.0]
    survey = Survey(SurveyGrid(Shape(64, 64)), tuple(_frame(light, 0.98) for light in lights))
    found = scene_light(survey, lights, [0, 1, 2])
    assert found["log_average_stops"] == pytest.approx(-4.0, abs=0.01)  # the ramp's mean stop
    assert found["bright_stops"] == pytest.approx(-8.0 * 0.02, abs=0.1)  # 2 % of the ramp lie above
    assert found["middle_stops"] == pytest.approx(-2.55, abs=0.05)  # of the ramp's part that the base shows with L* 35 to 65
    assert found["middle_shown_stops"] == found["middle_stops"]  # these frames are linear
    darker = [light / 0.25 for light in lights]  # the darkest frame as the base
    again = scene_light(survey, darker, [0, 1, 2])
    assert again["log_average_stops"] == pytest.approx(found["log_average_stops"] - 2.0, abs=1e-9)
    assert again["bright_stops"] == pytest.approx(found["bright_stops"] - 2.0, abs=1 / 16)


def test_middle_tones_stay_as_bright_as_the_base_shows_them() -> None:
    stage = Exposure.model_validate({"stops": "measured"})
    scene = {"log_average_stops": -9.0, "bright_stops": 2.0, "middle_stops": -3.25, "middle_shown_stops": -2.5}
    assert stage.stops_for({"scene": scene}) == 0.75
    none = scene | {"middle_stops": None, "middle_shown_stops": None}
    assert stage.stops_for({"scene": none}) == measured_stops(-9.0, 2.0)


def test_measured_goes_part_of_the_way_and_no_further_than_it_may() -> None:
    assert measured_stops(TARGET_EV, -1.0) == 0.0
    assert measured_stops(TARGET_EV - 2.0, -1.0) == pytest.approx(2.0 * FOLLOW, abs=1 / 64)
    assert measured_stops(-40.0, -40.0) == MOST_EV
    assert measured_stops(40.0, 40.0) == -MOST_EV


def test_a_bright_end_holds_the_exposure_back() -> None:
    assert measured_stops(-4.0, 6.0) == pytest.approx(-1.0, abs=1 / 64)


def test_measured_needs_a_measurement() -> None:
    stage = Exposure.model_validate({"stops": "measured"})
    assert not stage.is_neutral()
    assert stage.stops_for({"scene": {"log_average_stops": TARGET_EV, "bright_stops": -1.0}}) == 0.0
    with pytest.raises(PlanError, match="not measured"):
        process([np.full((8, 8, 3), 0.5, np.float32)], steps=[{"exposure": {"stops": "measured"}}])


def test_values_have_units_and_bounds() -> None:
    assert Exposure.model_validate({"stops": "+1EV"}).parameters() == {"stops": "1.0EV"}
    for wrong in (1, "1", "11EV", "guessed"):
        with pytest.raises(ValidationError):
            Exposure.model_validate({"stops": wrong})


def test_the_gain_is_exact() -> None:
    frame = np.linspace(-0.5, 3.0, 8 * 9 * 3, dtype=np.float32).reshape(8, 9, 3)
    assert (process([frame], steps=[{"exposure": {"stops": "-3EV"}}]) == frame / 8).all()
