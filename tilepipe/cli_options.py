"""The options and kinds of values that several commands of the command line share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

SMALLEST_BYTES = 1 << 20
_SIZE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(KiB|MiB|GiB|TiB|kB|MB|GB|TB|B)?\s*$")
_UNITS = {
    None: 1, "B": 1, "kB": 1000, "MB": 1000**2, "GB": 1000**3, "TB": 1000**4,
    "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40,
}


class Bytes(click.ParamType[int]):
    """A size such as `2GiB` or `1500MB`."""

    name = "size"

    def convert(self, value: Any, param: Any, ctx: Any) -> int:
        if isinstance(value, int):
            return value
        match = _SIZE.match(value)
        if match is None:
            self.fail(f"{value!r} is not a size: write it as `2GiB` or `1500MB`", param, ctx)
        count = int(float(match[1]) * _UNITS[match[2]])
        if count < SMALLEST_BYTES:
            self.fail(f"{value!r} is too little: at least {SMALLEST_BYTES >> 20}MiB", param, ctx)
        return count


class Numbers(click.ParamType[tuple[int, int]]):
    """Two whole numbers such as `1200,800`."""

    name = "x,y"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[int, int]:
        if isinstance(value, tuple):
            return value
        try:
            first, second = (int(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is not two whole numbers: write them as `1200,800`", param, ctx)
        return first, second


def machine_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """What a run may use of the machine; none of it changes a bit of the result."""
    options = [
        click.option("--memory", "memory_bytes", type=Bytes(), help="Memory it may use, e.g. 2GiB. Default: half."),
        click.option("--workers", type=click.IntRange(1, 1024), help="Tiles in flight. Default: one per core."),
        click.option("--tile", "tile_px", type=click.IntRange(128, 65536), help="Tile side in pixels."),
        click.option("--level", type=click.IntRange(1, 12), help="Hand-over level of deep stages."),
        click.option("--device", default="auto", show_default=True, help="auto, cpu, gpu, gpu:N, gpu:0,1 or gpu:all."),
        click.option("--work", type=click.Path(path_type=Path), help="Folder for working pictures."),
        click.option("--out", type=click.Path(path_type=Path), help="Folder for the deliverables and the receipt."),
    ]
    for option in reversed(options):
        function = option(function)
    return function


SETS = click.option(
    "--set", "sets", multiple=True, metavar="ADDRESS=VALUE", help="Change a value: steps.ID.PARAMETER=VALUE, base=2, …"
)
RECIPE = click.argument("recipe", type=click.Path(path_type=Path))
