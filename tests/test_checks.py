"""What there is to look at in a blend: told in the receipt, the same after a resume, exact whatever the tiles."""

from __future__ import annotations

import dataclasses
import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape
from tilepipe.measure.lookout import cell_px
from tilepipe.measure.motion_groups import AVERAGE
from tilepipe.measure.motion_members import FULL
from tilepipe.run.checks import BlendLook, CellMaps
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.blend import Blend
from tilepipe.stages.settle import SettleMaps
from tilepipe.stages.shares import UNITS

RECIPE = """\
frames: frames/*.dng
steps:
  - match
  - blend: {method: radiance}
  - exposure: {stops: +1EV}
  - straighten: {turn: 1deg}
  - display
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("checks")
    write_demo_frames(place / "frames", shape=Shape(578, 866))
    (place / "job.yaml").write_text(RECIPE, encoding="utf-8")
    return place


def _checks(folder: Path, work: str, tile_px: int) -> dict[str, Any]:
    settings = Settings(work=folder / work, out=folder / "out", tile_px=tile_px, device="cpu")
    told: dict[str, Any] = json.loads(run_plan(load_recipe(folder / "job.yaml"), settings).read_text())["checks"]
    return told


def test_the_receipt_tells_shares_noise_clipping_and_halos(folder: Path) -> None:
    told = _checks(folder, "one", 128)
    assert sum(told["blend"]["shares"].values()) == pytest.approx(1.0, abs=1e-4)
    assert told["blend"]["noise_stops"]["median"] < 0
    assert 0 < told["blend"]["clipped_share"] < 0.05  # the sun's disc
    assert told["halo"]["edges"] > 0
    assert _checks(folder, "two", 256) == told  # of another tile size


def test_what_a_stopped_run_did_not_note_is_looked_at_again(folder: Path) -> None:
    told = _checks(folder, "again", 128)
    for note in (folder / "again").glob("blend-checks-*.json"):
        note.unlink()
    assert _checks(folder, "again", 128) == told


def test_maps_do_not_depend_on_tiles() -> None:
    shape = Shape(300, 411)
    values = np.random.default_rng(3).normal(0, 1, (1, 300, 411)).astype(np.float32)
    made = []
    for side in (128, 512):
        maps = CellMaps(shape, ("x",))
        for window in Grid(shape, side, side):
            maps.add(CpuDevice(), Tile(values[:, window.rows, window.cols], window, shape, ("x",)))
        made.append(maps)
    assert np.array_equal(made[0].sums, made[1].sums)
    assert made[0].means("x")[37, 51] == pytest.approx(values[0, 296:, 408:].mean(), abs=2e-4)
    assert made[0].mean("x") == pytest.approx(values.mean(), abs=2e-4)


def test_cells_grow_with_the_picture() -> None:
    assert [cell_px(Shape(100, side)) for side in (6000, 16384, 16385, 60000, 400000)] == [8, 8, 16, 32, 128]


def test_a_settled_part_is_its_frames_share() -> None:
    """Half of the picture on frame 2 of 3, a quarter on the mean of all: their merge weights do not count there."""
    shape = Shape(64, 64)
    look = BlendLook(shape, 3, Blend())
    look.maps.seen[:] = True
    for index, share in enumerate((0.5, 0.25, 0.25)):
        look.maps.sums[index] = round(share * 64 * UNITS)
    weights = np.zeros((2, 8, 8), np.uint8)
    weights[0, :4], weights[1, 4:, :4] = FULL, FULL
    told = look.summary(["a", "b", "c"], SettleMaps((1, AVERAGE), weights, 8))
    expected = {"a": 0.25 * 0.5 + 0.25 / 3, "b": 0.5 + 0.25 * 0.25 + 0.25 / 3, "c": 0.25 * 0.25 + 0.25 / 3}
    assert told["shares"] == pytest.approx(expected, abs=1e-6)


def test_rims_of_what_moved_are_looked_at_on_both_sides(tmp_path: Path) -> None:
    """An invented square that is half as bright in all frames but one: where it is taken from that one, a stop more."""
    from tilepipe.run.rims import rim_check

    rng = np.random.default_rng(11)
    scene = 0.05 + 0.1 * rng.random((256, 384, 3))
    (tmp_path / "frames").mkdir()
    for index, light in enumerate((0.25, 1.0, 4.0)):
        moved = scene.copy()
        moved[96:160, 128:224] *= 1.0 if index == 1 else 0.5
        tifffile.imwrite(tmp_path / "frames" / f"{index}.tif", (moved * light).astype(np.float32), photometric="rgb")
    entries = "".join(
        f"  - {{file: frames/{index}.tif, light: {2 * index - 2}EV, encoding: linear, noise: {{shot: 1e-6, read: 1e-8}}}}\n"
        for index in range(3)
    )
    (tmp_path / "job.yaml").write_text(
        f"frames:\n{entries}base: frames/1.tif\nsteps: [match: {{mode: exposure}}, motion, blend]\n", encoding="utf-8"
    )
    with prepared(load_recipe(tmp_path / "job.yaml"), Settings(device="cpu", tile_px=128)) as run:
        run.run()
        assert run.maps is not None
        assert (run.maps.weights[0, 10:22, 14:30] == FULL).all()  # two cells around the square: rims keep off what moved
        nearer = ndimage.minimum_filter(run.maps.weights, (1, 3, 3))
        run.maps = dataclasses.replace(run.maps, weights=nearer, alone=None)
        told = rim_check(run)
        assert told is not None
        assert rim_check(run) == told  # recalled
    assert told["places"] > 20
    # This rim lies a cell outside the square: of the 24 px around it 8 moved. There the merge, whose weights go with the
    # frames' light where noise goes with the root of light, holds (0.5 · 4.25 + 1) / 5.25 of the chosen frame's light.
    assert told["largest_stops"] == pytest.approx(-np.log2((0.5 * 4.25 + 1) / 5.25) / 3, abs=0.02)
    assert max(place["value"] for place in told["at"]) == told["largest_stops"]
    for place in told["at"]:
        assert 80 <= place["y"] <= 176
        assert 112 <= place["x"] <= 240


def test_colours_outside_are_counted() -> None:
    """Against colour-science's matrices, an implementation that is not ours."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

    from tilepipe.measure.gamut_look import BEYOND, outside

    light = np.random.default_rng(3).random((3, 40, 60)).astype(np.float32) * 1.05
    shape = Shape(40, 60)
    found = outside(CpuDevice(), Tile(light, shape.whole, shape)).array
    for plane, name in zip(found, ("sRGB", "Display P3"), strict=True):
        there = np.einsum("ij,jyx->iyx", colour.matrix_RGB_to_RGB("ITU-R BT.2020", name, None), light.astype(np.float64))
        wanted = ((there < -BEYOND) | (there > 1.0 + BEYOND)).any(axis=0)
        sure = np.minimum(np.abs(there + BEYOND), np.abs(there - 1.0 - BEYOND)).min(axis=0) > 2e-4
        assert 0.1 < wanted.mean() < 0.95
        assert (plane.astype(bool) == wanted)[sure].all()
        assert sure.mean() > 0.95
