"""Checks what a recipe asks to be delivered: kinds, their values, and that no file overwrites another."""

from __future__ import annotations

from collections.abc import Mapping

from tilepipe.recipe.checking import checked
from tilepipe.recipe.deliver import KINDS, Deliverable
from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.layers import DEFAULT
from tilepipe.recipe.node import Node, joined


def read_deliver(node: Node, faults: FaultList) -> tuple[Deliverable, ...]:
    """The deliverables without faults, in order."""
    found: list[Deliverable] = []
    names: dict[str, str] = {}
    for index, item in enumerate(node.items):
        address = joined("deliver", index)
        if (deliverable := _deliverable(item, address, faults)) is None:
            continue
        if (other := names.setdefault(deliverable.file_name.lower(), address)) != address:
            faults.at(
                item.mapping.get("name", item), address, f"would overwrite {other}", found=deliverable.file_name,
                next_step="give it another `name`",
            )
        found.append(deliverable)
    return tuple(found)


def _deliverable(item: Node, address: str, faults: FaultList) -> Deliverable | None:
    kind = item.mapping.get("kind")
    address_of_kind = joined(address, "kind")
    if kind is None:
        faults.at(item, address_of_kind, "is missing", found="", allowed=listed(KINDS), next_step="state it")
        return None
    if (model := KINDS.get(kind.shown())) is not None:
        return checked(model, item, address, faults, owner=f"`{kind.value}`")
    hint = did_you_mean(kind.shown(), KINDS)
    faults.at(kind, address_of_kind, "is not a kind of file", allowed=listed(KINDS), next_step=hint)
    return None


def origins_of_deliver(node: Node) -> Mapping[str, str]:
    """Where each value of each deliverable came from, by its address."""
    origins = {}
    for index, item in enumerate(node.items):
        kind = item.mapping.get("kind")
        model = KINDS.get(kind.shown()) if kind else None
        for name in model.model_fields if model else ():
            origins[f"deliver[{index}].{name}"] = item.mapping.get(name, Node(None, DEFAULT)).origin()
    return origins
