"""Straighten, crop and resize: sizes, places, exact windows, coverage, and pictures that stay what they are."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe.device import exact, native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.geometry import Shape, Window
from tilepipe.stages.crop import Crop
from tilepipe.stages.resize import Resize, samples_of, tap_count, weight_table
from tilepipe.stages.straighten import Straighten, largest_inside

SHAPE = Shape(83, 117)
STAGES: dict[str, Any] = {
    "straighten": Straighten.model_validate({"turn": "3.2deg"}),
    "straighten, corners kept": Straighten.model_validate({"turn": "-21deg", "corners": "keep"}),
    "crop": Crop(left=0.2, top=0.1, width=0.5, height=0.7),
    "crop by shape": Crop.model_validate({"shape": "16:9", "centre": {"left": 0.2, "top": 0.9}}),
    "smaller": Resize.model_validate({"long_side": "43px"}),
    "a little smaller": Resize.model_validate({"long_side": "97%"}),
    "much smaller": Resize.model_validate({"long_side": "5px"}),
    "larger": Resize.model_validate({"long_side": "171%"}),
}


class WithoutDrivers:
    """The CPU's device as a device that has launches only."""

    def __init__(self, device: CpuDevice) -> None:
        for name in ("empty", "tile", "plane", "planes", "launch", "upload"):
            setattr(self, name, getattr(device, name))


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def picture(shape: Shape = SHAPE, planes: tuple[str, ...] = COLOUR) -> Tile:
    random = np.random.default_rng(4)
    array = (random.random((len(planes), shape.height, shape.width), dtype=np.float32) - 0.1) * 8
    if COVERAGE in planes:
        array[-1] = 1
        array[-1, :20, :31] = 0
        array[-1, 20, :31] = 0.25
        array[:-1] *= array[-1] > 0
    return Tile(array, shape.whole, shape, planes)


def poisoned(tile: Tile, window: Window) -> Tile:
    array = np.full((len(tile.planes), window.height + 6, window.width + 22), np.nan, np.float32)
    array[:, 3:-3, 11:-11] = tile.cut(window).array
    return Tile(array[:, 3:-3, 11:-11], window, tile.picture, tile.planes)


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.parametrize("planes", [COLOUR, (*COLOUR, COVERAGE)], ids=["colour", "coverage"])
def test_windows_devices_and_instruction_sets_give_the_same_bits(
    device: CpuDevice, name: str, planes: tuple[str, ...]
) -> None:
    stage, tile = STAGES[name], picture(planes=planes)
    shape = stage.output_shape(SHAPE)
    whole = stage.run(device, tile, shape.whole, {})
    assert np.isfinite(whole.array).all()
    assert whole.planes == stage.output_planes(planes, SHAPE)
    for window in (Window(0, 0, 2, 3), Window(3, 4, 17, 9), Window(20, 0, 60, 200), Window(0, 30, 100, 1)):
        part = window.cut(shape)
        if part.pixels:
            given = poisoned(tile, stage.input_window(part, SHAPE, {}))
            assert (bits(stage.run(device, given, part, {}).array) == bits(whole.cut(part).array)).all()
    others = [CpuDevice(variant) for variant in native.built_variants()] + [WithoutDrivers(device)]
    for other in others:
        assert (bits(stage.run(other, tile, shape.whole, {}).array) == bits(whole.array)).all()


@pytest.mark.parametrize("name", STAGES)
def test_constants_stay_exact(device: CpuDevice, name: str) -> None:
    tile = picture(planes=(*COLOUR, COVERAGE))
    tile.array[:3] = np.where(tile.array[3] > 0, np.float32(1 / 3), np.float32(0))
    result = STAGES[name].run(device, tile, STAGES[name].output_shape(SHAPE).whole, {})
    covered = result.plane(COVERAGE) > 0
    assert (bits(result.array[:3, covered]) == bits(np.float32(1 / 3))).all()
    assert not result.array[:3, ~covered].any()


@pytest.mark.parametrize("name", ["smaller", "a little smaller", "much smaller"])
def test_full_coverage_changes_no_bit(device: CpuDevice, name: str) -> None:
    plain = picture()
    array = np.concatenate([plain.array, np.ones((1, 83, 117), np.float32)])
    full = Tile(array, SHAPE.whole, SHAPE, (*COLOUR, COVERAGE))
    shape = STAGES[name].output_shape(SHAPE)
    first, second = (STAGES[name].run(device, tile, shape.whole, {}) for tile in (plain, full))
    assert (bits(first.array) == bits(second.array[:3])).all()
    assert (second.array[3] == 1).all()


@pytest.mark.parametrize("name", STAGES)
def test_places_go_where_to_output_says(device: CpuDevice, name: str) -> None:
    """A picture of its own coordinates, slow enough for every filter."""
    y, x = np.mgrid[:83, :117].astype(np.float32)
    tile = Tile(np.stack([x, y, x + y]), SHAPE.whole, SHAPE)
    stage = STAGES[name]
    shape = stage.output_shape(SHAPE)
    result = stage.run(device, tile, shape.whole, {}).array.astype(np.float64)
    out_y, out_x = np.mgrid[: shape.height, : shape.width].astype(np.float64)
    back = np.linalg.inv(np.array(stage.to_output(SHAPE)))
    at_x, at_y, w = np.tensordot(back, np.stack([out_x, out_y, np.ones_like(out_x)]), 1)
    margin = 3.5 * SHAPE.width / shape.width + 3
    deep = (at_x > margin) & (at_x < 116 - margin) & (at_y > margin) & (at_y < 82 - margin)
    position = 1 / 128 if isinstance(stage, Resize) and shape.width < 117 else 1 / 1024  # rounded to half of this each
    assert np.abs(result[0] - at_x / w)[deep].max(initial=0) < position + 1e-4
    assert np.abs(result[1] - at_y / w)[deep].max(initial=0) < position + 1e-4


def test_neutral_steps() -> None:
    assert Straighten().is_neutral()
    assert Crop().is_neutral()
    assert Resize().is_neutral()
    assert not any(stage.is_neutral() for stage in STAGES.values())


def test_the_largest_rectangle_is_the_largest() -> None:
    """Against a search over all centred rectangles that fit, float64."""
    for height, width, degrees in ((60.0, 90.0, 5.0), (90.0, 60.0, 12.0), (50.0, 200.0, 30.0), (70.0, 70.0, 45.0)):
        sine, cosine = math.sin(math.radians(degrees)), math.cos(math.radians(degrees))
        high, wide = largest_inside(height, width, sine, cosine)
        tries = np.linspace(0.01, width, 20000)
        fits = np.minimum((width - tries * cosine) / sine, (height - tries * sine) / cosine)
        assert high * wide == pytest.approx((tries * np.maximum(fits, 0)).max(), rel=1e-4)
        assert wide * cosine + high * sine <= width + 1e-9
        assert wide * sine + high * cosine <= height + 1e-9


def test_straighten_turns_clockwise_and_fills_its_frame(device: CpuDevice) -> None:
    stage = STAGES["straighten"]
    assert not stage.warp(SHAPE).leaves_input
    right_of_centre = exact.matrix_vector(stage.to_output(SHAPE), (58.0 + 40.0, 41.0, 1.0))
    shape = stage.output_shape(SHAPE)
    assert right_of_centre[1] > (shape.height - 1) / 2 + 2  # goes down
    kept = STAGES["straighten, corners kept"]
    grown = kept.output_shape(SHAPE)
    assert grown.height > 83
    assert grown.width > 117
    cover = kept.run(device, picture(), grown.whole, {}).plane(COVERAGE)
    assert cover.sum() == pytest.approx(SHAPE.pixels, rel=0.01)
    assert not cover[0, 0]


def test_crop_places_fractions_of_the_base_frame() -> None:
    assert Crop(left=0.25, top=0.5, width=0.5, height=0.25).window(Shape(100, 200)) == Window(50, 50, 25, 100)
    assert Crop.model_validate({"shape": "2:1"}).window(Shape(100, 150)) == Window(13, 0, 75, 150)
    square = Crop.model_validate({"shape": "1:1", "centre": {"left": 0.9}})
    assert square.window(Shape(100, 200)) == Window(0, 100, 100, 100)


def test_crop_after_other_geometry_keeps_to_the_base_frame() -> None:
    base = Shape(400, 600)
    stage = Crop(left=0.3, top=0.4, width=0.2, height=0.2)
    half = Resize.model_validate({"long_side": "50%"})
    after = stage.located(base, half.to_output(base)).window(half.output_shape(base))
    assert after == Window(80, 90, 40, 60)
    turn = Straighten.model_validate({"turn": "2deg"})
    turned = turn.output_shape(base)
    window = stage.located(base, turn.to_output(base)).window(turned)
    assert (window.height, window.width) == (80, 120)
    middle_x, middle_y, _ = exact.matrix_vector(turn.to_output(base), (0.4 * 600 - 0.5, 0.5 * 400 - 0.5, 1.0))
    assert abs(window.y + 39.5 - middle_y) <= 0.5
    assert abs(window.x + 59.5 - middle_x) <= 0.5
    assert stage.parameters() == stage.located(base, turn.to_output(base)).parameters()


def test_resized_sizes() -> None:
    assert Resize.model_validate({"long_side": "43px"}).output_shape(SHAPE) == Shape(31, 43)
    assert Resize.model_validate({"long_side": "50%"}).output_shape(Shape(83, 117)) == Shape(42, 59)
    assert Resize.model_validate({"long_side": "1px"}).output_shape(Shape(1, 999)) == Shape(1, 1)


def test_reduction_weights_add_up_to_one_and_read_inside() -> None:
    for sizes in ((117, 43), (117, 113), (117, 5), (9, 8)):
        table = weight_table(*sizes).astype(np.float64) * (1 << 23)
        assert (table == np.rint(table)).all()
        assert (table.sum(2) == 1 << 23).all()
        assert table[:, 1].min() >= 0
        assert table.shape == (128, 2, tap_count(*sizes))
        assert samples_of(0, sizes[1], *sizes) == (0, sizes[0])


def test_reduction_keeps_means_and_suppresses_what_it_cannot_show(device: CpuDevice) -> None:
    y, x = np.mgrid[:240, :360].astype(np.float64)
    shape = Shape(240, 360)
    stage = Resize.model_validate({"long_side": "90px"})
    slow = 1 + 0.5 * np.sin(2 * np.pi * (x * 0.03 + y * 0.02))  # 0.14 cycles per output pixel
    fast = 1 + 0.5 * np.sin(2 * np.pi * (x * 0.21 + y * 0.05))  # 0.86: cannot be shown
    tile = Tile(np.stack([slow, fast, slow * fast]).astype(np.float32), shape.whole, shape)
    result = stage.run(device, tile, stage.output_shape(shape).whole, {}).array
    out_y, out_x = np.mgrid[:60, :90]
    expected = 1 + 0.5 * np.sin(2 * np.pi * ((out_x * 4 + 1.5) * 0.03 + (out_y * 4 + 1.5) * 0.02))
    assert np.abs(result[0] - expected)[4:-4, 4:-4].max() < 0.01
    assert np.abs(result[1] - 1)[4:-4, 4:-4].max() < 0.01
    area = cv2.resize(tile.array[2], (90, 60), interpolation=cv2.INTER_AREA)
    assert abs(float(result[2].mean()) - float(area.mean())) < 1e-3  # cv2's area average


def test_reduction_makes_no_dark_ring_around_the_sun(device: CpuDevice) -> None:
    y, x = np.mgrid[:240, :360]
    scene = np.where((y - 120) ** 2 + (x - 150) ** 2 < 900, 4000.0, 0.5 + 0.001 * y).astype(np.float32)
    shape = Shape(240, 360)
    tile = Tile(np.stack([scene] * 3), shape.whole, shape)
    for size in ("90px", "77%", "500px"):
        stage = Resize.model_validate({"long_side": size})
        result = stage.run(device, tile, stage.output_shape(shape).whole, {}).array
        assert result.min() >= scene.min()
        assert result.max() <= 4000


@pytest.mark.parametrize(("stage", "given", "message"), [
    (Straighten, {"turn": "50deg"}, "less than or equal to 45"),
    (Crop, {"left": 0.5, "width": 0.6}, "beyond the base frame"),
    (Crop, {"left": 0.5, "shape": "16:9"}, "not both"),
    (Crop, {"shape": "wide"}, "width:height"),
    (Crop, {"shape": "16:0"}, "width:height"),
    (Crop, {"centre": {"left": 0.5}}, "belongs to a shape"),
    (Resize, {"long_side": "0.5px"}, "at least 1px"),
    (Resize, {"long_side": 2000}, "needs a unit"),
])
def test_what_cannot_be_is_refused(stage: Any, given: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        stage.model_validate(given)
