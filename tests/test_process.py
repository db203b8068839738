"""`process` on arrays: same bits at every tile, level and worker count; clear errors for arrays that cannot be used."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tilepipe import process
from tilepipe.errors import InputError, RecipeError

Pixels = npt.NDArray[Any]
STEPS: list[Any] = [
    {"blend": {"method": "radiance"}}, {"exposure": {"stops": "+0.5EV"}}, {"local_contrast": {"range": 0.5, "detail": 1.2}},
]
EXPOSURES = [0.25, 1.0, 4.0]


@pytest.fixture(scope="module")
def bracket() -> list[Pixels]:
    """An invented scene of smooth light, an edge and noise, seen at three exposures."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[0:277, 0:331].astype(np.float64)
    light = 0.05 + 0.4 * (1 + np.sin(x / 37) * np.cos(y / 23)) + np.where(x > y, 2.0, 0.0)
    scene = light[..., None] * np.array([1.0, 0.8, 0.6])
    return [
        np.minimum(scene * gain + rng.normal(0, 0.002, scene.shape), 1.0).astype(np.float32) for gain in EXPOSURES
    ]


def _bits(pixels: Pixels) -> Pixels:
    return np.ascontiguousarray(pixels).view(np.uint32)


@pytest.fixture(scope="module")
def whole(bracket: list[Pixels]) -> Pixels:
    return process(bracket, EXPOSURES, STEPS, tile=512, workers=1, level=2)


@pytest.mark.parametrize(("tile", "level", "workers"), [(128, 3, 2), (256, 1, 1), (384, 6, 2), (128, 5, 1)])
def test_tile_level_and_workers_do_not_touch_a_bit(
    bracket: list[Pixels], whole: Pixels, tile: int, level: int, workers: int
) -> None:
    made = process(bracket, EXPOSURES, STEPS, tile=tile, level=level, workers=workers)
    assert (_bits(made) == _bits(whole)).all()


def test_fusion_is_the_same_at_every_tile(bracket: list[Pixels]) -> None:
    steps = [{"blend": {"method": "fusion"}}]
    first = process(bracket, EXPOSURES, steps, tile=512, level=2)
    second = process(bracket, EXPOSURES, steps, tile=128, level=4)
    assert (_bits(first) == _bits(second)).all()


@pytest.mark.parametrize("shape", [(1, 1), (2, 300), (5, 300), (300, 6), (40, 33)])
@pytest.mark.parametrize("depth", ["paper", "full"])
def test_fusion_takes_small_and_narrow_pictures(shape: tuple[int, int], depth: str) -> None:
    """The published formula has few levels there, or none; whichever is handed over, the bits are one."""
    rng = np.random.default_rng(3)
    light = rng.random((*shape, 3))
    frames = [np.minimum(light * gain, 1.0).astype(np.float32) for gain in EXPOSURES]
    steps = [{"blend": {"method": "fusion", "depth": depth}}]
    made = [process(frames, EXPOSURES, steps, tile=tile, level=level) for tile, level in ((512, 1), (128, 6))]
    assert (_bits(made[0]) == _bits(made[1])).all()


def test_kept_corners_come_with_their_coverage(bracket: list[Pixels]) -> None:
    steps = [STEPS[0], {"straighten": {"turn": "3deg", "corners": "keep"}}]
    made = process(bracket, EXPOSURES, steps, tile=128)
    assert made.shape[2] == 4
    assert made[0, 0, 3] == 0.0
    assert made[made.shape[0] // 2, made.shape[1] // 2, 3] == 1.0
    assert (_bits(made) == _bits(process(bracket, EXPOSURES, steps, tile=512))).all()


def test_one_frame_needs_no_blend() -> None:
    frame = np.linspace(0, 1, 60 * 50 * 3, dtype=np.float32).reshape(60, 50, 3)
    assert (process([frame], steps=[{"exposure": {"stops": "+1EV"}}]) == 2 * frame).all()


def test_sixteen_bit_frames_are_read_exactly() -> None:
    codes = np.arange(65536, dtype=np.uint16).reshape(64, 1024)
    frame = np.repeat(codes[..., None], 3, axis=2)
    expected = (codes.astype(np.float64) / 65535).astype(np.float32)
    assert (process([frame])[..., 1] == expected).all()


def test_the_order_of_frames_does_not_matter(bracket: list[Pixels], whole: Pixels) -> None:
    order = [2, 0, 1]
    made = process([bracket[index] for index in order], [EXPOSURES[index] for index in order], STEPS)
    assert (_bits(made) == _bits(whole)).all()


@pytest.mark.parametrize(
    ("frames", "exposures", "text"),
    [
        ([], None, "no frames"),
        ([np.zeros((4, 4), np.float32)], None, "wrong shape"),
        ([np.zeros((4, 4, 3), np.int32)], None, "not read"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, None, "exposures are unknown"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, [1.0], "one number per frame"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, [1.0, -1.0], "positive"),
        ([np.zeros((4, 4, 3), np.float32), np.zeros((5, 4, 3), np.float32)], [1.0, 2.0], "different sizes"),
        ([np.full((4, 4, 3), np.nan, np.float32)], None, "not finite"),
        ([[[[0, 0, 0]], [[0, 0, 0], [0, 0, 0]]]], None, "not read"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, ["1", "4"], "positive"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, "14", "not a list"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, [True, 4], "positive"),
        ([np.zeros((4, 4, 3), np.float32)] * 2, [2.0, 2.05], "same exposure"),
        ([np.zeros((4, 4, 3), np.float32)] * 17, [2.0**stop for stop in range(17)], "more frames than can be joined"),
    ],
)
def test_arrays_that_cannot_be_used_are_refused(frames: list[Pixels], exposures: list[float] | None, text: str) -> None:
    with pytest.raises(InputError, match=text):
        process(frames, exposures)


def test_a_fault_in_the_steps_is_a_recipe_fault() -> None:
    with pytest.raises(RecipeError, match="exposur"):
        process([np.zeros((4, 4, 3), np.float32)], steps=[{"exposur": {"stops": "+1EV"}}])


def test_byte_order_does_not_change_values() -> None:
    codes = np.arange(48, dtype=np.uint16).reshape(4, 4, 3) * 1000
    assert (process([codes.astype(">u2")]) == process([codes])).all()


def test_an_unknown_encoding_is_refused() -> None:
    with pytest.raises(InputError, match="encoding"):
        process([np.zeros((4, 4, 3), np.float32)], encoding="sRGB")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("workers", -1), ("workers", 0), ("workers", 1.5), ("workers", True), ("tile", 10), ("tile", -256), ("level", 0),
        ("level", 99),
    ],
)
def test_settings_that_cannot_be_used_are_refused(name: str, value: Any) -> None:
    with pytest.raises(InputError, match=f"{name}: cannot be used"):
        process([np.zeros((4, 4, 3), np.float32)], **{name: value})


def test_all_faults_are_told_at_once() -> None:
    frames = [np.zeros((4, 4, 3), np.int8), np.zeros((4, 4), np.float32)]
    with pytest.raises(InputError) as caught:
        process(frames, [1.0, "x"], encoding="none", workers=-1, tile=0)  # type: ignore[arg-type, list-item]
    where = {fault.where for fault in caught.value.faults}
    assert where == {"frames[0]", "frames[1]", "exposures", "encoding", "workers", "tile"}


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1), (2, 3)])
@pytest.mark.parametrize("method", ["radiance", "fusion"])
def test_the_smallest_pictures_are_pictures(shape: tuple[int, int], method: str) -> None:
    steps = [{"blend": {"method": method}}, {"local_contrast": {"range": 0.5}}, "display"]
    flat = process([np.full((64, 64, 3), light, np.float32) for light in (0.1, 0.4)], [1.0, 4.0], steps)
    made = process([np.full((*shape, 3), light, np.float32) for light in (0.1, 0.4)], [1.0, 4.0], steps)
    assert made.shape == (*shape, 3)
    assert np.ptp(made) == 0.0
    assert abs(float(made[0, 0, 0]) - float(flat[32, 32, 0])) < 1e-6  # a flat picture is as bright at any size


def test_sixteen_frames_are_joined() -> None:
    lights = [2.0 ** (stop / 4) for stop in range(16)]
    frames = [np.full((5, 4, 3), 0.05 * light, np.float32) for light in lights]
    merged = process(frames, lights, [{"blend": {"method": "radiance"}}])
    assert np.abs(merged / (0.05 * lights[8]) - 1).max() < 1e-5  # in units of the base, the middle frame
