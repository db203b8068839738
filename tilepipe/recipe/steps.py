"""Checks the steps of a recipe: each stage's values, and whether, how strongly and where it applies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from tilepipe.errors import RecipeError
from tilepipe.masks.mask import Mask
from tilepipe.recipe.checking import checked
from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import DEFAULT, DraftStep, draft_steps
from tilepipe.recipe.masks import MaskReader
from tilepipe.recipe.model import STEP_KEYS, Step, takes_strength
from tilepipe.recipe.node import Node, Source, joined, node_of
from tilepipe.recipe.order import check_order
from tilepipe.stages.stage import Stage


def read_steps(steps: Sequence[Any], *, frames: int) -> tuple[Step, ...]:
    """Steps given in code, as in a recipe: `[{"blend": {"method": "radiance"}}, "display"]`, for this many frames.

    Stages made in code may stand among them. Raises RecipeError with all faults.
    """
    faults = FaultList()
    plain = [{step.name: step.parameters()} if isinstance(step, Stage) else step for step in steps]
    try:
        node = node_of(plain, Source("steps", Path.cwd(), "code"))
    except TypeError as error:
        raise RecipeError(str(error), "steps", next_step="give stage names and mappings of plain values") from None
    drafts = draft_steps(node, faults)
    found = checked_steps(drafts, faults)
    check_order(drafts, frames, node, faults)
    faults.raise_any()
    return found


def checked_steps(
    drafts: Sequence[DraftStep], faults: FaultList, masks: MaskReader | None = None
) -> tuple[Step, ...]:
    """The steps without faults, in order; `masks` knows those that `where` may name."""
    return tuple(_checked(drafts, faults, masks or MaskReader(None, faults)))


def origins_of_steps(drafts: Sequence[DraftStep], steps: Sequence[Step]) -> Mapping[str, str]:
    """Where each value of each step came from, by its address."""
    origins = {}
    values = {draft.step_id: draft.values.mapping for draft in drafts}
    for step in steps:
        stage = type(step.stage)
        also = ["strength", *(["where"] if step.where is not None else [])] if takes_strength(stage) else []
        for name in [*stage.model_fields, *also]:
            origins[f"steps.{step.id}.{name}"] = values[step.id].get(name, Node(None, DEFAULT)).origin()
    return origins


def _checked(drafts: Sequence[DraftStep], faults: FaultList, masks: MaskReader) -> Iterator[Step]:
    for draft in drafts:
        stage = draft.stage
        if stage is None:
            continue
        own = {key: node for key, node in draft.values.mapping.items() if key in STEP_KEYS}
        rest = {key: node for key, node in draft.values.mapping.items() if key not in STEP_KEYS}
        place = draft.values
        values = Node(rest, place.source, place.line, place.key_line)
        also = [key for key in STEP_KEYS if key in ("id", "on") or takes_strength(stage)]
        made = checked(stage, values, draft.address, faults, owner=f"`{stage.name}`", also=also)
        on, strength = _switch(own.get("on"), draft, faults), _strength(own.get("strength"), draft, stage, faults)
        where = _where(own.get("where"), draft, stage, faults, masks)
        if made is not None:
            yield Step(id=draft.step_id, stage=made, on=on, strength=strength, where=where)


def _switch(node: Node | None, draft: DraftStep, faults: FaultList) -> bool:
    if node is not None and not isinstance(node.value, bool):
        faults.at(node, joined(draft.address, "on"), "needs `true` or `false`", allowed="`true`, `false`")
    return node is None or node.value is not False


def _strength(node: Node | None, draft: DraftStep, stage: type[Stage], faults: FaultList) -> float:
    if node is None:
        return 1.0
    address = joined(draft.address, "strength")
    if not takes_strength(stage):
        faults.at(
            node, address, f"has no place here: `{stage.name}` does not change pixels where they are",
            allowed="`strength` only for steps that change pixels in place", next_step="remove it", on_key=True,
        )
    elif isinstance(node.value, bool) or not isinstance(node.value, int | float):
        faults.at(node, address, "needs a number", allowed="0 to 1")
    elif not 0 <= node.value <= 1:
        faults.at(node, address, "is out of range", allowed="0 to 1")
    else:
        return float(node.value)
    return 1.0


def _where(
    node: Node | None, draft: DraftStep, stage: type[Stage], faults: FaultList, masks: MaskReader
) -> Mask | None:
    if node is None or (node.value is None and takes_strength(stage)):
        return None
    address = joined(draft.address, "where")
    if takes_strength(stage):
        return masks.read(node, address)
    faults.at(
        node, address, f"has no place here: `{stage.name}` does not change pixels where they are",
        allowed="`where` only for steps that change pixels in place",
        next_step="remove it; the step applies to the whole picture", on_key=True,
    )
    return None
