"""A recipe before it is checked: steps with their ids, laid over a recipe it is based on, changed by `--set`."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.model import ID_PATTERN, STEP_KEYS
from tilepipe.recipe.node import Node, Source, joined
from tilepipe.stages.stage import Stage, all_stages

TOP_KEYS = ("based_on", "frames", "base", "steps", "masks", "deliver")
ENTRY_NAMES = {"frames": "file", "deliver": "kind"}  # what a bare word in these lists stands for
DEFAULT = Source("default", Path(), "default")
_ID = re.compile(ID_PATTERN)


@dataclass
class DraftStep:
    """A step as written: the stage's name, its values by name, and the node that faults of the whole step point to."""

    stage_name: str
    step_id: str
    address: str
    node: Node
    values: Node

    @property
    def stage(self) -> type[Stage] | None:
        return all_stages().get(self.stage_name)

    @property
    def is_on(self) -> bool:
        switch = self.values.mapping.get("on")
        return switch is None or switch.value is not False


@dataclass
class Draft:
    """A recipe as written, in a shape that can be laid over another."""

    entries: dict[str, Node] = field(default_factory=dict)
    steps: list[DraftStep] = field(default_factory=list)
    based_on: tuple[Path, ...] = ()

    def step(self, step_id: str) -> DraftStep | None:
        return next((step for step in self.steps if step.step_id == step_id), None)


def draft_of(root: Node, faults: FaultList) -> Draft:
    """The parts of a recipe; short forms (a bare stage name, one file instead of a list) become long ones."""
    if not root.is_mapping:
        faults.at(root, "", "a recipe is a mapping", allowed=listed(TOP_KEYS), next_step="begin with `frames:`")
        return Draft()
    draft = Draft(dict(root.mapping))
    for key in [key for key in draft.entries if key not in TOP_KEYS]:
        node = draft.entries.pop(key)
        hint = did_you_mean(key, TOP_KEYS) or _belongs_in_steps(key)
        faults.at(
            node, key, "is not a part of a recipe", found=key, allowed=listed(TOP_KEYS), next_step=hint, on_key=True
        )
    draft.steps = draft_steps(draft.entries.pop("steps", None), faults)
    for key, name in ENTRY_NAMES.items():
        if key in draft.entries:
            draft.entries[key] = _long_list(draft.entries[key], key, name, faults)
    return draft


def _belongs_in_steps(key: str) -> str:
    return f"write it under `steps:` as `- {key}`" if key in all_stages() else ""


def _long_list(node: Node, address: str, name: str, faults: FaultList) -> Node:
    """A list of mappings, from a list whose entries may be bare words for their key `name`, or from one such word."""
    items = node.items if node.is_list else [node]
    entries = []
    for index, item in enumerate(items):
        if isinstance(item.value, str):
            item = Node({name: item}, item.source, item.line, item.key_line)
        if item.is_mapping:
            entries.append(item)
        else:
            faults.at(item, joined(address, index) if node.is_list else address, f"needs a `{name}`")
    return Node(entries, node.source, node.line, node.key_line)


def draft_steps(node: Node | None, faults: FaultList) -> list[DraftStep]:
    """The steps of a list, each with an id of its own."""
    if node is None or node.value is None:
        return []
    if not node.is_list:
        faults.at(node, "steps", "needs a list", next_step="begin each step with `- `, as in `- align`")
        return []
    steps: list[DraftStep] = []
    for index, item in enumerate(node.items):
        if (step := _draft_step(item, joined("steps", index), faults)) is not None:
            steps.append(step)
    _name_steps(steps, faults)
    return steps


def _draft_step(item: Node, address: str, faults: FaultList) -> DraftStep | None:
    if isinstance(item.value, str):
        name, values = item.value, Node({}, item.source, item.line, item.line)
    elif item.is_mapping and item.value:
        name, values = _named_values(item, address, faults)
    else:
        faults.at(item, address, "is not a step", next_step="write a stage and its values: `- exposure: {stops: +1EV}`")
        return None
    address = joined(address, name)
    if (stage := all_stages().get(name)) is None:
        faults.at(
            values, address, "is not a stage", found=name, allowed=listed(all_stages()),
            next_step=did_you_mean(name, all_stages()), on_key=True,
        )
        return None
    return DraftStep(name, "", address, item, _long_values(values, stage, address, faults))


def _named_values(item: Node, address: str, faults: FaultList) -> tuple[str, Node]:
    names = list(item.mapping)
    name = next((name for name in names if name in all_stages()), "")
    name = name or next((name for name in names if name not in STEP_KEYS), names[0])
    for other in names:
        if other != name:
            faults.at(
                item.mapping[other], joined(address, other), f"stands beside `{name}`; a step is one stage",
                found=other, on_key=True,
                next_step=f"write it among the values: `- {name}: {{{other}: …}}`"
                if other not in all_stages() else f"begin a step of its own with `- {other}`",
            )
    return name, item.mapping[name]


def _long_values(values: Node, stage: type[Stage], address: str, faults: FaultList) -> Node:
    """The values by name; one bare value stands for the only parameter of a stage that has just one."""
    if values.is_mapping:
        return values
    place = (values.source, values.line, values.key_line)
    if values.value is None:
        return Node({}, *place)
    if len(stage.model_fields) == 1:
        return Node({next(iter(stage.model_fields)): values}, *place)
    example = next(iter(stage.model_fields), "on")
    faults.at(
        values, address, "needs its values by name", allowed=listed([*stage.model_fields, *STEP_KEYS]),
        next_step=f"as in `- {stage.name}: {{{example}: …}}`",
    )
    return Node({}, *place)


def _name_steps(steps: list[DraftStep], faults: FaultList) -> None:
    """Gives each step its stated id, or its stage's name, numbered where that is repeated."""
    taken: dict[str, DraftStep] = {}
    counted: dict[str, int] = {}
    for step in steps:
        stated = step.values.mapping.get("id")
        if stated is None:
            counted[step.stage_name] = number = counted.get(step.stage_name, 0) + 1
            step.step_id = step.stage_name if number == 1 else f"{step.stage_name}-{number}"
        elif isinstance(stated.value, str) and _ID.fullmatch(stated.value):
            step.step_id = stated.value
        else:
            step.step_id = step.address
            faults.at(
                stated, joined(step.address, "id"), "is not an id",
                allowed="a letter, then letters, digits, `_` and `-`",
            )
        if step.step_id in taken:
            faults.at(
                stated or step.node, joined(step.address, "id"), f"is the id of {taken[step.step_id].address}, too",
                found=step.step_id, next_step="give one of them another `id`",
            )
        taken.setdefault(step.step_id, step)


def laid_over(under: Draft, over: Draft, faults: FaultList) -> Draft:
    """`over` on top of `under`: entries replace, values override step by step, new steps follow the one before them."""
    result = Draft({**under.entries, **over.entries}, list(under.steps), (*over.based_on, *under.based_on))
    if "masks" in under.entries and "masks" in over.entries:
        result.entries["masks"] = _by_name(under.entries["masks"], over.entries["masks"])
    last = -1
    for position, step in enumerate(over.steps):
        known = next((i for i, other in enumerate(result.steps) if other.step_id == step.step_id), None)
        if known is None:
            last = last + 1 if position else _place_of_first(result, over)
            result.steps.insert(last, step)
        elif known <= last:
            faults.at(
                step.node, step.address, "stands in another order than in the recipe this one is based on",
                found=step.step_id, allowed=listed(other.step_id for other in under.steps),
                next_step="keep that order, or write a whole recipe without `based_on`",
            )
        else:
            result.steps[known] = _overridden(result.steps[known], step, faults)
            last = known
    return result


def _by_name(under: Node, over: Node) -> Node:
    """Named values, of which those in `over` replace those of the same name."""
    if not under.is_mapping or not over.is_mapping:
        return over
    return Node({**under.mapping, **over.mapping}, over.source, over.line, over.key_line)


def _place_of_first(result: Draft, over: Draft) -> int:
    """Where a new step goes that nothing comes before: in front of the first one that is known, else to the end."""
    known = {step.step_id for step in over.steps}
    return next((i for i, step in enumerate(result.steps) if step.step_id in known), len(result.steps))


def _overridden(under: DraftStep, over: DraftStep, faults: FaultList) -> DraftStep:
    if under.stage_name != over.stage_name:
        faults.at(
            over.node, over.address, f"has the id of a step of another stage in {under.node.source.label}",
            found=f"{over.stage_name} ({over.step_id})", allowed=under.stage_name, next_step="give it another `id`",
        )
        return under
    place = over.values
    values = Node({**under.values.mapping, **over.values.mapping}, place.source, place.line, place.key_line)
    return DraftStep(over.stage_name, over.step_id, f"steps.{over.step_id}", over.node, values)


def default_deliver() -> Node:
    """What is delivered when a recipe does not say: one TIFF."""
    return Node([Node({"kind": Node("tiff", DEFAULT)}, DEFAULT)], DEFAULT)
