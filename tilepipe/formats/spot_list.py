"""Spot lists: where one set of frames shows dirt, as plain text, to be compared with other sets of the same camera.

The first line names the format, `size` the frames' width and height in px. Each further line is one place: x and y of its
middle and its radius in fractions of the width (x, radius) and of the height (y), from the top left of the upright frame;
how much of the light it takes, in percent; its score. Lines that begin with `#` say something to people.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tilepipe.errors import InputError
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.geometry import Shape

FORMAT = "tilepipe spots 1"
SAME_PLACE, SAME_SIZE = 0.6, 2.5  # of the larger radius apart; one radius of the other
SLACK_PX = 1.5
MOST_SPOTS = 100_000


@dataclass(frozen=True)
class KnownSpot:
    """A place of dirt: middle and radius in fractions, `depth` the share of light that it takes."""

    x: float
    y: float
    radius: float
    depth: float
    score: float


@dataclass(frozen=True)
class SpotList:
    """The places of one set of frames of size `shape`."""

    name: str
    shape: Shape
    spots: tuple[KnownSpot, ...]

    def holds(self, spot: KnownSpot, shape: Shape) -> bool:
        """Whether the list has a spot at this place of frames of the same size, about as large."""
        return shape == self.shape and any(_same(spot, other, shape) for other in self.spots)


def _same(one: KnownSpot, other: KnownSpot, shape: Shape) -> bool:
    larger, smaller = max(one.radius, other.radius), min(one.radius, other.radius)
    dx, dy = (one.x - other.x) * shape.width, (one.y - other.y) * shape.height
    reach = SAME_PLACE * larger * shape.width + SLACK_PX
    return larger <= SAME_SIZE * smaller and dx * dx + dy * dy <= reach * reach


def read_spot_list(path: Path) -> SpotList:
    """Raises InputError for a file that is not there or not a spot list, with the line."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            "this spot list cannot be read", where=str(path), found=str(error),
            next_step="name a list that an earlier run wrote beside its receipt",
        ) from None
    if not lines or lines[0].strip() != FORMAT:
        raise InputError(
            "this is not a spot list", where=str(path), found=lines[0][:60] if lines else "an empty file",
            allowed=f"a text file that begins with `{FORMAT}`",
        )
    shape, spots = None, []
    for number, line in enumerate(lines[1:], 2):
        words = line.split("#")[0].split()
        if words[:1] == ["size"]:
            width, height = _numbers(words[1:], 2, path, number)
            shape = Shape(int(height), int(width))
        elif words:
            x, y, radius, percent, score = _numbers(words, 5, path, number)
            spots.append(KnownSpot(x, y, radius, percent / 100.0, score))
    if shape is None:
        raise InputError("this spot list does not say `size`", where=str(path), next_step="add a line `size WIDTH HEIGHT`")
    return SpotList(path.name, shape, tuple(spots[:MOST_SPOTS]))


def _numbers(words: list[str], count: int, path: Path, line: int) -> list[float]:
    try:
        found = [float(word) for word in words]
    except ValueError:
        found = []
    if len(found) != count or not all(0.0 <= value < 1e9 for value in found):
        raise InputError(
            "this line is no place", where=f"{path}, line {line}", found=" ".join(words)[:60],
            allowed=f"{count} numbers, 0 or more",
        )
    return found


def write_spot_list(path: Path, shape: Shape, spots: Iterable[KnownSpot]) -> None:
    """Writes the list; the same places give the same bytes."""
    lines = [
        FORMAT, "# x, y, radius: fractions of width, height, width, from the top left; depth in percent; score",
        f"size {shape.width} {shape.height}",
        *(f"{spot.x:.6f} {spot.y:.6f} {spot.radius:.6f} {100.0 * spot.depth:.2f} {spot.score:.2f}" for spot in spots),
    ]
    with writing_to(path), Pending(path) as pending:
        pending.path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        pending.commit()
