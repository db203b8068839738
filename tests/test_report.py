"""The report is one file that needs nothing else, and every figure in it is the receipt's."""

from __future__ import annotations

import base64
import copy
import io
import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import html5lib
import pytest
from PIL import Image
from review_page import browser

from tilepipe import load_recipe, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.errors import InputError, RecipeError
from tilepipe.geometry import Shape
from tilepipe.report.write import write_report
from tilepipe.run.recipe_run import Settings
from tilepipe.run.worst import worst_places

RECIPE = """\
frames: frames/*.tif
masks:
  rocks: {polygon: {points: [[0.1, 0.55], [0.45, 0.5], [0.5, 0.8], [0.1, 0.85]], soft: 2%}}
steps:
  - match
  - align
  - motion
  - blend: {method: radiance}
  - exposure: {stops: measured}
  - dodge: {stops: 0.5EV, where: rocks, strength: 0.7}
  - crop: {left: 0.1, top: 0.1, width: 0.85, height: 0.85}
  - local_contrast: {range: 0.5}
  - display
deliver:
  - {kind: jpeg, name: "proof & more"}
"""
# How a figure is spelled, told again here: what it is of the receipt's value.
SCALES: dict[str, Any] = {
    "count": float, "stops": math.log2, "ev": float, "share": lambda value: 100.0 * value, "px": float, "lightness": float,
    "seconds": float, "mib": lambda value: value / 2**20, "kelvin": float, "small": float, "plain": float,
}
AXE = Path(__file__).resolve().parent.parent / ".cache" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
NUMBER = re.compile(r"^([+-]?\d+(?:\.(\d+))?)(?:e([+-]\d+))?")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], Any]:
    """The file, the receipt, the parsed page."""
    folder = tmp_path_factory.mktemp("report")
    write_demo_frames(folder / "frames", shape=Shape(400, 600), kind="tiff")
    (folder / "job.yaml").write_text(RECIPE, encoding="utf-8")
    settings = Settings(device="cpu", tile_px=256)
    receipt = json.loads(run_plan(load_recipe(folder / "job.yaml"), settings).read_text(encoding="utf-8"))
    path = write_report(folder / "job.yaml", settings=settings)
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return path, receipt, parser.parse(path.read_text(encoding="utf-8"))


def picked(receipt: Any, path: str) -> Any:
    for name in path.split("/"):
        receipt = receipt[int(name)] if isinstance(receipt, list) else receipt[name]
    return receipt


def text_of(element: Any) -> str:
    return "".join(element.itertext())


def test_every_figure_is_the_receipts(made: tuple[Path, dict[str, Any], Any]) -> None:
    _, receipt, page = made
    forms: dict[str, int] = {}
    for element in page.iter("span"):
        if "data-from" not in element.attrib:
            continue
        value, form, shown = picked(receipt, element.get("data-from")), element.get("data-form"), text_of(element)
        forms[form] = forms.get(form, 0) + 1
        if form == "text":
            assert shown == str(value)
        elif form == "json":
            assert shown == value if isinstance(value, str) else json.loads(shown) == value
        else:
            number = NUMBER.match(shown)
            assert number is not None, shown
            unit = 10.0 ** (int(number[3] or 0) - len(number[2] or ""))
            wanted = SCALES[form](value)
            slack = 1e-4 * abs(wanted) if form == "plain" else 0.501 * unit
            assert abs(float(number[0]) - wanted) <= slack, (element.get("data-from"), shown, value)
    assert forms["stops"] >= 12  # three for each of four frames
    assert {"text", "json", "count", "share", "px", "seconds", "mib", "ev", "small"} <= set(forms)


def test_no_figure_stands_there_without_its_source(made: tuple[Path, dict[str, Any], Any]) -> None:
    page = copy.deepcopy(made[2])
    for element in page.iter():
        if "data-from" in element.attrib or "data-worst" in element.attrib or element.tag in ("style", "pre"):
            for child in list(element):
                element.remove(child)
            element.text = ""
    body = text_of(page.find("body"))
    for known in ("512×512", "1:1", "99 of 100", "sRGB", "Display P3"):
        body = body.replace(known, "")
    names = re.sub(r"[a-z_-]+-?\d+", "", body)  # of passes: unpack-0
    assert re.findall(r"\d+", names) == []


def test_the_worst_places_are_told_with_crops(made: tuple[Path, dict[str, Any], Any]) -> None:
    _, receipt, page = made
    places = worst_places(receipt)
    shown = {element.get("data-worst"): text_of(element) for element in page.iter("span") if "data-worst" in element.attrib}
    assert len(places) >= 5
    for index, place in enumerate(places):
        assert shown[f"{index}/sentence"] == place.sentence
        assert place.picture is not None
        assert abs(float(shown[f"{index}/x"]) - place.picture[0]) <= 0.501
        assert abs(float(shown[f"{index}/base_y"]) - place.base[1]) <= 0.501
    section = next(element for element in page.iter("section") if element.get("id") == "worst")
    crops = [_picture(image) for image in section.iter("img")]
    assert len(crops) == len(places)
    assert {crop.size for crop in crops} == {(390, 270)}


def _picture(image: Any) -> Image.Image:
    kind, _, data = image.get("src").partition(";base64,")
    assert kind == "data:image/jpeg"
    return Image.open(io.BytesIO(base64.b64decode(data)))


def test_it_is_one_file_that_needs_nothing_else(made: tuple[Path, dict[str, Any], Any]) -> None:
    path, receipt, page = made
    assert path.name == "job.report.html"
    assert page.attrib["lang"] == "en"
    assert not list(page.iter("script"))
    assert not list(page.iter("link"))
    for element in page.iter():
        for name in ("src", "href"):
            assert element.get(name, "#").startswith(("#", "data:image/jpeg;base64,"))
        assert not any(name.startswith("on") for name in element.attrib)
    images = list(page.iter("img"))
    assert all(image.get("alt") for image in images)
    assert len(images) >= 1 + 4 + 6  # the picture, the frames, the steps
    whole = next(image for image in images if image.get("alt", "").startswith("The finished picture"))
    assert _picture(whole).size == (receipt["result"]["width"], receipt["result"]["height"])
    told = json.loads(text_of(next(element for element in page.iter("pre"))))
    assert told == receipt
    assert path.stat().st_size < 4_000_000
    heads = [element.tag for element in page.iter() if element.tag in ("h1", "h2", "h3")]
    assert heads[0] == "h1"
    assert heads.count("h1") == 1


def test_what_cannot_be_told_is_refused(made: tuple[Path, dict[str, Any], Any], tmp_path: Path) -> None:
    path, receipt, _ = made
    with pytest.raises(InputError, match="no receipt"):
        write_report(tmp_path)
    folder = path.parent.parent.parent
    settings = Settings(device="cpu", tile_px=256)
    other = tmp_path / "other.receipt.json"
    recipe_file = str(folder / "job.yaml")
    other.write_text(json.dumps({**receipt, "recipe_file": recipe_file, "result": {**receipt["result"], "root": "0" * 64}}))
    with pytest.raises(InputError, match="not those of the receipt"):
        write_report(other, settings=settings, target=tmp_path / "x.html")
    steps = [{**step, "parameters": {"range": 0.9}} if step["id"] == "local_contrast" else step for step in
             receipt["recipe"]["steps"]]
    other.write_text(json.dumps({**receipt, "recipe_file": recipe_file, "recipe": {**receipt["recipe"], "steps": steps}}))
    with pytest.raises(RecipeError):
        write_report(tmp_path, settings=settings)
    assert not (tmp_path / "x.html").exists()
    shutil.rmtree(tmp_path)


def test_it_reads_well_in_a_browser(made: tuple[Path, dict[str, Any], Any]) -> None:
    with browser() as opened:
        page = opened.new_page(viewport={"width": 1280, "height": 800})
        page.goto(made[0].as_uri())
        assert page.evaluate("[...document.images].every((image) => image.complete && image.naturalWidth > 0)")
        crops = page.evaluate("[...document.querySelectorAll('#worst img')].map((each) => [each.width, each.naturalWidth])")
        assert all(shown == own for shown, own in crops)  # 1:1
        for width in (390, 1280, 3840):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        if not AXE.exists():
            pytest.skip("axe-core is not here: `npm install --prefix .cache/axe axe-core`")
        page.add_script_tag(path=str(AXE))
        assert page.evaluate("() => axe.run().then((told) => told.violations.map((each) => each.id))") == []
