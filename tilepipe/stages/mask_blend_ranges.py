"""Which part of the base frame's brightness each other frame takes: as stated, else by light, clipping and noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from tilepipe.device import exact
from tilepipe.errors import InputError
from tilepipe.units import Stops

_DARKER_FROM, _DARKER_REACH = -0.6, 0.3  # stops from the clipping of the frame it relieves: full where that begins to be filled
_BRIGHTER_FROM, _BRIGHTER_REACH = -0.4, 1.0  # stops from its own clipping: where it is filled itself it is not taken
_CLEAN_SNR = 64.0  # 36 dB, chosen here: above it noise stays unseen, so a brighter frame would bring only another moment
_BESIDE, _BESIDE_REACH = 0.75, 0.75  # how far beside a mask its frame still counts, and over how much that fades: chosen here
_HARD = 1024.0  # slope of a mask without reach, per stop


class FrameMask(BaseModel):
    """Which part of the base frame's brightness one other frame takes, and how much of it. What is left out is automatic."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    frame: int = Field(ge=1, le=16, description="Which frame, counted from the darkest, 1.")
    begins: Stops | None = Field(
        None, ge=-20, le=20,
        description="Where its mask begins, in stops from the base frame's clipping: a darker frame takes what is brighter, "
        "a brighter frame what is darker.",
    )
    reach: Stops | None = Field(
        None, ge=0, le=20, description="Over how many stops the mask becomes full; 0EV makes it hard."
    )
    strength: float | None = Field(None, ge=0.0, le=1.0, description="How much of the frame a full mask takes.")


@dataclass(frozen=True)
class MaskRange:
    """One frame's mask: `slope` per stop from `begins` on, negative for a brighter frame; `index` counts frames from 0."""

    index: int
    begins: float
    slope: float
    strength: float

    @property
    def counts_from(self) -> tuple[float, float]:
        """(`begins`, `slope`) of the wider range over which the frame's difference from the base counts."""
        side = 1.0 if self.slope > 0.0 else -1.0
        return self.begins - side * _BESIDE, side / _BESIDE_REACH


def mask_ranges(stated: Sequence[FrameMask], facts: Mapping[str, Any]) -> list[MaskRange]:
    """The masks of all frames but the base, the one that lies on top first: the farthest darker one … the base's neighbours.

    Raises InputError where a mask is stated for the base frame or for a frame that is not there.
    """
    frames, base = facts["frames"], int(facts["base"])
    by_index = {entry.frame - 1: entry for entry in stated}
    for index in by_index:
        if index == base or index >= len(frames):
            what = "the base frame takes what the others leave: it has no mask" if index == base else "there is no such frame"
            others = ", ".join(str(number + 1) for number in range(len(frames)) if number != base)
            raise InputError(
                what, where="blend.frames", found=f"frame {index + 1} of {len(frames)}, the base is frame {base + 1}",
                allowed=others, next_step="name one of these, or choose another base with `base:`",
            )
    order = [*range(base), *reversed(range(base + 1, len(frames)))]
    return [_range(index, by_index.get(index), frames, base) for index in order]


def _range(index: int, stated: FrameMask | None, frames: Sequence[Mapping[str, Any]], base: int) -> MaskRange:
    darker = index < base
    begins = _darker_from(index, frames, base) if darker else _brighter_from(index, frames, base)
    reach, strength = (_DARKER_REACH if darker else _BRIGHTER_REACH), 1.0
    if stated is not None:
        begins = begins if stated.begins is None else stated.begins
        reach = reach if stated.reach is None else stated.reach
        strength = strength if stated.strength is None else stated.strength
    slope = 1.0 / reach if reach > 1.0 / _HARD else _HARD
    return MaskRange(index, begins, slope if darker else -slope, strength)


def _clip_stops(index: int, frames: Sequence[Mapping[str, Any]], base: int) -> float:
    """Where a frame clips, in stops from where the base does."""
    own, other = frames[index], frames[base]
    return exact.log2((own["clip"] / own["light"]) / (other["clip"] / other["light"]))


def _darker_from(index: int, frames: Sequence[Mapping[str, Any]], base: int) -> float:
    """It relieves its brighter neighbour as that nears clipping."""
    return _clip_stops(index + 1, frames, base) + _DARKER_FROM


def _brighter_from(index: int, frames: Sequence[Mapping[str, Any]], base: int) -> float:
    """It takes what its darker neighbour shows with visible noise, as far as it is itself well below clipping."""
    neighbour = frames[index - 1]
    noisy = clean_level(neighbour["shot"], neighbour["read"]) / neighbour["clip"]
    below = exact.log2(noisy) + _clip_stops(index - 1, frames, base)
    return min(_clip_stops(index, frames, base) + _BRIGHTER_FROM, below)


def clean_level(shot: float, read: float, ratio: float = _CLEAN_SNR) -> float:
    """The value x of a frame where x / √(shot·x + read) = ratio."""
    square = ratio * ratio
    return max((shot * square + exact.sqrt(shot * shot * square * square + 4.0 * read * square)) / 2.0, 2.0**-24)
