"""Recipe texts are read as data with lines: YAML and TOML, within limits, never as code."""

from __future__ import annotations

import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tilepipe.recipe.faults import FaultList, RecipeFault
from tilepipe.recipe.node import Node, Source
from tilepipe.recipe.toml_text import read_toml
from tilepipe.recipe.yaml_text import MAX_NODES, read_yaml

SOURCE = Source("sample", Path(), "file")


def faults_of(faults: FaultList) -> list[tuple[int, str, str]]:
    try:
        faults.raise_any()
    except Exception as error:
        found: list[RecipeFault] = list(getattr(error, "faults", ()))
        return [(fault.line, fault.address, fault.what) for fault in found]
    return []


def yaml(text: str) -> tuple[Node, list[tuple[int, str, str]]]:
    faults = FaultList()
    return read_yaml(text, SOURCE, faults), faults_of(faults)


def toml(text: str) -> tuple[Node, list[tuple[int, str, str]]]:
    faults = FaultList()
    return read_toml(text, SOURCE, faults), faults_of(faults)


def test_scalars_are_few_and_plain():
    text = "[1, -2, 0.5, 1e3, .5, +0.4EV, yes, on, true, null, ~, '1', 0x10, 1_000, 2024-01-01, 1:30, 6400K, 1.5%]"
    node, faults = yaml(text)
    assert faults == []
    assert node.plain() == [
        1, -2, 0.5, 1000.0, 0.5, "+0.4EV", "yes", "on", True, None, None, "1", "0x10", "1_000", "2024-01-01", "1:30",
        "6400K", "1.5%",
    ]
    assert [type(item) for item in node.plain()[:3]] == [int, int, float]


def test_lines_of_keys_and_values():
    node, _ = yaml("a: 1\n\nb:\n  - x\n  - {c: 2,\n     d: 3}\n")
    items = node.mapping["b"].items
    assert (node.mapping["b"].key_line, node.mapping["b"].line) == (3, 4)
    assert [item.line for item in items] == [4, 5]
    assert [items[1].mapping[key].line for key in "cd"] == [5, 6]


YAML_FAULTS = [
    ("a: !!python/object/apply:os.system [ls]", (1, "a", "carries a tag; a recipe is plain data")),
    ("a: !x 1", (1, "a", "carries a tag; a recipe is plain data")),
    ("a: 1\nb: 2\na: 3", (3, "a", "is written twice, first on line 1")),
    ("a: *b", (1, "a", "refers to `*b`, which is not defined before this place")),
    ("a: &b [*b]", (1, "a[0]", "refers to `*b`, which is not defined before this place")),
    ("a: 1\n---\nb: 2", (3, "", "a second document begins here")),
    ("? [x]\n: 1", (1, "", "has a key that is not a word")),
    ("a:\n  - .inf", (2, "a[0]", "is not a finite number")),
    ("a: 1e999", (1, "a", "is not a finite number")),
    ("[" * 100, (1, "", "is nested more than 24 deep")),
]


@pytest.mark.parametrize(("text", "fault"), YAML_FAULTS)
def test_what_yaml_may_not_say(text: str, fault: tuple[int, str, str]):
    assert yaml(text)[1] == [fault]


UNREADABLE = [("a: [1", 1), ("a: b: c", 1), ("a: 1\n\tb: 2", 2), ("a: 'x", 1), ("a: \x07", 0)]


@pytest.mark.parametrize(("text", "line"), UNREADABLE)
def test_unreadable_yaml_names_the_line(text: str, line: int):
    node, faults = yaml(text)
    assert node.plain() == {}
    assert len(faults) == 1
    assert faults[0][0] == line
    assert faults[0][2].startswith("is not readable as YAML: ")


def test_repeated_repetition_ends_early():
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    what = f"holds more than {MAX_NODES:,} values (repeated ones counted each time)"
    assert yaml("\n".join(lines))[1] == [(6, "", what)]


def test_aliases_give_values_of_their_own():
    node, faults = yaml("a: &x {b: 1}\nc: *x\n")
    assert faults == []
    node.mapping["c"].mapping["b"].value = 2
    assert node.plain() == {"a": {"b": 1}, "c": {"b": 2}}


TOML = '''\
# comment = 1
frames = [
  "a.dng",  # [not.a.table]
  {file = "b#.dng", light = "+2EV"},
]
text = """
x = 1
[[steps]]
"""
path = 'c\\'

[[steps]]
align = {}
[[steps]]
[steps.local_contrast]
range = 0.5
"two words".deep = [[1, 2],
  [3, 4]]
[masks]
'''


def test_toml_has_lines():
    node, faults = toml(TOML)
    assert faults == []
    assert node.plain() == tomllib.loads(TOML)
    assert [item.line for item in node.mapping["frames"].items] == [3, 4]
    assert node.mapping["path"].line == 10
    contrast = node.mapping["steps"].items[1].mapping["local_contrast"]
    assert (contrast.line, contrast.mapping["range"].line) == (15, 16)
    deep = contrast.mapping["two words"].mapping["deep"]
    assert [item.line for item in deep.items] == [17, 18]
    assert node.mapping["masks"].line == 19


@pytest.mark.parametrize(("text", "fault"), [
    ("a = 1\nb = inf", (2, "b", "is not a finite number")),
    ("a = 2024-01-01", (1, "a", "is a date or a time; a recipe has no use for one")),
    ("a = 1\nb = ", (2, "", "is not readable as TOML: invalid value")),
    ("a = 1\na = 2", (2, "", "is not readable as TOML: cannot overwrite a value")),
    ("a = " + "[" * 5000, (0, "", "is not readable as TOML: ")),
])
def test_what_toml_may_not_say(text: str, fault: tuple[int, str, str]):
    line, address, what = toml(text)[1][0]
    assert (line, address) == fault[:2]
    assert what.startswith(fault[2])


def line_by_line(rng: random.Random, depth: int = 0) -> tuple[Any, list[str]]:
    """A random value and the lines that spell it in TOML."""
    if depth < 3 and rng.random() < 0.5:
        parts = [line_by_line(rng, depth + 1) for _ in range(rng.randrange(4))]
        lines = ["["]
        for _, inner in parts:
            lines += [*inner[:-1], inner[-1] + ",  # ] } ="]
        return [value for value, _ in parts], [*lines, "]"]
    value = rng.choice([1, 0.5, True, "a # ] b", 'quoted " text'])
    text = f"'{value}'" if isinstance(value, str) else str(value).lower()
    return value, [text]


def test_the_line_scanner_follows_any_toml():
    rng = random.Random(5)
    for _ in range(60):
        lines: list[str] = []
        starts: dict[str, int] = {}
        for number in range(rng.randrange(1, 5)):
            _, spelled = line_by_line(rng)
            starts[f"k{number}"] = len(lines) + 1
            lines += [f"k{number} = {spelled[0]}", *spelled[1:], ""]
        text = "\n".join(lines)
        node, faults = toml(text)
        assert faults == []
        assert node.plain() == tomllib.loads(text)
        assert {key: item.line for key, item in node.mapping.items()} == starts
