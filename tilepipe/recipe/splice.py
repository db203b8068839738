"""Changes one value in the text of a YAML recipe by replacing just the characters that spell it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import ENTRY_NAMES, draft_of
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.sets import Part, step_at, without_stage
from tilepipe.recipe.yaml_text import read_yaml


def spliced(text: str, parts: tuple[Part, ...], value: str) -> str | None:
    """The text with the value at an address replaced, or added to a mapping in braces; None where that cannot be."""
    text = _lengthened(text, parts)
    root, new = _read(text), _read(value)
    holder = _holder(root, parts) if root else None
    if root is None or new is None or holder is None:
        return None
    name = parts[-1]
    old = _entry(holder, name)
    if old is not None and old.span and old.value is not None:
        found = text[: old.span[0]] + value + text[old.span[1] :]
        old.value = new.value
    elif isinstance(name, str) and old is None and holder.is_mapping and holder.span:
        before = text[: holder.span[1] - 1].rstrip()
        comma = ", " if holder.mapping else ""
        found = f"{before}{comma}{name}: {value}{text[len(before) :]}"
        holder.mapping[name] = new
    else:
        return None
    return found if plain_of(found) == root.plain() else None


def plain_of(text: str) -> Any:
    """What a YAML text says, without its places; None where it has faults."""
    root = _read(text)
    return None if root is None else root.plain()


def _read(text: str) -> Node | None:
    faults = FaultList()
    root = read_yaml(text, Source("recipe", Path()), faults)
    return root if len(faults) == 0 else None


def _entry(node: Node, part: Part) -> Node | None:
    if isinstance(part, int):
        return node.items[part] if part < len(node.items) else None
    return node.mapping.get(part)


def _holder(root: Node, parts: tuple[Part, ...]) -> Node | None:
    """The list or mapping in which the last part of an address stands."""
    holder: Node | None = root
    if parts[0] == "steps":
        step = step_at(draft_of(root, FaultList()), parts[1])
        if step is None:
            return None
        holder, parts = step.values, without_stage(parts[2:], step.stage_name)
    for part in parts[:-1]:
        holder = _entry(holder, part) if holder else None
    return holder


def _lengthened(text: str, parts: tuple[Part, ...]) -> str:
    """The text with a short form at this address (`- align`, `- exposure: +1EV`, `- tiff`) as a mapping in braces."""
    root = _read(text)
    short: Node | None = None
    if root is None or len(parts) < 3:
        return text
    top, which = parts[:2]
    if top in ENTRY_NAMES and top in root.mapping:
        short, before, after = _entry(root.mapping[str(top)], which), f"{{{ENTRY_NAMES[str(top)]}: ", "}"
    elif top == "steps" and (step := step_at(draft_of(root, FaultList()), which)) and step.stage:
        short, before, after = step.node, "", ": {}"
        if step.node.is_mapping:
            field = next(iter(step.stage.model_fields), "")
            short, before, after = step.node.mapping[step.stage_name], f"{{{field}: ", "}"
    if short is None or short.span is None or short.value is None or short.is_mapping or short.is_list:
        return text
    start, end = short.span
    return f"{text[:start]}{before}{text[start:end]}{after}{text[end:]}"
