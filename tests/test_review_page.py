"""The page in a real browser: open, zoom, change a value and see pixels change, undo, save, reload, masks, compare, run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from review_page import RECIPE, Server, browser, served, small_job, until

from tilepipe import load_recipe
from tilepipe.colour.deliverable import encode_tile
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.run.recipe_run import Settings, prepared

AXE = Path(__file__).resolve().parent.parent / ".cache" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
PAINTED = "#picture[data-settled]"


@pytest.fixture(scope="module")
def recipe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_job(tmp_path_factory.mktemp("page"))


@pytest.fixture(scope="module")
def server(recipe: Path) -> Iterator[Server]:
    with served(recipe) as server:
        yield server


@pytest.fixture(scope="module")
def opened() -> Iterator[Any]:
    with browser() as opened:
        yield opened


@pytest.fixture
def page(server: Server, opened: Any, recipe: Path) -> Iterator[Any]:
    """A fresh page on the recipe as it was written, faults of the page's own scripts told."""
    recipe.write_text(RECIPE, encoding="utf-8")
    while (desk := server.ask("state")["desk"])["text"] != RECIPE:
        server.act(do="take theirs" if desk["elsewhere"] else "undo")
    context = opened.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(server.address)
    page.wait_for_selector("body[data-ground=true]", timeout=60_000)
    page.wait_for_selector(PAINTED)
    yield page
    context.close()
    assert faults == []


def pixels(page: Any) -> np.ndarray:
    """What the canvas shows, `(y, x, 3)`."""
    page.wait_for_selector(PAINTED)
    told = page.evaluate(
        "() => { const c = document.querySelector('#picture'), d = c.getContext('2d').getImageData(0, 0, c.width, c.height,"
        " { colorSpace: 'srgb' }); let s = ''; for (let i = 0; i < d.data.length; i += 65536)"
        " s += String.fromCharCode(...d.data.subarray(i, i + 65536)); return [c.width, c.height, btoa(s)]; }"
    )
    import base64

    return np.frombuffer(base64.b64decode(told[2]), np.uint8).reshape(told[1], told[0], 4)[..., :3].astype(int)


def put(page: Any, address: str, value: str) -> None:
    """Types a value into the form and waits until the picture shows it."""
    before = page.get_attribute("#picture", "data-settled")
    field = page.locator(f"[id='v-{address}']")
    field.fill(value)
    field.press("Enter")
    page.wait_for_selector(f"#picture[data-settled]:not([data-settled='{before}'])")


def test_a_change_changes_pixels_and_is_undone_saved_and_there_after_a_reload(page: Any, recipe: Path) -> None:
    page.click("#open-exposure")
    page.wait_for_timeout(300)
    first = pixels(page)
    assert len(np.unique(first.reshape(-1, 3), axis=0)) > 1000  # a picture
    put(page, "steps.exposure.stops", "-1EV")
    darker = pixels(page)
    assert darker.mean() < first.mean() - 5
    assert page.inner_text("#saved") == "not saved yet"
    page.click("#undo")
    until(page, "() => document.querySelector('#redo').disabled === false")
    page.wait_for_timeout(300)
    assert np.array_equal(pixels(page), first)
    page.click("#redo")
    page.wait_for_timeout(300)
    page.reload()
    page.wait_for_selector(PAINTED)
    assert page.inner_text("#saved") == "not saved yet"
    page.keyboard.press("Control+s")
    until(page, "() => document.querySelector('#saved').textContent === 'saved'")
    assert recipe.read_text(encoding="utf-8") == RECIPE.replace("stops: +0.5EV", "stops: -1EV")


def test_the_wheel_and_the_arrow_keys_change_values(page: Any, server: Server) -> None:
    page.click("#open-exposure")
    field = page.locator("[id='v-steps.exposure.stops']")
    field.focus()
    field.press("ArrowUp")
    field.press("ArrowUp")
    page.wait_for_timeout(400)
    assert "stops: 0.7EV" in server.ask("state")["desk"]["text"]
    field.hover()
    page.mouse.wheel(0, 100)
    page.wait_for_timeout(400)
    assert "stops: 0.6EV" in server.ask("state")["desk"]["text"]
    page.click("#undo")  # one gesture
    page.wait_for_timeout(400)
    assert server.ask("state")["desk"]["text"] == RECIPE


def test_one_to_one_shows_the_bits_of_the_full_run(page: Any, server: Server, recipe: Path) -> None:
    page.click("#one")
    page.wait_for_selector("#picture[data-settled$=final]", timeout=60_000)
    shown = pixels(page)
    server.act(do="set", values={"steps.display.on": "false"})  # lets go of the working folder's lock by another recipe …
    server.act(do="undo")
    wanted = Settings(device="cpu", work=recipe.parent / "elsewhere")
    with prepared(load_recipe(recipe), wanted) as run:
        run.run(finish=False)
        shape = run.finishing_pass.shape
        tile = Tile(run.window(shape.whole), shape.whole, shape)
        codes = np.asarray(encode_tile(run.device, tile, "srgb", 8))[:3].transpose(1, 2, 0).astype(int)
    corner = page.evaluate("() => tilepipe.viewer.toScreen(-0.5, -0.5)")
    x, y = round(corner[0]), round(corner[1])
    assert (x, y) == pytest.approx(tuple(corner))
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + shape.height, shown.shape[0]), min(x + shape.width, shown.shape[1])
    assert (bottom - top) * (right - left) > 40_000
    seen = Window.between(top - y, left - x, bottom - y, right - x)
    assert np.array_equal(shown[top:bottom, left:right], codes[seen.rows, seen.cols])


def drag(page: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    """A drag between two places given as shares of the picture."""
    points = page.evaluate(
        "(p) => { const v = tilepipe.viewer, b = v.canvas.getBoundingClientRect(); return p.map(([x, y]) => { const [u, w] ="
        " v.toScreen(x * v.world.width, y * v.world.height); return [u / v.ratio + b.left, w / v.ratio + b.top]; }); }",
        [start, end],
    )
    page.mouse.move(*points[0])
    page.mouse.down()
    page.mouse.move(*[(a + b) / 2 for a, b in zip(*points, strict=True)])
    page.mouse.move(*points[1])
    page.mouse.up()


def test_every_mask_is_placed_in_the_base_frame(page: Any, server: Server) -> None:
    page.click("[data-sheet=masks]")
    page.click("#draw-polygon")
    for place in ((0.1, 0.1), (0.5, 0.1), (0.3, 0.6)):
        drag(page, place, place)
    page.keyboard.press("Enter")
    page.wait_for_selector("#picture[data-overlays=mask]")
    page.click("#draw-ellipse")
    drag(page, (0.2, 0.2), (0.6, 0.5))
    page.click("#draw-gradient")
    drag(page, (0.5, 0.1), (0.5, 0.6))
    page.click("#draw-stroke")
    drag(page, (0.1, 0.6), (0.6, 0.65))
    for kind in ("luminance", "hue", "chroma"):
        page.click(f"#pick-{kind}")
        drag(page, (0.1, 0.1), (0.3, 0.2))
        until(page, f"() => document.querySelector('#sheet').textContent.includes('{kind}-1')")
    found = {mask["name"]: mask["resolved"] for mask in server.ask("state")["masks"]}
    assert set(found) == {"polygon-1", "ellipse-1", "gradient-1", "stroke-1", "luminance-1", "hue-1", "chroma-1"}
    corners = np.array(found["polygon-1"]["polygon"]["points"])
    assert corners == pytest.approx(np.array([(0.1, 0.1), (0.5, 0.1), (0.3, 0.6)]), abs=0.006)  # two pixels of 360
    assert found["ellipse-1"]["ellipse"]["centre"] == pytest.approx((0.4, 0.35), abs=0.006)
    assert found["gradient-1"]["gradient"]["nothing"] == pytest.approx((0.5, 0.6), abs=0.006)
    assert found["stroke-1"]["stroke"]["points"][-1][:2] == pytest.approx((0.6, 0.65), abs=0.006)


def test_a_figure_is_added_and_taken_away_and_the_step_uses_it(page: Any, server: Server) -> None:
    first = pixels(page)
    page.click("[data-sheet=masks]")
    page.select_option("#draw-step", "exposure")
    page.click("#draw-ellipse")
    drag(page, (0.2, 0.2), (0.6, 0.5))
    until(page, "() => document.querySelector('#sheet').textContent.includes('used by exposure')")
    for how in ("add", "erase"):
        page.select_option("#draw-target", f"{how} ellipse-1")
        page.click("#draw-stroke")
        drag(page, (0.1, 0.6), (0.6, 0.65))
        page.wait_for_timeout(500)
    mask = server.ask("state")["masks"][0]
    assert set(mask["resolved"]) == {"all_of"}
    assert set(mask["resolved"]["all_of"][0]) == {"any_of"}
    assert mask["used_by"] == ["exposure"]
    page.select_option("#mask-shown", "")
    page.wait_for_timeout(600)
    assert not np.array_equal(pixels(page), first)


def test_a_mask_that_is_undone_is_no_longer_shown(page: Any, server: Server) -> None:
    page.click("[data-sheet=masks]")
    page.click("#draw-ellipse")
    drag(page, (0.2, 0.2), (0.6, 0.5))
    page.wait_for_selector("#picture[data-overlays=mask]")
    page.click("#undo")
    page.wait_for_selector("#picture[data-overlays='']")
    assert server.ask("state")["masks"] == []


def test_marks_are_those_that_are_chosen_last(page: Any) -> None:
    page.click("[data-sheet=look]")
    boxes = page.locator("#sheet input[type=checkbox]")
    for wanted in (True, False):
        for index in range(boxes.count()):
            boxes.nth(index).set_checked(wanted)  # faster than the server answers
    page.wait_for_timeout(1500)
    assert page.get_attribute("#picture", "data-overlays") == ""


def test_two_pictures_are_compared_by_a_divider_and_by_holding(page: Any) -> None:
    alone = pixels(page)
    page.select_option("#beside", "frame:0")
    page.wait_for_timeout(500)
    both = pixels(page)
    middle = alone.shape[1] // 2
    assert np.array_equal(both[:, : middle - 1], alone[:, : middle - 1])
    assert not np.array_equal(both[:, middle + 1 :], alone[:, middle + 1 :])
    page.focus("#divider")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    assert page.get_attribute("#divider", "aria-valuenow") == "60"
    page.focus("#picture")
    page.keyboard.down("h")
    page.wait_for_timeout(300)
    other = pixels(page)
    assert np.array_equal(other[:, middle + 200 :], both[:, middle + 200 :])
    page.keyboard.up("h")
    page.wait_for_timeout(300)
    assert np.array_equal(pixels(page)[:, : middle - 1], alone[:, : middle - 1])


def test_a_group_of_what_moved_gets_another_frame(page: Any, server: Server) -> None:
    groups = server.ask("state")["groups"]
    assert groups, "the scene's water and grass move"
    page.click("[data-sheet=look]")
    page.check("#layer-moved")
    page.wait_for_selector("#picture[data-overlays=moved]")
    frame = "2" if groups[0]["frame"] != 1 else "1"
    page.select_option(f"#group-{groups[0]['id']}", frame)
    until(page, "() => document.querySelector('#saved').textContent === 'not saved yet'")
    page.wait_for_selector("body[data-ground=true]", timeout=60_000)
    told = server.ask("state")
    assert f"frame: {frame}" in told["desk"]["text"]
    motion = next(step for step in told["steps"] if step["id"] == "motion")
    override = next(value for value in motion["values"] if value["name"] == "overrides")["json"][0]
    chosen = [group for group in told["groups"] if group["frame"] == int(frame) - 1]
    assert len(override["polygon"]) >= 4
    assert max(group["share"] for group in chosen) >= 0.5 * groups[0]["share"]


def test_a_spot_is_refused_and_accepted(page: Any, server: Server) -> None:
    spots = server.ask("state")["spots"]
    assert [spot["what"] for spot in spots] == ["healed"], "the scene's frames carry dirt"
    page.click("[data-sheet=look]")
    page.check("#layer-spots")
    page.wait_for_selector("#picture[data-overlays=spots]")
    for button, what, field in (("refuse", "listed", "refuse"), ("accept", "healed", "accept")):
        page.click(f"#{button}-{spots[0]['id']}")
        until(page, f"() => fetch('state').then((a) => a.json()).then((s) => s.fresh && s.spots[0].what === '{what}')")
        assert f"{field}: [\"{spots[0]['id']}\"]" in server.ask("state")["desk"]["text"]


def test_values_are_seen_side_by_side_and_taken(page: Any, server: Server) -> None:
    page.click("#open-local_contrast")
    page.locator("[id='v-steps.local_contrast.range']").focus()
    page.click("#side-by-side")
    page.wait_for_selector(".sample")
    until(page, "() => [...document.querySelectorAll('.sample img')].every((i) => i.complete && i.naturalWidth > 0)")
    values = [each.get_attribute("data-value") for each in page.query_selector_all(".sample")]
    assert "0.7" in values
    assert len(values) == 5
    assert server.ask("state")["desk"]["text"] == RECIPE  # looking changes nothing
    page.click(f".sample[data-value='{values[0]}']")
    until(page, "() => document.querySelector('#saved').textContent === 'not saved yet'")
    assert f"range: {values[0]}" in server.ask("state")["desk"]["text"]


def test_steps_are_switched_moved_added_and_removed(page: Any, server: Server) -> None:
    def order() -> list[str]:
        return [step["id"] for step in server.ask("state")["steps"]]

    page.uncheck("#on-exposure")
    page.wait_for_selector(".card.off[data-step=exposure]")
    page.focus("#open-exposure")
    page.keyboard.press("Alt+ArrowRight")
    page.wait_for_timeout(500)
    assert order().index("exposure") == order().index("local_contrast") + 1
    page.click("[aria-label='Add a step after exposure']")
    page.select_option("#new-stage", "saturation")
    page.click("#slip button:has-text('Add')")
    page.wait_for_selector("[data-step=saturation]")
    page.click("#slip button:has-text('Remove')")
    page.wait_for_selector("[data-step=saturation]", state="detached")
    assert "  # brighter, as the evening was\n  - exposure: {stops: +0.5EV, on: false}\n" in server.ask("state")["desk"]["text"]


def test_a_refused_value_is_told_where_it_was_typed(page: Any, server: Server) -> None:
    page.click("#open-local_contrast")
    field = page.locator("[id='v-steps.local_contrast.range']")
    field.fill("9")
    field.press("Enter")
    page.wait_for_selector("#message:not([hidden])")
    assert "0.2 to 1.5" in page.inner_text("#message")
    assert server.ask("state")["desk"]["text"] == RECIPE


def test_figures_and_the_pointer_tell_of_the_picture(page: Any) -> None:
    page.click("[data-sheet=figures]")
    page.wait_for_selector("#histogram[data-done]")
    page.mouse.move(640, 300)
    page.mouse.move(642, 300)
    until(page, "() => / EV/.test(document.querySelector('#where').textContent)")
    assert "scene" in page.inner_text("#where")


def test_the_full_run_is_started_and_its_result_opens_in_place(page: Any, server: Server, recipe: Path) -> None:
    page.click("[data-sheet=run]")
    page.click("#plan")
    page.wait_for_selector("#planned")
    assert "memory" in page.inner_text("#planned")
    page.click("#start")
    until(page, "() => /Finished/.test(document.querySelector('#run-state').textContent)", timeout_s=120)
    page.wait_for_selector("#seen option[value=result]", state="attached")
    page.select_option("#seen", "result")
    page.wait_for_selector("#picture[data-settled^=result]")
    page.click("#one")
    page.wait_for_selector("#picture[data-settled$='as delivered']")
    assert (recipe.parent / "out" / "evening" / "evening.receipt.json").exists()
    page.keyboard.press("n")
    until(page, "() => document.querySelector('#what').textContent.length > 0")
    page.select_option("#seen", "finished")
    page.focus("#picture")
    page.mouse.move(640, 300)
    page.mouse.move(640, 301)
    page.keyboard.press("w")
    until(page, "() => /of the base frame/.test(document.querySelector('#why')?.textContent ?? '')", timeout_s=60)


def test_axe_finds_no_serious_fault(server: Server, opened: Any) -> None:
    if not AXE.exists():
        pytest.skip("axe-core is not here: `npm install --prefix .cache/axe axe-core`")
    context = opened.new_context(viewport={"width": 1280, "height": 800}, bypass_csp=True)
    page = context.new_page()
    page.goto(server.address)
    page.wait_for_selector(PAINTED, timeout=60_000)
    page.add_script_tag(path=str(AXE))
    for sheet in ("look", "masks", "figures", "run", "keys"):
        page.click(f"[data-sheet={sheet}]")
        if sheet == "masks":
            page.click("#open-local_contrast")
        found = page.evaluate("() => axe.run().then((r) => r.violations)")
        serious = [(each["id"], each["impact"], [node["html"] for node in each["nodes"]][:3]) for each in found
                   if each["impact"] in ("serious", "critical")]
        assert serious == [], sheet
    context.close()
