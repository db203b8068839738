"""Healing: spots leave no trace on even and sloping light, donors keep off edges and other spots, nothing changes around."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe import process
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.chain import located
from tilepipe.recipe.steps import read_steps
from tilepipe.stages.heal import Heal
from tilepipe.stages.heal_patch import Patch, Spot, plane_through
from tilepipe.stages.heal_veil import veil_of

SHAPE = Shape(260, 330)
NOISE = 0.004
Y, X = np.mgrid[: SHAPE.height, : SHAPE.width].astype(np.float64)


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def sky(seed: int = 1) -> tuple[Any, Any]:
    """(true light, the same with noise), float64 `(3, y, x)`: an invented sloping sky, brighter towards the lower right."""
    light = 0.3 + 0.0004 * X + 0.0003 * Y + 0.01 * np.sin(X / 60.0)
    truth = np.stack([0.9 * light, light, 1.1 * light])
    return truth, truth + np.random.default_rng(seed).normal(0.0, NOISE, truth.shape)


def veiled(picture: Any, y: float, x: float, radius: float, depth: float) -> Any:
    """The picture behind a disc with a rim of 0.35 of its radius."""
    t = np.clip((radius - np.hypot(Y - y, X - x)) / (0.35 * radius) + 0.5, 0.0, 1.0)
    return picture * (1.0 - depth * t * t * (3.0 - 2.0 * t))


def place(y: float, x: float, radius: float, **more: Any) -> dict[str, Any]:
    return {"at": [(x + 0.5) / SHAPE.width, (y + 0.5) / SHAPE.height], "radius": f"{radius}px", **more}


def tile_of(picture: Any) -> Tile:
    return Tile(np.ascontiguousarray(picture, np.float32), SHAPE.whole, SHAPE)


def healed(device: CpuDevice, picture: Any, *places: dict[str, Any], side_px: int = 1024) -> Any:
    stage, whole, out = Heal.model_validate({"places": places}), tile_of(picture), np.empty_like(picture, np.float32)
    for wanted in Grid(SHAPE, side_px, side_px):
        needed = stage.input_window(wanted, SHAPE, {})
        out[:, wanted.rows, wanted.cols] = stage.run(device, whole.cut(needed), wanted, {}).array
    return out


def inside(y: float, x: float, radius: float) -> Any:
    return np.hypot(Y - y, X - x) <= radius


@pytest.mark.parametrize("see_through", [False, True])
@pytest.mark.parametrize(("y", "x", "radius", "depth"), [(120, 150, 24, 0.2), (60, 200, 9, 0.08), (6, 320, 12, 0.15)])
def test_a_spot_on_a_sloping_sky_vanishes(device: CpuDevice, y, x, radius, depth, see_through: bool):
    truth, noisy = sky()
    made = healed(device, veiled(noisy, y, x, radius, depth), place(y, x, 1.25 * radius, see_through=see_through))
    core = inside(y, x, radius)
    rest = ((made - truth) / truth)[:, core]
    assert abs(rest.mean()) <= 0.005  # the coarse part
    own = ((noisy - truth) / truth)[:, ~inside(y, x, 2 * radius)].std()
    assert 0.75 * own <= rest.std() <= 1.3 * own  # the grain of its surroundings: neither smooth nor rough


def test_beyond_the_rim_no_bit_changes(device: CpuDevice):
    _, noisy = sky()
    spotted = veiled(noisy, 120, 150, 20, 0.2).astype(np.float32)
    made = healed(device, spotted, place(120, 150, 24), place(40, 60, 8, see_through=True))
    beyond = ~inside(120, 150, 24 * 1.25 + 1) & ~inside(40, 60, 8 * 1.25 + 2)
    assert (made.view(np.uint32) == spotted.view(np.uint32))[:, beyond].all()
    assert (made != spotted)[:, inside(120, 150, 24)].any()


@pytest.mark.parametrize("side_px", [37, 64, 128])
def test_tiles_do_not_change_a_bit(device: CpuDevice, side_px: int):
    _, noisy = sky()
    spotted = veiled(veiled(noisy, 120, 150, 20, 0.2), 100, 190, 7, 0.1)
    polygon = {"polygon": [[0.1, 0.6], [0.2, 0.62], [0.18, 0.8]], "donor": [0.4, 0.7]}
    places = (place(120, 150, 24), place(100, 190, 9), place(30, 40, 6, see_through=True), polygon)
    whole = healed(device, spotted, *places)
    assert (healed(device, spotted, *places, side_px=side_px).view(np.uint32) == whole.view(np.uint32)).all()


def test_the_detail_does_not_come_from_across_an_edge(device: CpuDevice):
    truth, noisy = sky()
    land = Y > 0.05 * X + 140
    noisy = np.where(land, 0.03 + 0.02 * np.random.default_rng(3).random(noisy.shape), noisy)
    y, x, radius = 112, 150, 16  # its ring reaches across the skyline
    made = healed(device, veiled(noisy, y, x, radius, 0.2), place(y, x, 1.25 * radius))
    assert np.abs(((made - truth) / truth)[:, inside(y, x, radius)].mean()) <= 0.005
    patch = Patch(device, tile_of(noisy), Spot(y, x, 20, 20), ())
    shift = patch.donor()
    assert shift is not None
    assert not land[inside(y + shift[0], x + shift[1], 20)].any()


def test_no_donor_is_another_spot(device: CpuDevice):
    _, noisy = sky()
    spots = [Spot(130.0 + dy, 165.0 + dx, 14.0, 14.0) for dy, dx in ((0, 0), (0, 50), (50, 0), (-50, 0), (36, 36))]
    shift = Patch(device, tile_of(noisy), spots[0], spots[1:]).donor()
    assert shift is not None
    for other in spots[1:]:
        away = np.hypot(130 + shift[0] - other.y, 165 + shift[1] - other.x)
        assert away >= 28 - 1


def test_a_stated_donor_gives_the_detail(device: CpuDevice):
    _, noisy = sky()
    noisy[:, 100:112, 240:252] += 0.1 * ((X + Y) % 2)[100:112, 240:252]  # a texture that is nowhere else
    made = healed(device, noisy, place(60, 60, 6, donor=[246.5 / SHAPE.width, 106.5 / SHAPE.height]))
    assert made[1, 58:63, 58:63].std() > 0.04


def test_a_polygon_takes_a_thing_away(device: CpuDevice):
    truth, noisy = sky()
    post = (abs(X - 160) < 5) & (Y > 80) & (Y < 180)
    corners = [[150, 70], [170, 70], [170, 190], [150, 190]]
    polygon = {"polygon": [[x / SHAPE.width, y / SHAPE.height] for x, y in corners], "donor": [215 / SHAPE.width, 0.5]}
    made = healed(device, np.where(post, 0.02, noisy), polygon)
    assert np.abs(((made - truth) / truth)[:, post].mean()) <= 0.005


def test_a_veils_middle_width_and_depth_are_found(device: CpuDevice):
    _, noisy = sky()
    spotted = tile_of(veiled(noisy, 118.0, 152.0, 20.0, 0.15))
    veil = veil_of([Patch(device, spotted, Spot(120, 150, 26, 26, see_through=True), ())])
    assert abs(veil.y - 118) < 1.5
    assert abs(veil.x - 152) < 1.5
    assert abs(veil.radius - 20) < 1.5
    assert abs(veil.stops + np.log2(0.85)) < 0.01


def test_a_plane_through_whole_numbers_is_exact():
    u, v = np.meshgrid(np.arange(-5, 6), np.arange(-3, 9))
    values = [(3 + 2 * u - v) << 20, (5 - u) << 22, np.full_like(u, 7 << 24)]
    sums = [u.size, u.sum(), v.sum(), (u * u).sum(), (u * v).sum(), (v * v).sum()]
    for value in values:
        sums += [value.sum(), (value * u).sum(), (value * v).sum()]
    found = plane_through([int(value) for value in sums])
    assert found == pytest.approx([3 / 16, 2 / 16, -1 / 16, 5 / 4, -1 / 4, 0, 7, 0, 0], abs=1e-12)


def test_places_stay_on_their_object_through_geometry():
    steps = read_steps([
        {"crop": {"left": 0.25, "top": 0.5, "width": 0.5, "height": 0.5}},
        {"heal": {"places": [{"at": [0.5, 0.75], "radius": "10px", "see_through": True}]}},
    ], frames=1)
    base = Shape(400, 800)
    stage = located(steps, base)[1].stage
    assert isinstance(stage, Heal)
    (spot,) = stage.spots(Shape(200, 400))
    assert (spot.y, spot.x, spot.radius) == pytest.approx((299.5 - 200, 399.5 - 200, 10.0), abs=1e-9)
    copy = located(steps[1:], Shape(100, 200), base, 4)[0].stage
    assert isinstance(copy, Heal)
    (small,) = copy.spots(Shape(100, 200))
    assert (small.y, small.x, small.radius) == pytest.approx((74.5, 99.5, 2.5), abs=1e-9)


def test_a_recipe_heals_in_a_chain():
    truth, noisy = sky()
    spotted = np.ascontiguousarray(veiled(noisy, 120, 150, 20, 0.2).transpose(1, 2, 0), np.float32)
    steps = [{"heal": {"places": [place(120, 150, 25, see_through=True)]}}, {"exposure": {"stops": "1EV"}}]
    made = process([spotted], steps=steps, tile=128, workers=1)
    assert abs((made.transpose(2, 0, 1) / (2 * truth) - 1)[:, inside(120, 150, 20)].mean()) <= 0.005
    assert (made.view(np.uint32) == process([spotted], steps=steps, tile=512, workers=1).view(np.uint32)).all()


@pytest.mark.parametrize(("values", "what"), [
    ({"at": [0.5, 0.5]}, "both `at` and `radius`"),
    ({"radius": "5px"}, "either `at` and `radius`, or a `polygon`"),
    ({"at": [0.5, 0.5], "radius": "900px"}, "draw a `polygon`"),
    ({"polygon": [[0, 0], [0.1, 0], [0, 0.1]]}, "needs a `donor`"),
    ({"at": [5.0, 0.5], "radius": "9px"}, "fractions of the base frame"),
    ({"at": [0.5, 0.5], "radius": "9px", "see_through": True, "donor": [0.2, 0.2]}, "alone"),
])
def test_what_cannot_be_healed_is_said(values: dict[str, Any], what: str):
    with pytest.raises(ValidationError, match=what):
        Heal.model_validate({"places": [values]})


def test_only_tiles_with_a_spot_read_more():
    stage = Heal.model_validate({"places": [place(120, 150, 10)]})
    assert stage.input_window(Window(0, 0, 64, 64), SHAPE, {}) == Window(0, 0, 64, 64)
    needed = stage.input_window(Window(120, 150, 1, 1), SHAPE, {})
    assert needed.contains(Window(120 - 12, 150 - 12, 24, 24))
