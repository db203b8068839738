"""Adds, removes and moves whole steps and masks in the text of a YAML recipe; comments travel with what they stand above."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import DraftStep, draft_of
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.yaml_text import read_yaml


@dataclass(frozen=True)
class _Entry:
    """One step of the list as it stands in the text: whole lines of a list with dashes, else what lies between commas."""

    step_id: str
    start: int
    end: int


def without_step(text: str, step_id: str) -> str | None:
    """The text without a step; None where this text does not write it, or writes no other."""
    steps = _Steps.of(text)
    if steps is None or step_id not in steps.ids or len(steps.ids) < 2:
        return None
    kept = [entry for entry in steps.entries if entry.step_id != step_id]
    return steps.written([text[entry.start : entry.end] for entry in kept])


def moved_step(text: str, step_id: str, before: str | None) -> str | None:
    """The text with a step moved in front of another, or (None) to the end."""
    steps = _Steps.of(text)
    if steps is None or step_id not in steps.ids or (before is not None and before not in steps.ids):
        return None
    if before == step_id:
        return text
    order = [name for name in steps.ids if name != step_id]
    order.insert(len(order) if before is None else order.index(before), step_id)
    parts = {entry.step_id: text[entry.start : entry.end] for entry in steps.entries}
    return steps.written([parts[name] for name in order])


def with_step(text: str, spelled: str, after: str | None) -> str | None:
    """The text with a new step, spelled as `exposure: {stops: +1EV}`, behind another or (None) in front of all."""
    steps = _Steps.of(text)
    if steps is None or not steps.entries or (after is not None and after not in steps.ids):
        return None
    parts = [text[entry.start : entry.end] for entry in steps.entries]
    place = 0 if after is None else steps.ids.index(after) + 1
    parts.insert(place, steps.spelled(spelled))
    return steps.written(parts)


def with_mask(text: str, name: str, spelled: str) -> str | None:
    """The text with a mask of this name, a new one or in place of what it was; `spelled` in braces or a name."""
    root = _read(text)
    if root is None:
        return None
    masks = root.mapping.get("masks")
    if masks is None or not masks.mapping:
        if root.span is not None:
            return None
        start, end = (len(text.rstrip()), len(text)) if masks is None or masks.key_span is None else (
            text.rfind("\n", 0, masks.key_span[0]) + 1, _line_end(text, masks.key_span[1])
        )
        lead = "\n" if start and not text[:start].endswith("\n") else ""
        return f"{text[:start]}{lead}masks:\n  {name}: {spelled}\n{text[end:]}"
    known = masks.mapping.get(name)
    if known is not None and known.key_span is not None:
        return f"{text[: known.key_span[0]]}{name}: {spelled}{text[_end(known):]}"
    last = next(reversed(masks.mapping.values()))
    if masks.span is not None:
        return f"{text[: _end(last)]}, {name}: {spelled}{text[_end(last):]}"
    assert last.key_span is not None
    line = text.rfind("\n", 0, last.key_span[0]) + 1
    at = _line_end(text, _end(last))
    lead = "" if text[:at].endswith("\n") else "\n"
    return f"{text[:at]}{lead}{text[line : last.key_span[0]]}{name}: {spelled}\n{text[at:]}"


@dataclass(frozen=True)
class _Steps:
    """The list of steps in a text: where it is, what it holds, how it is written."""

    text: str
    entries: tuple[_Entry, ...]
    flow: bool
    indent: str

    @classmethod
    def of(cls, text: str) -> _Steps | None:
        root = _read(text)
        node = root.mapping.get("steps") if root else None
        if root is None or node is None or not node.is_list:
            return None
        found = draft_of(root, FaultList()).steps
        if len(found) != len(node.items):
            return None
        if node.span is not None:
            if "#" in text[node.span[0] : node.span[1]]:
                return None
            return cls(text, tuple(_Entry(step.step_id, _start(step.node), _end(step.node)) for step in found), True, "")
        return cls(text, tuple(_lines(text, found)), False, _indent(text, found[0].node) if found else "  ")

    @property
    def ids(self) -> list[str]:
        return [entry.step_id for entry in self.entries]

    def spelled(self, step: str) -> str:
        """A step as an entry of this list."""
        if self.flow:
            return step if ":" not in step else f"{{{step}}}"
        return f"{self.indent}- {step}\n"

    def written(self, parts: list[str]) -> str:
        """The text with these entries in place of its own."""
        start, end = self.entries[0].start, self.entries[-1].end
        if self.flow:
            return self.text[:start] + ", ".join(parts) + self.text[end:]
        whole = [part if part.endswith("\n") else part + "\n" for part in parts]
        return self.text[:start] + "".join(whole) + self.text[end:]


def _lines(text: str, steps: list[DraftStep]) -> list[_Entry]:
    """Each step's whole lines, from the comments right above it to where the next one's begin."""
    starts = [_first_line(text, step.node) for step in steps]
    ends = [*starts[1:], _line_end(text, _end(steps[-1].node)) if steps else 0]
    return [_Entry(step.step_id, start, end) for step, start, end in zip(steps, starts, ends, strict=True)]


def _first_line(text: str, node: Node) -> int:
    line = _dash_line(text, node)
    while line > 0:
        above = text.rfind("\n", 0, line - 1) + 1
        if not text[above:line].lstrip().startswith("#"):
            break
        line = above
    return line


def _dash_line(text: str, node: Node) -> int:
    return text.rfind("\n", 0, text.rindex("-", 0, _start(node))) + 1


def _indent(text: str, node: Node) -> str:
    line = _dash_line(text, node)
    return text[line : text.index("-", line)]


def _line_end(text: str, index: int) -> int:
    end = text.find("\n", index)
    return len(text) if end < 0 else end + 1


def _read(text: str) -> Node | None:
    faults = FaultList()
    root = read_yaml(text, Source("recipe", Path()), faults)
    return root if len(faults) == 0 and root.is_mapping else None


def _spans(node: Node) -> list[tuple[int, int]]:
    own = [span for span in (node.span, node.key_span) if span]
    return own + [span for inner in (*node.items, *node.mapping.values()) for span in _spans(inner)]


def _start(node: Node) -> int:
    return min(start for start, _ in _spans(node))


def _end(node: Node) -> int:
    return max(end for _, end in _spans(node))
