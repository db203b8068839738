"""Applies `--set ADDRESS=VALUE`: one value of a recipe, changed for this time; faults speak of the text given."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.layers import ENTRY_NAMES, TOP_KEYS, Draft, DraftStep, default_deliver
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.yaml_text import read_yaml
from tilepipe.stages.stage import all_stages

Part = str | int
_NAME, _INDEX = r"[A-Za-z_][A-Za-z0-9_-]*", r"\[\d{1,6}\]"
_ADDRESS = re.compile(rf"{_NAME}(?:\.{_NAME}|{_INDEX})*")
_PART = re.compile(rf"({_NAME})|\[(\d+)\]")
WAY = "steps.ID.PARAMETER=VALUE, base=VALUE or deliver[0].space=VALUE"


@dataclass(frozen=True)
class Change:
    """An address, taken apart, and the value to put there."""

    path: tuple[Part, ...]
    value: Node


def path_of(address: str) -> tuple[Part, ...] | None:
    """`steps[3].exposure.stops` as ("steps", 3, "exposure", "stops"); None for what is not an address."""
    if not _ADDRESS.fullmatch(address):
        return None
    return tuple(match[1] if match[1] else int(match[2]) for match in _PART.finditer(address))


def changes_of(sets: Sequence[str], folder: Path, faults: FaultList) -> list[Change]:
    """The changes that the texts ask for; values are written as in a recipe."""
    found = []
    for text in sets:
        address, equals, value = text.partition("=")
        source = Source(f"--set {text}", folder, "set")
        path = path_of(address.strip())
        if not equals or not value.strip() or path is None:
            faults.add(source, 0, address, "is not a change of a value", allowed=WAY)
            continue
        before = len(faults)
        node = read_yaml(value, source, faults)
        if len(faults) == before:
            found.append(Change(path, node))
    return found


def apply(draft: Draft, change: Change, faults: FaultList) -> None:
    """Puts one value into the draft."""
    top, rest = change.path[0], change.path[1:]
    if top == "steps":
        _set_in_step(draft, rest, change.value, faults)
    elif top not in TOP_KEYS or top == "based_on":
        parts = [key for key in TOP_KEYS if key != "based_on"]
        faults.at(
            change.value, "", "is not a part of a recipe that can be set", found=str(top), allowed=WAY,
            next_step=did_you_mean(str(top), parts),
        )
    elif not rest:
        draft.entries[str(top)] = _listed(str(top), change.value)
    else:
        if top == "deliver":
            draft.entries.setdefault("deliver", default_deliver())
        _set_inside(draft.entries.get(str(top)), str(top), rest, change.value, faults)


def _listed(top: str, value: Node) -> Node:
    name = ENTRY_NAMES.get(top)
    if name is None:
        return value
    items = value.items if value.is_list else [value]
    return Node([item if item.is_mapping else Node({name: item}, item.source) for item in items], value.source)


def _set_in_step(draft: Draft, path: tuple[Part, ...], value: Node, faults: FaultList) -> None:
    if not path:
        faults.at(value, "", "would replace all steps", allowed=WAY, next_step="change the recipe's file instead")
        return
    step = _step(draft, path[0], value, faults)
    if step is None:
        return
    rest = without_stage(path[1:], step.stage_name)
    if not rest or rest == (step.stage_name,):
        faults.at(value, "", "says a step but none of its values", allowed=WAY)
        return
    if rest[0] == "id":
        faults.at(value, "", "would rename a step", next_step="change the id in the recipe's file")
        return
    _set_inside(step.values, step.address, rest, value, faults)


def without_stage(path: tuple[Part, ...], stage_name: str) -> tuple[Part, ...]:
    """The path inside a step; the stage's name may stand in front: `steps[3].exposure.stops`."""
    stands = len(path) > 1 and path[0] == stage_name and stage_name not in all_stages()[stage_name].model_fields
    return path[1:] if stands else path


def step_at(draft: Draft, part: Part) -> DraftStep | None:
    """The step with this id, or at this index."""
    return draft.step(part) if isinstance(part, str) else dict(enumerate(draft.steps)).get(part)


def _step(draft: Draft, part: Part, value: Node, faults: FaultList) -> DraftStep | None:
    ids = [step.step_id for step in draft.steps]
    step = step_at(draft, part)
    if step is None and isinstance(part, int):
        allowed = f"steps[0] to steps[{len(ids) - 1}]" if ids else "no steps at all"
        faults.at(value, "", "there is no such step", found=f"steps[{part}]", allowed=allowed)
    elif step is None and isinstance(part, str):
        hint = did_you_mean(part, ids) or (
            f"the stage `{part}` is not among the steps: add it in the recipe's file" if part in all_stages() else ""
        )
        faults.at(value, "", "no step has this id", found=part, allowed=listed(ids), next_step=hint)
    return step


def _set_inside(node: Node | None, address: str, path: tuple[Part, ...], value: Node, faults: FaultList) -> None:
    for position, part in enumerate(path):
        last = position == len(path) - 1
        if node is not None and isinstance(part, str) and node.is_mapping:
            if last:
                node.value[part] = value
            node = node.value.setdefault(part, Node({}, value.source))
        elif node is not None and isinstance(part, int) and part < len(node.items):
            if last:
                node.value[part] = value
            node = node.items[part]
        else:
            found = f"[{part}]" if isinstance(part, int) else part
            faults.at(value, address, "leads to nothing in this recipe", found=found, allowed=WAY)
            return
