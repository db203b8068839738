"""The guide of stages that act on hues: which hue a place has, read from its surroundings without crossing edges."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window

_HEADER = "hue_guide.h"
MOMENTS = Kernel("hue_moments", 3, 8, 1, 2, header=_HEADER)
HALVED = Kernel("hue_halved", 8, 8, 1, 2, header=_HEADER)
ACROSS = Kernel("hue_across", 8, 8, 2, header=_HEADER)
DOWN = Kernel("hue_down", 8, 8, 2, header=_HEADER)
ENDS = Kernel("hue_ends", 8, 6, params="float tilt;", header=_HEADER)
EFFECT = Kernel(
    "hue_effect", 12, 6, params="float along_a, along_b, narrow, stops, chroma, turn;", header=_HEADER,
)
LINES = Kernel("hue_lines", 8, 6, header=_HEADER)
ROWS = Kernel("hue_rows", 0, 2, params="Plane lines[2];", header=_HEADER)
MOST_HUES = 12
CELL_PX = 4
REACH_CELLS = 2  # a window is five cells, 20 px, weighted as a tent
MARGIN_PX = CELL_PX * (REACH_CELLS + 1) + 2  # beside a pixel, before it is rounded outward to whole cells
# A window whose values along the guide's line spread less than this share of their brightness (as roots) counts as one
# surface; chosen here: beyond the noise of shadows worth showing, below the step from a twig to its sky.
_TILT = 0.18
_MOMENTS = tuple(f"moment {index}" for index in range(8))
_LINES = tuple(f"line {index}" for index in range(6))
RADIAN = 3.141592653589793 / 180.0


@dataclass(frozen=True)
class HueEffect:
    """What is done around a hue (degrees in OKLab): stops, the change of chroma's factor, the turn in degrees."""

    at: float
    reach: float
    stops: float = 0.0
    chroma: float = 0.0
    turn: float = 0.0

    @property
    def half_tangent(self) -> float:
        half = self.turn * RADIAN / 2.0
        return exact.sin(half) / exact.cos(half)


def limits(effects: Sequence[HueEffect], of: Callable[[HueEffect], float]) -> tuple[float, float]:
    """The least and the most that all of them together can do."""
    values = [of(effect) for effect in effects]
    return sum(min(value, 0.0) for value in values), sum(max(value, 0.0) for value in values)


def cells_under(wanted: Window, shape: Shape) -> Window:
    """The cells between which the pixels of `wanted` lie."""
    first, last = ((wanted.y - 2) // CELL_PX, (wanted.x - 2) // CELL_PX), (wanted.y_end - 3, wanted.x_end - 3)
    y, x = (end // CELL_PX + 2 for end in last)
    return Window.between(*first, y, x).cut(shape.halved(2))


def input_window(wanted: Window, shape: Shape) -> Window:
    """The pixels that the guide of `wanted` needs."""
    return _finer(_finer(_wide(cells_under(wanted, shape), shape.halved(2)), shape.halved()), shape).union(wanted)


def scratch_bytes(wanted: Window) -> int:
    """Bytes of the guide's planes."""
    half = wanted.padded(MARGIN_PX + CELL_PX).pixels // 4 + 1
    return (half * 8 + (half // 4 + 1) * 44) * 4


def _wide(cells: Window, picture: Shape) -> Window:
    return cells.padded(REACH_CELLS).cut(picture)


def _finer(window: Window, picture: Shape) -> Window:
    """The pixels under a window of the picture's half; at an odd rim the mirrored ones too."""
    return Window.between(2 * window.y - 1, 2 * window.x - 1, 2 * window.y_end, 2 * window.x_end).cut(picture)


def lines_of(device: Any, tile: Tile, wanted: Window, effects: Sequence[HueEffect], planes: int) -> Tile:
    """Pairs of planes, each a line over the guide's brightness: stops, chroma's change, tangent of half the turn.

    `tile` holds `input_window(wanted)`; the first 2, 4 or 6 `planes` are made. The result has the picture's rows, and a
    column for every four of the picture's.
    """
    quarter, half = tile.picture.halved(2), tile.picture.halved()
    cells = cells_under(wanted, tile.picture)
    needed = _wide(cells, quarter)
    fine: Tile = device.tile(_finer(needed, half), half, _MOMENTS)
    given = tile.cut(_finer(fine.window, tile.picture))
    device.launch(MOMENTS, device.planes(given, 3), device.planes(fine))
    coarse = _made(device, HALVED, fine, needed, quarter)
    across = _made(device, ACROSS, coarse, Window(needed.y, cells.x, needed.height, cells.width), quarter)
    down = _made(device, DOWN, across, cells, quarter)
    ends = _made(device, ENDS, down, cells, quarter, 6, tilt=_TILT * _TILT)
    done: Tile = device.tile(cells, quarter, _LINES)
    done.array.fill(0)
    for effect in effects:
        done = _made(device, EFFECT, [*device.planes(ends), *device.planes(done)], cells, quarter, 6, **_numbers(effect))
    lines = _made(device, LINES, [*device.planes(down)[6:], *device.planes(done)], cells, quarter, 6)
    return _rows(device, lines, Window(wanted.y, cells.x, wanted.height, cells.width), tile.picture.height, planes)


def _rows(device: Any, lines: Tile, window: Window, height_px: int, planes: int) -> Tile:
    out: Tile = device.tile(window, Shape(height_px, lines.picture.width), _LINES[:planes])
    given, made = device.planes(lines), device.planes(out)
    for first in range(0, planes, 2):
        device.launch(ROWS, [], made[first : first + 2], lines=given[first : first + 2])
    return out


def _made(
    device: Any, kernel: Kernel, given: Tile | list[PlaneArgument], window: Window, picture: Shape, planes: int = 8,
    **numbers: float,
) -> Tile:
    out: Tile = device.tile(window, picture, _MOMENTS[:planes] if planes > len(_LINES) else _LINES)
    device.launch(kernel, device.planes(given) if isinstance(given, Tile) else given, device.planes(out), **numbers)
    return out


def _numbers(effect: HueEffect) -> dict[str, float]:
    return {
        "along_a": exact.cos(effect.at * RADIAN), "along_b": exact.sin(effect.at * RADIAN),
        "narrow": 1.0 / (1.0 - exact.cos(effect.reach * RADIAN)),
        "stops": effect.stops, "chroma": effect.chroma, "turn": effect.half_tangent,
    }
