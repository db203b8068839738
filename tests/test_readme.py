"""README tells the truth: its Python runs, its recipes load, its links and commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tilepipe.cli import main_group
from tilepipe.recipe.load import load_recipe

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


@pytest.mark.parametrize("text", _blocks("python"))
def test_its_python_runs(text: str) -> None:
    exec(compile(text, "README.md", "exec"), {})


@pytest.mark.parametrize("text", _blocks("yaml"))
def test_its_recipes_load(text: str) -> None:
    recipe = load_recipe(text, check_files=False)
    assert recipe.steps


def test_the_shortest_recipe_is_the_one_in_configs() -> None:
    assert _blocks("yaml")[0].strip() == (ROOT / "configs" / "smallest.yaml").read_text(encoding="utf-8").strip()


def test_its_commands_exist() -> None:
    named = set(re.findall(r"tilepipe ([a-z]+)\b", " ".join(_blocks("console"))))
    assert named
    assert named <= set(main_group.commands)


def test_its_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_nothing_is_left_to_fill_in() -> None:
    assert "@" not in README
