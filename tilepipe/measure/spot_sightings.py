"""Joins the dark round places of all frames at the same places of the sensor, the most telling ones first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tilepipe.measure.spot_search import Blob, strongest_first

SAME_PLACE, SAME_SIZE = 0.6, 2.5  # of the larger radius apart; one radius of the other
CELL_PX = 128.0  # places are looked up by cells; twice the largest distance at which two are one
SINGLE_COUNTS = 2  # what one frame alone shows counts one part in so many, where there are several


@dataclass(frozen=True)
class Sighting:
    """One place of the sensor: of the frame that shows it most strongly the blob of the size that fits it best, and the
    strongest of each frame that shows one.
    """

    best: Blob
    frames: tuple[Blob, ...]

    def rank(self, frames: int) -> int:
        """How telling it is: the second-strongest frame's strength, for dirt is in all of them."""
        strengths = sorted((blob.strength for blob in self.frames), reverse=True)
        if frames == 1:
            return strengths[0]
        return strengths[1] if len(strengths) > 1 else strengths[0] // SINGLE_COUNTS


def sightings(blobs: Sequence[Blob], frames: int) -> list[Sighting]:
    """All places, ranked; each blob belongs to the strongest one near it."""
    groups: list[list[Blob]] = []
    cells: dict[tuple[int, int], list[int]] = {}
    for blob in strongest_first(blobs):
        row, column = int(blob.y // CELL_PX), int(blob.x // CELL_PX)
        near = [index for dy in (-1, 0, 1) for dx in (-1, 0, 1) for index in cells.get((row + dy, column + dx), ())]
        same = next((index for index in sorted(near) if _one(groups[index][0], blob)), None)
        if same is None:
            cells.setdefault((row, column), []).append(len(groups))
            groups.append([blob])
        else:
            groups[same].append(blob)
    found = [Sighting(_fitting(group), _of_each_frame(group)) for group in groups]
    return sorted(found, key=lambda each: (-each.rank(frames), each.best.y, each.best.x))


def _one(one: Blob, other: Blob) -> bool:
    larger, smaller = max(one.radius, other.radius), min(one.radius, other.radius)
    dy, dx, reach = one.y - other.y, one.x - other.x, SAME_PLACE * larger
    return larger < SAME_SIZE * smaller and dy * dy + dx * dx < reach * reach


def _fitting(group: Sequence[Blob]) -> Blob:
    """White noise alone would favour large blobs, cloud alone the answer to a large one: their product favours neither."""
    own = [blob for blob in group if blob.frame == group[0].frame]
    return max(own, key=lambda blob: (blob.strength * blob.answer, -blob.radius))


def _of_each_frame(group: Sequence[Blob]) -> tuple[Blob, ...]:
    found: dict[int, Blob] = {}
    for blob in group:  # the strongest first
        found.setdefault(blob.frame, blob)
    return tuple(found[frame] for frame in sorted(found))
