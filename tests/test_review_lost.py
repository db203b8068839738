"""Two windows, a killed server, a recipe edited by hand meanwhile: nothing is lost, and it is told."""

from __future__ import annotations

from pathlib import Path

from review_page import RECIPE, browser, served, small_job, until


def test_two_windows_a_kill_and_an_edit_by_hand(tmp_path: Path) -> None:
    recipe = small_job(tmp_path)
    with browser() as opened:
        with served(recipe) as server:
            first, second = opened.new_page(), opened.new_page()
            for page in (first, second):
                page.goto(server.address)
                page.wait_for_selector("#picture[data-painted]", timeout=60_000)
            first.click("#open-exposure")
            first.locator("[id='v-steps.exposure.stops']").fill("+0.8EV")
            first.locator("[id='v-steps.exposure.stops']").press("Enter")
            until(second, "() => document.querySelector('#saved').textContent === 'not saved yet'")
            second.click("#open-local_contrast")
            second.locator("[id='v-steps.local_contrast.range']").fill("0.6")
            second.locator("[id='v-steps.local_contrast.range']").press("Enter")
            until(first, "() => document.body.dataset.revision === '2'")
            assert "+0.8EV" in server.ask("state")["desk"]["text"]  # neither window's change undoes the other's
            server.kill()
            first.wait_for_selector("body[data-line=lost]", timeout=20_000)
            assert "draft" in first.inner_text("#message")
        recipe.write_text(RECIPE.replace("detail: 1.1", "detail: 1.2"), encoding="utf-8")
        with served(recipe) as server:
            page = opened.new_page()
            page.goto(server.address)
            page.wait_for_selector("#take-theirs", timeout=60_000)
            assert "changed elsewhere" in page.inner_text("#message")
            text = server.ask("state")["desk"]["text"]
            assert "+0.8EV" in text
            assert "range: 0.6" in text
            page.click("#take-theirs")
            until(page, "() => document.querySelector('#saved').textContent === 'saved'")
            assert "detail: 1.2" in server.ask("state")["desk"]["text"]
            page.click("#undo")
            until(page, "() => document.querySelector('#saved').textContent === 'not saved yet'")
            assert server.ask("state")["desk"]["text"] == text
            assert recipe.read_text(encoding="utf-8") == RECIPE.replace("detail: 1.1", "detail: 1.2")
