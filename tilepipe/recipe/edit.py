"""Changes one value in the text of a YAML recipe and no other character of it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import ENTRY_NAMES, DraftStep, draft_of
from tilepipe.recipe.model import Recipe, Step
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.sets import Part, step_at, without_stage
from tilepipe.recipe.yaml_text import read_yaml

_PLAIN = re.compile(r"[a-z][a-z0-9_.-]*")


def edited(text: str, parts: tuple[Part, ...], value: str, wanted: Recipe) -> str | None:
    """The text with a value at an address, in the spelling given; None where it cannot be put there.

    `wanted` is the recipe that must come out: steps, frames and deliverables that it has from a recipe it is based on
    are added to the text where the address leads into them.
    """
    if parts[0] == "steps" and isinstance(parts[1], int):
        parts = ("steps", wanted.steps[parts[1]].id, *parts[2:])
    text = _lengthened(_with_place(text, parts, wanted), parts)
    root = _read(text)
    holder, name = (_holder(root, parts), parts[-1]) if root else (None, "")
    if root is None or holder is None:
        return None
    old = _entry(holder, name)
    if old is not None:
        found = _replaced(text, old, value)
    elif isinstance(name, str) and holder.is_mapping:
        found = _added(text, holder, name, value, at_end=holder is root)
    else:
        return None
    return found if found is not None and _read(found) is not None else None


def _read(text: str) -> Node | None:
    faults = FaultList()
    root = read_yaml(text, Source("recipe", Path()), faults)
    return root if len(faults) == 0 else None


def _entry(node: Node, part: Part) -> Node | None:
    if isinstance(part, int):
        return node.items[part] if part < len(node.items) else None
    return node.mapping.get(part)


def _steps(root: Node) -> list[DraftStep]:
    return draft_of(root, FaultList()).steps


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


def _leaves(node: Node) -> Iterator[Node]:
    """The node and all inside it."""
    yield node
    for inner in (*node.items, *node.mapping.values()):
        yield from _leaves(inner)


def _end(node: Node) -> int:
    """Where the text of a node ends: its own, or that of the last thing inside it."""
    spans = [span for leaf in _leaves(node) for span in (leaf.span, leaf.key_span) if span]
    return max((end for _, end in spans), default=0)


def _replaced(text: str, old: Node, value: str) -> str | None:
    if old.span and old.span[0] < old.span[1]:
        return text[: old.span[0]] + value + text[old.span[1] :]
    if old.key_span is None:
        return None
    after_colon = text.index(":", old.key_span[1]) + 1
    end = after_colon if old.value is None else max(after_colon, _end(old))
    return f"{text[:after_colon]} {value}{text[end:]}"


def _added(text: str, holder: Node, name: str, value: str, *, at_end: bool) -> str | None:
    """The text with a new entry of a mapping: in its brackets, on a line of its own, or at the end of the text."""
    if holder.span:
        before = text[: holder.span[1] - 1].rstrip()
        comma = ", " if holder.mapping else ""
        return f"{before}{comma}{name}: {value}{text[len(before) :]}"
    if at_end:
        return f"{text.rstrip()}\n{name}: {value}\n".lstrip("\n")
    last = next(reversed(holder.mapping.values()), None)
    if last is None or last.key_span is None:
        return None
    indent = " " * _column(text, last.key_span[0])
    return _with_line(text, _end(last), f"{indent}{name}: {value}")


def _column(text: str, index: int) -> int:
    return index - (text.rfind("\n", 0, index) + 1)


def _with_line(text: str, index: int, line: str) -> str:
    """The text with a new line behind the one that holds `index`."""
    end = text.find("\n", index)
    return f"{text}\n{line}\n" if end < 0 else f"{text[:end]}\n{line}{text[end:]}"


def _lengthened(text: str, parts: tuple[Part, ...]) -> str:
    """The text with a short form at this address (`- align`, `- exposure: +1EV`, `deliver: tiff`) written out."""
    root = _read(text)
    top = str(parts[0])
    if root is None or len(parts) < 3:
        return text
    if top in ENTRY_NAMES and top in root.mapping:
        holder = root.mapping[top]
        entry = _entry(holder, parts[1]) if holder.is_list else holder
        pair = (f"{{{ENTRY_NAMES[top]}: ", "}")
        return _wrapped(text, entry, *(pair if holder.is_list else (f"[{pair[0]}", f"{pair[1]}]")))
    step = step_at(draft_of(root, FaultList()), parts[1]) if top == "steps" else None
    if step is None or step.stage is None:
        return text
    if not step.node.is_mapping:
        return _wrapped(text, step.node, "", ": {}")
    values = step.node.mapping[step.stage_name]
    if values.value is None:
        return _replaced(text, values, "{}") or text
    return _wrapped(text, values, f"{{{next(iter(step.stage.model_fields), '')}: ", "}")


def _wrapped(text: str, node: Node | None, before: str, after: str) -> str:
    """The text with something around a scalar; as it was around anything else."""
    if node is None or node.span is None or node.is_mapping or node.is_list:
        return text
    start, end = node.span
    return f"{text[:start]}{before}{text[start:end]}{after}{text[end:]}"


def _with_place(text: str, parts: tuple[Part, ...], wanted: Recipe) -> str:
    """The text with what the address leads into, where it is only in a recipe that this one is based on."""
    root = _read(text)
    top = str(parts[0])
    if root is None or len(parts) < 2:
        return text
    if top in ENTRY_NAMES and top not in root.mapping:
        return _with_part(text, root, top, [_flow(entry) for entry in _entries(top, wanted)])
    if top == "steps":
        step = wanted.step(str(parts[1]))
        own = _steps(root)
        if step.id not in [other.step_id for other in own]:
            return _with_step(text, root, own, step, wanted)
    return text


def _with_part(text: str, root: Node, top: str, entries: list[str]) -> str:
    """The text with a part of the recipe at its end that it did not have: a list with an entry per line."""
    if root.span:
        return _added(text, root, top, f"[{', '.join(entries)}]", at_end=False) or text
    return "\n".join([text.rstrip(), f"{top}:", *(f"  - {entry}" for entry in entries), ""]).lstrip("\n")


def _with_step(text: str, root: Node, own: list[DraftStep], step: Step, wanted: Recipe) -> str:
    """The text with a step that it does not write yet, where the order of steps has it."""
    entry = step.name if step.id == step.name else f"{step.name}: {{id: {step.id}}}"
    order = [other.id for other in wanted.steps]
    before = [other for other in own if order.index(other.step_id) < order.index(step.id)]
    node = root.mapping.get("steps")
    if node is None:
        return _with_part(text, root, "steps", [entry if step.id == step.name else f"{{{entry}}}"])
    if not own:
        return _replaced(text, node, f"[{entry}]") or text
    if node.span:
        entry = entry if step.id == step.name else f"{{{entry}}}"
        items = node.items
        where = _end(before[-1].node) if before else node.span[0] + 1
        spelled = f", {entry}" if before else f"{entry}, " if items else entry
        return text[:where] + spelled + text[where:]
    first = _start(own[0].node)
    dash = text.rindex("-", 0, first)
    line = " " * _column(text, dash) + f"- {entry}"
    if before:
        return _with_line(text, _end(before[-1].node), line)
    start = text.rfind("\n", 0, dash) + 1
    return f"{text[:start]}{line}\n{text[start:]}"


def _start(node: Node) -> int:
    """Where the text of a node begins."""
    spans = [span for leaf in _leaves(node) for span in (leaf.span, leaf.key_span) if span]
    return min(start for start, _ in spans)


def _entries(top: str, wanted: Recipe) -> list[dict[str, Any]]:
    """The frames or deliverables that a recipe has from elsewhere, as it would write them itself."""
    if top == "deliver":
        return [item.model_dump(mode="json", exclude_unset=True) for item in wanted.deliver]
    return [
        frame.model_dump(mode="json", exclude_unset=True) | {"file": os.path.relpath(frame.file, wanted.folder)}
        for frame in wanted.frames
    ]


def _flow(entry: dict[str, Any]) -> str:
    """A mapping in braces; values that are not plain words are spelled as JSON, which YAML reads."""
    return "{" + ", ".join(f"{key}: {_spelled(value)}" for key, value in entry.items()) + "}"


def _spelled(value: Any) -> str:
    plain = isinstance(value, str) and _PLAIN.fullmatch(value) and value not in ("null", "true", "false")
    return str(value) if plain else json.dumps(value, ensure_ascii=False)
