"""The worst places of a receipt: ranked, with places in both pictures, no kind drowning the others."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.geometry import Shape
from tilepipe.run.proof import reduced_proof
from tilepipe.run.recipe_run import Settings
from tilepipe.run.worst import MOST_OF_A_KIND, worst_places

RECIPE = """\
frames: frames/*.tif
steps:
  - match
  - align
  - motion
  - blend: {method: radiance}
  - exposure: {stops: measured}
  - crop: {left: 0.1, top: 0.1, width: 0.85, height: 0.85}
  - local_contrast: {range: 0.5}
  - display
"""


def told(**parts: Any) -> dict[str, Any]:
    """An invented receipt of a picture whose left 100 px were cut away."""
    return {
        "result": {
            "width": 900, "height": 800, "from_base": [[1, 0, -100], [0, 1, 0], [0, 0, 1]], "base_size": [1000, 800],
        },
        **parts,
    }


def test_places_are_ranked_and_lie_in_both_pictures() -> None:
    blend = {
        "cell_px": 8, "clipped_at": [{"x": 400, "y": 80, "value": 1.0}, {"x": 40, "y": 80, "value": 0.25}],
        "noise_stops": {"at": [{"x": 160, "y": 400, "value": 1.5}]},
    }
    halo = {"cell_px": 8, "at": [{"x": 16, "y": 32, "value": 9.0}]}
    found = worst_places(told(checks={"blend": blend, "halo": halo}), cut_away=True)
    assert found[:3] == worst_places(told(checks={"blend": blend, "halo": halo}))
    assert [place.kind for place in found] == ["halo", "clipped", "noise", "clipped"]
    assert [round(place.rank, 2) for place in found] == [4.5, 2.0, 1.5, 0.5]
    assert found[0].picture == (19.5, 35.5)
    assert found[0].base == pytest.approx((119.5, 35.5))
    assert found[1].base == (403.5, 83.5)
    assert found[1].picture == pytest.approx((303.5, 83.5))
    assert found[3].picture is None  # it was cut away
    assert "100%" in found[1].sentence
    assert "+1.5 stops" in found[2].sentence


def test_one_kind_does_not_hide_the_others() -> None:
    many = [{"x": 8 * index, "y": 0, "value": 20.0 + index} for index in range(20)]
    group = {"id": 3, "window": [200, 100, 64, 32], "share": 0.02, "name": "dark.tif", "why": "it clips nowhere"}
    frame = {"name": "dark.tif", "residuals_at": [{"x": 500.0, "y": 300.0, "value": 0.8}]}
    spot = {"id": "5000-2500", "at": [0.5, 0.25], "radius_px": 6.0, "depth": 0.1, "what": "listed", "reasons": []}
    others = [{**spot, "what": "healed"}, {**spot, "reasons": ["refused by the recipe"]}]
    measured = {
        "motion": {"groups": [group]}, "align": {"frames": [frame]}, "lens_spots": {"spots": [spot, *others]},
    }
    found = worst_places(told(checks={"halo": {"cell_px": 8, "at": many}}, measurements=measured))
    assert len(found) == 20
    assert {place.kind for place in found} == {"halo", "moved", "residual", "spot"}
    few = worst_places(told(checks={"halo": {"cell_px": 8, "at": many}}, measurements=measured), most=MOST_OF_A_KIND + 3)
    assert [place.kind for place in few].count("halo") == MOST_OF_A_KIND
    spots = [place for place in found if place.kind == "spot"]
    assert [place.base for place in spots] == [(499.5, 199.5)]
    moved = next(place for place in found if place.kind == "moved")
    assert moved.size_px == (64, 32)
    assert "dark.tif" in moved.sentence
    assert worst_places(told()) == []


def test_a_runs_and_a_proofs_places_are_the_same(tmp_path: Path) -> None:
    write_demo_frames(tmp_path / "frames", shape=Shape(240, 360), kind="tiff")
    (tmp_path / "job.yaml").write_text(RECIPE, encoding="utf-8")
    recipe, settings = load_recipe(tmp_path / "job.yaml"), Settings(device="cpu", tile_px=128)
    proof = json.loads(reduced_proof(recipe, settings, 120).with_suffix(".json").read_text(encoding="utf-8"))
    receipt = json.loads(run_plan(recipe, settings).read_text(encoding="utf-8"))
    assert proof["measurements"] == receipt["measurements"]
    assert proof["checks"] == receipt["checks"]
    assert proof["result"]["from_base"] == receipt["result"]["from_base"]
    places = worst_places(receipt)
    assert [place.told() for place in worst_places(proof)] == [place.told() for place in places]
    assert len(places) > 3
    for place in places:
        if place.picture is not None:
            assert place.picture[0] == pytest.approx(place.base[0] - 36)  # the crop's left side
            assert place.picture[1] == pytest.approx(place.base[1] - 24)
