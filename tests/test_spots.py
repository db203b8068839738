"""Lens spots: told from what is there by frames that shift, by other sets or by the user; lifted where they are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe import process
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.errors import InputError
from tilepipe.formats.spot_list import KnownSpot, SpotList, read_spot_list, write_spot_list
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.spot_levels import MOST_PIXELS, SpotLevels, finest_factor, spots_bytes
from tilepipe.measure.spot_search import search, search_tasks
from tilepipe.measure.spot_sightings import Sighting, sightings
from tilepipe.plan.costs import pass_bytes
from tilepipe.recipe.steps import read_steps
from tilepipe.run.measuring import survey_key
from tilepipe.stages.heal_veil import Veil, lifted
from tilepipe.stages.lens_spots import LensSpots, candidates_of, veils_of
from tilepipe.stages.spot_look import look

SHAPE = Shape(420, 560)
NOISE = 0.008  # of the light, invented
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


def disc(y: float, x: float, radius: float) -> Any:
    """1 within, 0 without, a rim of 0.35 of the radius."""
    rows, cols = np.mgrid[: SHAPE.height, : SHAPE.width]
    t = np.clip((radius - np.hypot(rows - y, cols - x)) / (0.35 * radius) + 0.5, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def scene(dy: float, dx: float) -> Any:
    """An invented sky over land with texture, seen by a camera shifted by (dy, dx); float64 `(y, x)`."""
    y, x = np.mgrid[: SHAPE.height, : SHAPE.width].astype(np.float64)
    y, x = y + dy, x + dx
    sky = 0.25 + 0.0002 * y + 0.006 * np.sin(x / 70.0)
    land = 0.15 + 0.05 * np.sin(x / 3.1 + np.sin(y / 7.3)) * np.sin(y / 2.7 + 2.0 * np.sin(x / 11.9))
    return np.where(y > 290.0, land, sky)


def frame(seed: int, shift: tuple[float, float], dirt: Any = None, thing: Any = None) -> Any:
    """float32 `(3, y, x)`: the scene with dirt fixed to the sensor and a thing fixed to the scene, in noise."""
    light = scene(*shift)
    light = light * (1.0 - dirt) if dirt is not None else light
    light = light * (1.0 - thing) if thing is not None else light
    noise = np.random.default_rng(seed).normal(0.0, NOISE, (3, SHAPE.height, SHAPE.width))
    return (light * (1.0 + noise)).astype(np.float32)


@dataclass(frozen=True)
class Frame:
    pixels: Any

    @property
    def shape(self) -> Shape:
        return SHAPE

    def tile(self, device: Any, window: Window) -> Tile:
        return Tile(self.pixels, SHAPE.whole, SHAPE).cut(window)


def filled(device: CpuDevice, frames: list[Any], side_px: int = 128) -> SpotLevels:
    levels = SpotLevels(SHAPE, len(frames))
    for index, pixels in enumerate(frames):
        for window in Grid(SHAPE, side_px, side_px):
            levels.look(device, index, Frame(pixels).tile(device, window))
        levels.halve(device, index)
    return levels


def seen_in(device: CpuDevice, frames: list[Any]) -> list[Sighting]:
    levels = filled(device, frames)
    return sightings([blob for task in search_tasks(levels) for blob in search(device, levels, *task)], len(frames))


def shifted(dy: float, dx: float) -> Matrix:
    """Base → frame of a camera shifted by (dy, dx)."""
    return ((1.0, 0.0, -dx), (0.0, 1.0, -dy), (0.0, 0.0, 1.0))


def candidates(device: CpuDevice, frames: list[Any], matrices: list[Any]) -> list[dict[str, Any]]:
    found = seen_in(device, frames)[:12]
    looks = [(sighting, look(device, [Frame(pixels) for pixels in frames], matrices, sighting)) for sighting in found]
    return candidates_of([(one, seen) for one, seen in looks if seen is not None], len(frames), SHAPE)


SHIFT = (3.0, -4.0)
DIRT = (120.0, 300.0, 14.0, 0.1)


def dirt() -> Any:
    return DIRT[3] * disc(*DIRT[:3])


def at_dirt(candidate: dict[str, Any]) -> bool:
    y, x = candidate["veil"][:2]
    return bool(np.hypot(y - DIRT[0], x - DIRT[1]) < 0.3 * DIRT[2])


# ---------------------------------------------------------------- levels and search
def test_levels_hold_light_as_whole_numbers(device: CpuDevice):
    pixels = np.full((3, SHAPE.height, SHAPE.width), 0.25, np.float32)
    pixels[:, 10:12, 20:22] = 1.0  # clipped: one box
    pixels[:, 31, 41] = 0.0  # three of four pixels keep their light
    levels = filled(device, [pixels])
    finest = levels.frames[0][0]
    assert finest[0, 0] == 2048 * (15 - 2)
    assert finest[5, 10] == 0
    assert finest[15, 20] == round(2048 * (15 + np.log2(0.75 * 0.25)))
    assert [level.shape for level in levels.frames[0]] == [(210, 280), (105, 140), (53, 70), (27, 35), (14, 18)]
    assert levels.frames[0][1][2, 5] == 0  # what says nothing says nothing on the next level
    assert levels.frames[0][1][40, 40] == 2048 * 13


def test_what_is_not_covered_says_nothing(device: CpuDevice):
    pixels = np.full((4, SHAPE.height, SHAPE.width), 0.25, np.float32)
    pixels[3] = 1.0
    pixels[3, 8, 8] = 0.0
    levels = SpotLevels(SHAPE, 1)
    levels.look(device, 0, Tile(pixels, SHAPE.whole, SHAPE, (*COLOUR, COVERAGE)))
    assert levels.frames[0][0][4, 4] == 0
    assert levels.frames[0][0][4, 5] > 0


@pytest.mark.parametrize("side_px", [64, 210])
def test_levels_do_not_depend_on_tiles(device: CpuDevice, side_px: int):
    pixels = frame(1, (0, 0), dirt())
    want, have = (filled(device, [pixels], side).frames[0] for side in (1024, side_px))
    assert all((one == other).all() for one, other in zip(want, have, strict=True))


@pytest.mark.parametrize(("radius", "depth"), [(4.0, 0.12), (9.0, 0.06), (30.0, 0.12)])
def test_a_dark_disc_is_the_first_that_is_seen(device: CpuDevice, radius: float, depth: float):
    first = seen_in(device, [frame(2, (0, 0), depth * disc(130.0, 250.0, radius))])[0].best
    assert np.hypot(first.y - 130.0, first.x - 250.0) < 0.3 * radius + 1
    assert 0.6 < first.radius / radius < 1.6


def test_large_pictures_are_searched_on_coarser_levels():
    large = Shape(20_000, 20_000)
    assert finest_factor(SHAPE) == 2
    assert finest_factor(large) == 4
    assert large.pixels // finest_factor(large) ** 2 <= MOST_PIXELS
    assert spots_bytes(large, 4, 2) < 400 << 20


# ---------------------------------------------------------------- evidence
def test_dirt_stays_where_the_scene_shifts(device: CpuDevice):
    frames = [frame(3, (0, 0), dirt()), frame(4, SHIFT, dirt())]
    (found,) = [each for each in candidates(device, frames, [shifted(0, 0), shifted(*SHIFT)]) if each["sure"]]
    assert at_dirt(found)
    assert abs(found["depth"] - DIRT[3]) < 0.005
    assert abs(found["veil"][2] - DIRT[2]) < 1.0


def test_a_thing_that_moves_with_the_scene_is_no_dirt(device: CpuDevice):
    y, x, radius, depth = DIRT
    things = [depth * disc(y - dy, x - dx, radius) for dy, dx in ((0.0, 0.0), SHIFT)]
    frames = [frame(3, (0, 0), thing=things[0]), frame(4, SHIFT, thing=things[1])]
    found = candidates(device, frames, [shifted(0, 0), shifted(*SHIFT)])
    assert not any(each["sure"] or at_dirt(each) for each in found)


@pytest.mark.parametrize("matrices", [[shifted(0, 0), shifted(0, 0)], [None, None]])
def test_without_a_shift_dirt_is_only_listed(device: CpuDevice, matrices: list[Any]):
    frames = [frame(3, (0, 0), dirt()), frame(4, (0, 0), dirt())]
    (found,) = [each for each in candidates(device, frames, matrices) if each["listed"]]
    assert at_dirt(found)
    assert not found["sure"]
    assert any("evidence is weak" in reason for reason in found["reasons"])


def test_an_even_sky_lists_nothing(device: CpuDevice):
    frames = [frame(5, (0, 0)), frame(6, SHIFT)]
    assert not [each for each in candidates(device, frames, [shifted(0, 0), shifted(*SHIFT)]) if each["listed"] or each["sure"]]
    assert not [each for each in candidates(device, frames[:1], [None]) if each["listed"]]


def test_where_no_frame_knows_the_light_nothing_is_told(device: CpuDevice):
    (one, *_) = seen_in(device, [frame(3, (0, 0), dirt())])
    clipped = Frame(np.ones((3, SHAPE.height, SHAPE.width), np.float32))
    assert look(device, [clipped], [None], one) is None


# ---------------------------------------------------------------- choice
def listed(**values: Any) -> dict[str, Any]:
    return {
        "id": "5000-2500", "at": [0.5, 0.25], "radius": 0.02, "radius_px": 11.2, "depth": 0.1, "score": 6.0, "sure": False,
        "listed": True, "reasons": ["a dark disc"], "veil": [104.5, 279.5, 11.2, 4.0, 77], **values,
    }


def what_of(step: LensSpots, *given: dict[str, Any], lists: tuple[SpotList, ...] = ()) -> list[str]:
    return [each["what"] for each in step.chosen(given, lists, SHAPE)]


def test_the_recipe_accepts_and_refuses_by_id():
    assert what_of(LensSpots(), listed()) == ["listed"]
    assert what_of(LensSpots(accept=("5000-2500",)), listed()) == ["healed"]
    assert what_of(LensSpots(accept=("5003-2498",)), listed()) == ["healed"]  # measured again, it moved a little
    assert what_of(LensSpots(accept=("6000-2500",)), listed()) == ["listed"]
    assert LensSpots(accept=("6000-2500",)).missing([listed()]) == ["6000-2500"]
    assert what_of(LensSpots(), listed(sure=True)) == ["healed"]
    assert what_of(LensSpots(refuse=("5000-2500",)), listed(sure=True)) == ["listed"]
    assert what_of(LensSpots(), listed(listed=False)) == []
    with pytest.raises(ValidationError, match="0412-0133"):
        LensSpots(accept=("the one in the sky",))


def test_another_set_of_the_camera_is_evidence():
    def known(x: float = 0.501, y: float = 0.25, radius: float = 0.019) -> SpotList:
        return SpotList("monday.spots.txt", SHAPE, (KnownSpot(x, y, radius, 0.09, 5.0),))

    assert what_of(LensSpots(), listed(listed=False), lists=(known(),)) == ["healed"]
    for other in (known(x=0.55), known(radius=0.1), SpotList("turned", Shape(560, 420), known().spots)):
        assert what_of(LensSpots(), listed(), lists=(other,)) == ["listed"]


def test_a_spot_list_is_read_as_written(tmp_path: Path):
    spots = (KnownSpot(0.125, 0.25, 0.0625, 0.5, 8.0), KnownSpot(0.5, 0.75, 0.03125, 0.125, 2.5))
    write_spot_list(tmp_path / "a.spots.txt", SHAPE, spots)
    assert read_spot_list(tmp_path / "a.spots.txt") == SpotList("a.spots.txt", SHAPE, spots)
    lines = (tmp_path / "a.spots.txt").read_text().splitlines()
    for wrong, what in ((["something else"], "not a spot list"), ([*lines[:3], "0.1 0.2"], "no place"), (lines[:1], "size")):
        (tmp_path / "b.txt").write_text("\n".join(wrong))
        with pytest.raises(InputError, match=what):
            read_spot_list(tmp_path / "b.txt")
    with pytest.raises(InputError, match="cannot be read"):
        read_spot_list(tmp_path / "none.txt")


# ---------------------------------------------------------------- lifting
def test_a_veil_is_lifted_where_it_lies_and_nowhere_else(device: CpuDevice):
    pixels = frame(7, (0, 0), dirt())
    whole = Tile(pixels, SHAPE.whole, SHAPE)
    veil = Veil(DIRT[0], DIRT[1], DIRT[2], 0.35 * DIRT[2], round(-np.log2(1.0 - DIRT[3]) * 512))
    made = lifted(device, whole, (veil,))
    truth = frame(7, (0, 0))
    core = disc(*DIRT[:3]) >= 1.0
    assert np.abs(made.array / truth - 1.0)[:, core].max() < 0.002
    beyond = disc(*DIRT[:3]) <= 0.0
    assert (made.array.view(np.uint32) == pixels.view(np.uint32))[:, beyond].all()
    away = whole.cut(Window(300, 0, 50, 50))
    assert lifted(device, away, (veil,)) is away


def bracket() -> list[Any]:
    """Three exposures of one scene by a camera that shifts, with the same dirt in each, `(y, x, 3)`."""
    frames = [frame(10 + k, shift, dirt()) for k, shift in enumerate(((0.0, 0.0), SHIFT, (-2.0, 3.0)))]
    return [np.ascontiguousarray(np.minimum(f * g, 1.0).transpose(1, 2, 0)) for f, g in zip(frames, (1, 0.5, 2), strict=True)]


def test_a_bracket_is_healed_before_it_is_joined():
    frames, lights = bracket(), [1.0, 0.5, 2.0]
    plain = ["match", "align", {"blend": {"method": "radiance"}}]
    with_spots = [*plain[:2], "lens_spots", plain[2]]
    before, after = (process(frames, lights, steps, tile=256, workers=1) for steps in (plain, with_spots))
    truth = scene(0.0, 0.0)[..., None]
    core = disc(*DIRT[:3]) >= 0.99
    assert np.abs((before / truth - 1.0)[core].mean()) > 0.07
    assert np.abs((after / truth - 1.0)[core].mean()) < 0.005
    far = disc(DIRT[0], DIRT[1], 3.0 * DIRT[2]) <= 0.0
    assert (before.view(np.uint32) == after.view(np.uint32))[far].all()
    assert (process(frames, lights, with_spots, tile=128, workers=2).view(np.uint32) == after.view(np.uint32)).all()


def test_one_frame_may_be_looked_at_and_lists_only():
    pixels = np.ascontiguousarray(frame(3, (0, 0), dirt()).transpose(1, 2, 0))
    same = process([pixels], steps=["lens_spots", {"exposure": {"stops": "1EV"}}], tile=256, workers=1)
    assert (same == process([pixels], steps=[{"exposure": {"stops": "1EV"}}], tile=256, workers=1)).all()
    assert len(read_steps(["lens_spots"], frames=1)) == 1


def test_an_accepted_spot_of_one_frame_is_healed():
    pixels = np.ascontiguousarray(frame(3, (0, 0), dirt()).transpose(1, 2, 0))
    name = f"{int(DIRT[1] / SHAPE.width * 10000):04d}-{int(DIRT[0] / SHAPE.height * 10000):04d}"
    made = process([pixels], steps=[{"lens_spots": {"accept": [name]}}], tile=256, workers=1)
    core = disc(*DIRT[:3]) >= 0.99
    assert np.abs((made / scene(0.0, 0.0)[..., None] - 1.0)[core].mean()) < 0.01


def test_veils_are_those_of_healed_spots():
    assert veils_of([{"what": "healed", "veil": [1.0, 2.0, 3.0, 4.0, 5]}, {"what": "listed", "veil": [0] * 5}]) == [
        [1.0, 2.0, 3.0, 4.0, 5]
    ]


def test_the_plan_counts_the_levels():
    from tilepipe.plan.job import FrameSketch, Job
    from tilepipe.plan.passes import SurveyPass

    shape = Shape(4000, 6000)
    sketch = FrameSketch(shape, 2, True, 3, 3, 4)
    steps = (["match", "blend"], ["match", "lens_spots", "blend"])
    jobs = [Job((sketch,) * 2, 0, read_steps(each, frames=2)) for each in steps]
    without, having = (pass_bytes(job, SurveyPass("survey", shape, Shape(1024, 1024), 2), 1, {}) for job in jobs)
    assert having - without == spots_bytes(shape, 2, 1)


def test_a_changed_choice_measures_nothing_again():
    def key(values: dict[str, Any]) -> str:
        steps = read_steps(["match", {"lens_spots": values}, "blend"], frames=2)
        stated = {"base": 0, "noise": {}, "spots": values.get("known")}
        run = SimpleNamespace(feeds=[], identities=[], job=SimpleNamespace(steps=steps), stated=stated)
        return survey_key(run)  # type: ignore[arg-type]

    plain = key({})
    assert key({"accept": ["5000-2500"]}) == key({"refuse": ["1000-2500"]}) == key({"known": ["a.spots.txt"]}) == plain
    assert key({"find": False}) != plain
