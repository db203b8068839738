"""Masks in a recipe: every way to write one, every fault with its address and a sentence, all at once; proofs of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image as PillowImage

from tilepipe.cli import main_group
from tilepipe.errors import RecipeError
from tilepipe.masks.mask import all_masks
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.schema import recipe_schema

STEPS = "steps:\n  - blend\n  - exposure: {stops: +1EV, where: WHERE}\n"
WAYS = {
    "{luminance: {from: 1EV, to: 3EV, soft: 0.5EV}}": "luminance",
    "{hue: {at: 264deg, reach: 40deg}}": "hue",
    "{chroma: {to: 0.05}}": "chroma",
    "clipped": "clipped", "moved": "moved", "{moved: {groups: [1, 3]}}": "moved", "{sunlit: }": "sunlit",
    "{gradient: {full: [0.5, 0.1], nothing: [0.5, 0.6]}}": "gradient",
    "{ellipse: {centre: [0.5, 0.5], width: 20%, height: 90px, turn: -12deg}}": "ellipse",
    "{polygon: [[0, 0], [1, 0], [1, 1]]}": "polygon", "{polygon: {points: [[0, 0], [1, 0], [1, 1]], soft: 3px}}": "polygon",
    "{stroke: [[0.1, 0.1], [0.5, 0.5, 0.4]]}": "stroke", "{stroke: {points: [[0, 0], [1, 1]], radius: 40px}}": "stroke",
    "{all_of: [sky, {none_of: [clipped]}]}": "all_of", "{any_of: [sky, sky]}": "any_of", "sky": "luminance",
    "{feather: {mask: sky, reach: 20px}}": "feather", "{follow_edges: {mask: {hue: {at: 20deg}}, reach: 1%}}": "follow_edges",
}


def loaded(where: str, masks: str = "sky: {luminance: {from: 1EV}}") -> Recipe:
    text = f"frames: [a.tif, b.tif]\nmasks:\n  {masks}\n" + STEPS.replace("WHERE", where)
    return load_recipe(text, check_files=False)


@pytest.mark.parametrize("where", WAYS)
def test_a_mask_can_be_written(where: str):
    recipe = loaded(where)
    mask = recipe.step("exposure").where
    assert mask is not None
    assert mask.name == WAYS[where]
    again = loaded(json.dumps(mask.resolved()))
    assert again.step("exposure").where == mask, "what a receipt says can be written in a recipe"
    assert recipe.provenance["steps.exposure.where"].startswith("recipe:")


def test_names_are_one_mask_wherever_they_stand():
    recipe = loaded("both", "sky: {luminance: {from: 1EV}}\n  both: {all_of: [sky, sky]}")
    where = recipe.step("exposure").where
    assert where is not None
    assert where.masks == (recipe.masks["sky"],) * 2
    assert list(recipe.masks) == ["sky", "both"]


def test_masks_of_a_recipe_that_this_one_is_based_on_are_replaced_by_name(tmp_path: Path):
    (tmp_path / "under.yaml").write_text(
        "frames: [a.tif]\nmasks: {sky: {luminance: {from: 1EV}}, sea: {chroma: {from: 0.1}}}\nsteps: [exposure: {where: sea}]\n"
    )
    (tmp_path / "over.yaml").write_text("based_on: under.yaml\nmasks: {sea: {hue: {at: 200deg}}}\n")
    recipe = load_recipe(tmp_path / "over.yaml", check_files=False, sets=["masks.sky.luminance.from=2EV"])
    assert recipe.steps[0].where == recipe.masks["sea"]
    assert recipe.masks["sea"].name == "hue"
    assert recipe.masks["sky"].resolved()["luminance"]["from"] == "2.0EV"


BAD = [
    ("a", "a: {any_of: [b]}\n  b: {none_of: [a]}", "masks.b.none_of[0]", "leads back to itself"),
    ("a", "a: {feather: {mask: a, reach: 2px}}", "masks.a.feather.mask", "leads back to itself"),
    ("skies", "sky: {hue: {at: 3deg}}", "steps[1].exposure.where", "there is no mask of this name"),
    ("{polygon: [[0, 0], [1, 1], [1, 0], [0, 1]]}", "", "steps[1].exposure.where.polygon.points", "crosses itself"),
    ("{polygon: [[0, 0], [1, 1]]}", "", "steps[1].exposure.where.polygon.points", "different corners, not 2"),
    ("{stroke: [[0.2, 0.2], [0.2, 0.2]]}", "", "steps[1].exposure.where.stroke.points", "no length"),
    ("{stroke: [[0.2, 0.2], [0.3, 0.2, 1.5]]}", "", "steps[1].exposure.where.stroke.points", "pressure of point 1"),
    ("{stroke: {points: [[0, 0], [1, 1]], radius: 0px}}", "", "steps[1].exposure.where.stroke", "`radius` above 0"),
    ("{gradient: {full: [0.5, 0.5], nothing: [0.5, 0.5]}}", "", "steps[1].exposure.where.gradient", "the same place"),
    ("{gradient: {full: [0.5, 0.5], nothing: [50, 0.5]}}", "", "steps[1].exposure.where.gradient", "far outside the frame"),
    ("{luminance: {from: 2EV, to: 1EV}}", "", "steps[1].exposure.where.luminance", "`from` must lie below `to`"),
    ("{luminance: {soft: 2EV}}", "", "steps[1].exposure.where.luminance", "needs `from`, `to` or both"),
    ("{luminence: {to: 2EV}}", "", "steps[1].exposure.where.luminence", "is not a kind of mask"),
    ("{luminance: {to: 2}}", "", "steps[1].exposure.where.luminance.to", "needs a unit"),
    ("{hue: {at: 2deg}, chroma: {to: 1}}", "", "steps[1].exposure.where", "exactly one kind"),
    ("[sky]", "", "steps[1].exposure.where", "is not a mask"),
    ("{all_of: []}", "", "steps[1].exposure.where.all_of", "needs a list of masks"),
    ("{feather: {reach: 3px}}", "", "steps[1].exposure.where.feather.mask", "is missing"),
    ("{feather: {mask: clipped, reach: 0px}}", "", "steps[1].exposure.where.feather.reach", "a reach above 0"),
    ("{ellipse: {centre: [0.5, 0.5], width: 0px, height: 2px}}", "", "steps[1].exposure.where.ellipse", "needs a `width`"),
    ("{moved: {groups: [0]}}", "", "steps[1].exposure.where.moved.groups", "numbered from 1"),
    ("clipped", "hue: {chroma: {to: 0.1}}", "masks.hue", "is a kind of mask"),
    ("clipped", "2nd: {chroma: {to: 0.1}}", "masks.2nd", "is not a name"),
]


@pytest.mark.parametrize(("where", "masks", "address", "words"), BAD)
def test_a_bad_mask_gets_an_address_and_a_sentence(where: str, masks: str, address: str, words: str):
    with pytest.raises(RecipeError) as caught:
        loaded(where, masks)
    told = [(fault.address, fault.what) for fault in caught.value.faults]  # type: ignore[attr-defined]
    assert [place for place, what in told if words in what] == [address], told
    assert all(fault.line for fault in caught.value.faults)  # type: ignore[attr-defined]


def test_where_has_no_place_on_steps_that_move_pixels_or_measure():
    text = "frames: [a.tif, b.tif]\nsteps:\n  - align: {where: clipped}\n  - blend: {where: clipped}\n" \
        "  - straighten: {turn: 1deg, where: clipped}\n  - crop: {shape: '1:1', where: nobody}\n"
    with pytest.raises(RecipeError) as caught:
        load_recipe(text, check_files=False)
    told = [fault.where for fault in caught.value.faults]
    assert [place.split(", ")[-1] for place in told] == [
        "steps[0].align.where", "steps[1].blend.where", "steps[2].straighten.where", "steps[3].crop.where",
    ]
    assert all("does not change pixels where they are" in fault.what for fault in caught.value.faults)


def test_the_schema_knows_every_kind():
    schema = recipe_schema()
    assert set(schema["$defs"]["mask"]["anyOf"][1]["properties"]) == set(all_masks())
    text = json.dumps(schema)
    for name in all_masks():
        assert f'"#/$defs/mask.{name}"' in text
    assert schema["$defs"]["mask.luminance"]["anyOf"][0]["properties"]["from"]["unit"] == "EV"


# ---------------------------------------------------------------- files
@pytest.fixture
def bracket(tmp_path: Path) -> Path:
    """Two frames of a bright disc on dark ground, 160 × 120, and a recipe that darkens the disc."""
    y, x = np.mgrid[:120, :160]
    light = np.where(np.hypot(x - 100, y - 40) < 25, 0.5, 0.02)[..., None] * np.array([1.0, 0.9, 0.7])
    for name, gain in (("a", 0.5), ("b", 1.0)):
        tifffile.imwrite(tmp_path / f"{name}.tif", np.rint(light * gain * 65535).astype(np.uint16), photometric="rgb")
    PillowImage.fromarray(np.full((60, 60), 255, np.uint8)).save(tmp_path / "square.png")
    (tmp_path / "recipe.yaml").write_text(
        "frames:\n  - {file: a.tif, light: -1EV, encoding: linear}\n  - {file: b.tif, light: 0EV, encoding: linear}\n"
        "masks:\n  disc: {luminance: {from: -3EV, soft: 0.5EV}}\n  soft: {feather: {mask: disc, reach: 4px}}\n"
        "  unused: {ellipse: {centre: [0.25, 0.5], width: 40px, height: 40px}}\n"
        "steps:\n  - blend\n  - straighten: {turn: 2deg}\n  - exposure: {stops: -1EV, where: soft}\n  - display\n"
    )
    return tmp_path


def proof_of(folder: Path, *words: str) -> Any:
    return CliRunner().invoke(main_group, ["proof", str(folder / "recipe.yaml"), *words])


@pytest.mark.parametrize(("name", "place"), [("disc", (0.33, 0.62)), ("exposure", (0.33, 0.62)), ("unused", (0.5, 0.25))])
def test_a_mask_is_written_as_a_picture_and_as_an_overlay(bracket: Path, name: str, place: tuple[float, float]):
    result = proof_of(bracket, "--mask", name)
    assert result.exit_code == 0, result.output
    out = bracket / "out" / "recipe"
    grey = np.asarray(PillowImage.open(out / f"recipe-mask-{name}.png")).astype(float)
    overlay = np.asarray(PillowImage.open(out / f"recipe-mask-{name}-overlay.png")).astype(int)
    assert overlay.shape == (*grey.shape, 3)
    assert grey.max() == 255
    assert grey.min() == 0
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    assert abs((grey * y).sum() / grey.sum() / grey.shape[0] - place[0]) < 0.04
    assert abs((grey * x).sum() / grey.sum() / grey.shape[1] - place[1]) < 0.04
    assert (np.ptp(overlay, 2)[grey == 0] <= 1).all(), "grey where the mask is nothing"


def test_a_mask_that_is_not_there_is_told_with_those_that_are(bracket: Path):
    with pytest.raises(RecipeError, match=r"--mask: there is no mask of this name(.|\n)*did you mean `disc`"):
        CliRunner().invoke(
            main_group, ["proof", str(bracket / "recipe.yaml"), "--mask", "disk"], catch_exceptions=False,
        )


def test_a_picture_of_another_shape_is_told_before_a_pixel_is_read(bracket: Path):
    path = bracket / "recipe.yaml"
    path.write_text(path.read_text().replace("where: soft", "where: {image: square.png}"))
    with pytest.raises(RecipeError, match=r"steps\[2\]\.exposure\.where\.image\.file: (.|\n)*another shape"):
        CliRunner().invoke(main_group, ["plan", str(path)], catch_exceptions=False)
    path.write_text(path.read_text().replace("square.png", "a.tif"))
    with pytest.raises(RecipeError, match="is not a grey picture"):
        load_recipe(path)
