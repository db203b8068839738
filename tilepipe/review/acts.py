"""What a person does on the page, by its name, and what is told of a pixel, of the worst places and of the plan."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from tilepipe.errors import RecipeError, TilepipeError
from tilepipe.recipe.model import ID_PATTERN
from tilepipe.review.forms import spelled
from tilepipe.review.layers import moved_labels
from tilepipe.review.outline import outline
from tilepipe.review.review import Review
from tilepipe.review.sight import FINISHED
from tilepipe.run.recipe_run import make_plan
from tilepipe.run.why import why
from tilepipe.run.worst import worst_places

MOST_CORNERS = 4000  # of an outline; the recipe takes 4096
_NAME = re.compile(ID_PATTERN)


def act(review: Review, told: Any) -> None:
    """Does one thing; raises RecipeError for what is not known or refused, KeyError where a part is missing."""
    if not isinstance(told, dict) or told.get("do") not in ACTS:
        raise RecipeError("is not something this page can do", str(told)[:80])
    ACTS[told["do"]](review, told)
    review.changed()


def _set(review: Review, told: dict[str, Any]) -> None:
    values = {str(at): str(value) for at, value in told["values"].items()}
    review.desk.set_values(values, str(told.get("gesture", "")))


def _add(review: Review, told: dict[str, Any]) -> None:
    review.desk.add_step(str(told["step"]), told.get("after"))


def _mask(review: Review, told: dict[str, Any]) -> None:
    name = str(told["name"])
    if not _NAME.fullmatch(name):
        raise RecipeError("is not a name", name, allowed="a letter, then letters, digits, `_` and `-`")
    given = told["mask"]
    review.desk.put_mask(name, " ".join(given.split()) if isinstance(given, str) else spelled(given), told.get("step"))


def _join_mask(review: Review, told: dict[str, Any]) -> None:
    """Adds a figure to a named mask, or takes it away: any_of, or all_of with none_of."""
    recipe, name = review.desk.recipe, str(told["name"])
    known = recipe.masks[name].resolved()
    if told["how"] == "add":
        inner = known["any_of"] if set(known) == {"any_of"} else [known]
        made: Any = {"any_of": [*inner, told["mask"]]}
    else:
        made = {"all_of": [known, {"none_of": [told["mask"]]}]}
    review.desk.put_mask(name, spelled(made))


def _group(review: Review, told: dict[str, Any]) -> None:
    """Another frame for a group of what moved: an override with the group's outline."""
    ground = review.development.ground
    step = next((step for step in review.desk.recipe.steps if step.name == "motion"), None)
    if ground is None or step is None:
        raise RecipeError("there is no `motion` in this recipe", "steps")
    labels, cell = moved_labels(ground)
    line = outline(labels == int(told["group"]))
    if len(line) < 3:
        raise RecipeError("there is no such group", "motion", found=str(told["group"]))
    line = line[:: -(-len(line) // MOST_CORNERS)]
    height, width = ground.full.height, ground.full.width
    polygon = [[round(min(x * cell / width, 1.0), 5), round(min(y * cell / height, 1.0), 5)] for y, x in line]
    frame = told["frame"] if told["frame"] in ("average", "merge") else int(told["frame"])
    known = step.stage.model_dump(mode="json").get("overrides", [])
    kept = [item for item in known if [list(point) for point in item["polygon"]] != polygon]
    review.desk.set_values({f"steps.{step.id}.overrides": spelled([*kept, {"polygon": polygon, "frame": frame}])})


def _spot(review: Review, told: dict[str, Any]) -> None:
    """Accepts or refuses a candidate that `lens_spots` lists."""
    step = next((step for step in review.desk.recipe.steps if step.name == "lens_spots"), None)
    if step is None or told["what"] not in ("accept", "refuse"):
        raise RecipeError("there are no spots to choose from", "steps", next_step="add `lens_spots` to the steps")
    values = step.stage.model_dump(mode="json")
    lists = {what: [each for each in values[what] if each != told["spot"]] for what in ("accept", "refuse")}
    lists[told["what"]].append(str(told["spot"]))
    changed = {what: ids for what, ids in lists.items() if ids != list(values[what])}
    review.desk.set_values({f"steps.{step.id}.{what}": json.dumps(ids) for what, ids in changed.items()})


def _keep(review: Review, told: dict[str, Any]) -> None:
    """Keeps the picture as it is, to be compared with later."""
    name = f"{len(review.sight.kept) + 1}"
    review.sight.kept[name] = review.sight.linear(FINISHED, review.desk.recipe)


ACTS: dict[str, Callable[[Review, dict[str, Any]], None]] = {
    "set": _set, "add": _add, "mask": _mask, "join-mask": _join_mask, "group": _group, "spot": _spot, "keep": _keep,
    "remove": lambda review, told: review.desk.remove_step(str(told["step"])),
    "move": lambda review, told: review.desk.move_step(str(told["step"]), told.get("before")),
    "undo": lambda review, told: review.desk.step_back(), "redo": lambda review, told: review.desk.step_forward(),
    "save": lambda review, told: review.desk.save(), "take theirs": lambda review, told: review.desk.take_theirs(),
    "keep mine": lambda review, told: review.desk.keep_mine(),
    "run": lambda review, told: review.start_run(), "pause": lambda review, told: review.running.pause(),
}


def why_told(review: Review, x: int, y: int) -> dict[str, Any]:
    """The account of one pixel of the finished picture, as lines."""
    if review.running.state in ("running", "pausing"):
        raise TilepipeError("the full run is using the working folder", next_step="wait for it, or pause it")
    with review.work:
        review.finals.close()
        told = why(review.desk.recipe, review.settings, (x, y))
    return {"lines": list(told.lines()), "group": told.group, "clipped": told.clipped}


def worst_told(review: Review) -> list[dict[str, Any]]:
    """The places of the last run to look at first, the worst first; empty before the first run."""
    if not review.stored.receipt:
        return []
    return [
        {"kind": place.kind, "base": list(place.base), "text": place.sentence, "size": list(place.size_px)}
        for place in worst_places(review.stored.receipt)
    ]


def plan_told(review: Review) -> dict[str, Any]:
    """What a full run would do."""
    plan = make_plan(review.desk.recipe, review.settings)
    return {
        "seconds": plan.seconds, "memory_bytes": plan.promise_bytes, "scratch_bytes": plan.scratch_disk_bytes,
        "output_bytes": plan.output_disk_bytes, "tiles": plan.tiles, "workers": plan.workers, "tile_px": plan.tile_px,
        "passes": [step.name for step in plan.passes],
    }
