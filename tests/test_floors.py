"""Imports run downward only across the floors, and only `device` touches the compiled library or a GPU package."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "tilepipe"
FLOORS: tuple[tuple[str, ...], ...] = (
    ("errors", "geometry", "units", "digest"),
    ("device", "kernels"),
    ("formats", "store", "colour"),
    ("stages", "masks", "measure"),
    ("recipe",),
    ("plan",),
    ("run",),
    ("cli", "cli_options", "demo", "report", "review"),
)
TOP = len(FLOORS) - 1  # the package itself, which offers what is below to those who import it
CONSTANTS = {"tilepipe.__version__"}  # facts that any floor may ask for
FLOOR_OF = {part: floor for floor, parts in enumerate(FLOORS) for part in parts}
GPU_PACKAGES = {"cupy", "cupyx", "cupy_backends"}
LOADERS = {"CDLL", "PyDLL", "LoadLibrary", "cdll"}
OPENERS = {"load", "library", "Library"}  # what `device.native` opens the compiled library with


@dataclass(frozen=True)
class Import:
    """One imported module and the line of the statement."""

    module: str
    line: int


def part_of(module: str) -> str:
    """The part of the package that a module belongs to: `stages` for `tilepipe.stages.exposure`, "" for the package."""
    names = module.split(".")
    return names[1] if len(names) > 1 else ""


def module_of(path: Path, root: Path = ROOT) -> str:
    names = list(path.relative_to(root).with_suffix("").parts)
    return ".".join(names[:-1] if names[-1] == "__init__" else names)


def imports_of(text: str, module: str, *, is_package: bool) -> Iterator[Import]:
    """Every import of a source text, those inside functions and under conditions too; relative ones made absolute."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from (Import(alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            names = module.split(".") if is_package else module.split(".")[:-1]
            above = names[: len(names) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            yield Import(base, node.lineno)
            yield from (Import(f"{base}.{alias.name}", node.lineno) for alias in node.names)


def floor_of(module: str) -> int:
    part = part_of(module)
    return FLOOR_OF.get(part, TOP) if part else TOP


def breaks_of_floors(text: str, module: str, *, is_package: bool, parts: set[str]) -> list[str]:
    """Imports that run upward; `parts` are the package's parts, to tell them from names that it offers."""
    found = []
    for item in imports_of(text, module, is_package=is_package):
        if item.module.split(".")[0] != "tilepipe" or item.module == "tilepipe" or item.module in CONSTANTS:
            continue
        target = item.module if part_of(item.module) in parts else "tilepipe"
        if part_of(target) != part_of(module) and floor_of(target) > floor_of(module):
            found.append(f"{module}:{item.line} imports {item.module}")
    return found


def device_breaks(text: str, module: str, *, is_package: bool) -> list[str]:
    """What only `device` may do: import a GPU package, load a shared library, open the compiled one."""
    if part_of(module) == "device":
        return []
    opened = {f"tilepipe.device.native.{name}" for name in OPENERS}
    found = [
        f"{module}:{item.line} imports {item.module}"
        for item in imports_of(text, module, is_package=is_package)
        if item.module.split(".")[0] in GPU_PACKAGES or item.module in opened
    ]
    return found + [
        f"{module}:{node.lineno} opens a library by {node.attr}"
        for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Attribute) and _opens(node)
    ]


def _opens(node: ast.Attribute) -> bool:
    owner = getattr(node.value, "attr", getattr(node.value, "id", ""))
    return node.attr in LOADERS or (node.attr in OPENERS and owner == "native")


def sources() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def parts() -> set[str]:
    return {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or any(path.glob("*.py"))}


def ids(paths: list[Path]) -> list[str]:
    return [module_of(path) for path in paths]


def test_every_part_has_a_floor():
    assert parts() - {"__init__", "__main__"} <= set(FLOOR_OF)
    assert len(sources()) > 20


def test_imports_run_downward():
    found = []
    for path in sources():
        text = path.read_text(encoding="utf-8")
        found += breaks_of_floors(text, module_of(path), is_package=path.name == "__init__.py", parts=parts())
    assert found == []


def test_only_device_touches_the_library_and_the_gpu():
    found = []
    for path in sources():
        text = path.read_text(encoding="utf-8")
        found += device_breaks(text, module_of(path), is_package=path.name == "__init__.py")
    assert found == []


def test_parts_of_one_floor_do_not_import_each_other_in_a_circle():
    edges: dict[str, set[str]] = {}
    for path in sources():
        module = module_of(path)
        text = path.read_text(encoding="utf-8")
        for item in imports_of(text, module, is_package=path.name == "__init__.py"):
            target = part_of(item.module) if item.module.startswith("tilepipe.") else ""
            if target in FLOOR_OF and target != part_of(module):
                edges.setdefault(part_of(module), set()).add(target)
    circles = [(one, other) for one, others in edges.items() for other in others if one in reached(other, edges)]
    assert circles == []


def reached(start: str, edges: dict[str, set[str]]) -> set[str]:
    found: set[str] = set()
    waiting = [start]
    while waiting:
        for other in edges.get(waiting.pop(), set()) - found:
            found.add(other)
            waiting.append(other)
    return found


SAMPLES = [
    ("from tilepipe.run import engine", "tilepipe.stages.exposure", 2),
    ("def f():\n    import tilepipe.plan.windows", "tilepipe.recipe.load", 1),
    ("from ..recipe.load import load_recipe", "tilepipe.stages.exposure", 2),
    ("from tilepipe import load_recipe", "tilepipe.stages.exposure", 1),
    ("from tilepipe import stages", "tilepipe.units", 1),
    ("from tilepipe import __version__, load_recipe", "tilepipe.cli", 0),
    ("from tilepipe import __version__", "tilepipe.run.receipt", 0),
    ("from tilepipe import geometry", "tilepipe.stages.exposure", 0),
    ("from tilepipe.stages.stage import Stage", "tilepipe.stages.exposure", 0),
    ("import numpy, tilepipe.errors", "tilepipe.device.cpu", 0),
    ("from tilepipe.colour.spaces import X", "tilepipe.formats.icc", 0),
]


@pytest.mark.parametrize(("text", "module", "count"), SAMPLES)
def test_the_check_sees_upward_imports(text: str, module: str, count: int):
    assert len(breaks_of_floors(text, module, is_package=False, parts=set(FLOOR_OF))) == count


DEVICE_SAMPLES = [
    ("import cupy as cp", "tilepipe.stages.exposure", 1),
    ("def f():\n    from cupy.cuda import Stream", "tilepipe.run.engine", 2),
    ("import ctypes\nx = ctypes.CDLL('libx.so')", "tilepipe.measure.align", 1),
    ("from tilepipe.device import native\nnative.load('v4')", "tilepipe.cli", 1),
    ("import tilepipe.device.native\ntilepipe.device.native.library()", "tilepipe.cli", 1),
    ("from tilepipe.device.native import load", "tilepipe.cli", 1),
    ("from tilepipe.device import native\nnative.built_variants()", "tilepipe.cli", 0),
    ("import ctypes, cupy\nx = ctypes.CDLL('libx.so')", "tilepipe.device.native", 0),
    ("from tilepipe.device import exact", "tilepipe.stages.exposure", 0),
]


@pytest.mark.parametrize(("text", "module", "count"), DEVICE_SAMPLES)
def test_the_check_sees_what_belongs_to_device(text: str, module: str, count: int):
    assert len(device_breaks(text, module, is_package=False)) == count
