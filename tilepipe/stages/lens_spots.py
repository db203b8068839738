"""Lens spots: finds dirt on glass and sensor in the frames, and says which of it is healed before they are joined."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from pydantic import Field, field_validator

from tilepipe.device import exact
from tilepipe.formats.spot_list import KnownSpot, SpotList
from tilepipe.geometry import Shape
from tilepipe.measure.spot_sightings import Sighting
from tilepipe.stages.spot_look import STAYS, SURE, Seen, is_sure, leans
from tilepipe.stages.stage import Kind, Stage

Facts = dict[str, Any]
LOOKED_AT, LOOKED_PER_MP, MOST_LOOKED = 60, 8, 360  # sightings, the most telling ones
_ID = re.compile(r"\d{4}-\d{4}")
# All chosen here, from the invented scene and real skies: scripts/show_spots.py.
LEAST_DEPTH = 0.006  # of the light
LEAST_SURE_SCORE = 0.6  # of what stays on the sensor by its rim alone, for healing it unasked
LEAST_LIKELY_SCORE = 0.3  # where it stays on the sensor, surely or likely
EVEN, AGREED = 0.2, 0.3  # a veil is known: where the ring is so even, or so much of the rim agrees, or a shifting scene told it
LISTED, KEPT = 4.0, 1.5  # least scores: of what is listed for the user, of what is kept for comparison with other sets
LISTED_DEPTH = 0.015
APART = 1.25  # a place lies within another one's disc up to so many of its radii
KNOWN_APART, KNOWN_SIZE = 0.6, 2.5  # radii between the same place in two sets; and of their radii


class LensSpots(Stage):
    """Finds dirt on glass or sensor, and lifts the veil it lays over each frame before frames are aligned and joined.

    A spot is healed by itself only where it stays at the same place of the sensor while the scene shifts between frames, or
    where a list of another set of the same camera (`known`; each run writes its own beside the receipt) has it at the same
    place. All else that looks like a spot is listed in the receipt with a score and reasons: name it under `accept` by its
    id, or under `refuse` what should stay. An id is a place, in ten-thousandths of the frame's width and height.
    """

    name: ClassVar[str] = "lens_spots"
    kind: ClassVar[Kind] = "measure"
    version: ClassVar[int] = 4
    in_place: ClassVar[bool] = False

    find: bool = Field(True, description="Whether spots are looked for.")
    accept: tuple[str, ...] = Field(
        (), max_length=1024, examples=[["0412-0133"]], description="Ids of listed spots that are healed."
    )
    refuse: tuple[str, ...] = Field(
        (), max_length=1024, examples=[["8120-2207"]], description="Ids of spots that are not healed."
    )
    known: tuple[Path, ...] = Field(
        (), max_length=64, examples=[["monday.spots.txt"]],
        description="Spot lists of other sets taken with the same camera, beside the recipe.",
    )

    @field_validator("accept", "refuse")
    @classmethod
    def _are_ids(cls, given: tuple[str, ...]) -> tuple[str, ...]:
        wrong = [text for text in given if not _ID.fullmatch(text)]
        if wrong:
            raise ValueError(f"{', '.join(wrong)}: an id has the form 0412-0133, as the receipt lists it")
        return given

    def is_neutral(self) -> bool:
        return not self.find

    def chosen(self, candidates: Sequence[Facts], lists: Sequence[SpotList], shape: Shape) -> list[Facts]:
        """The candidates with what is done about each, `healed` or `listed`, and why; those that are neither left out."""
        refused, accepted = self._named(self.refuse, candidates), self._named(self.accept, candidates)
        found = []
        for candidate in candidates:
            known = [spots.name for spots in lists if spots.holds(_known(candidate, shape), shape)]
            sure = candidate["sure"] or bool(known)
            why = [*candidate["reasons"], *(f"known from {name}" for name in known)]
            if candidate["id"] in refused:
                found.append({**candidate, "what": "listed", "reasons": [*why, "refused by the recipe"]})
            elif candidate["id"] in accepted or sure:
                why += ["accepted by the recipe"] if candidate["id"] in accepted else []
                found.append({**candidate, "what": "healed", "reasons": why})
            elif candidate["listed"]:
                found.append({**candidate, "what": "listed", "reasons": why})
        return found

    def missing(self, candidates: Sequence[Facts]) -> list[str]:
        """Ids that the recipe names and no candidate lies at."""
        return [text for text in (*self.accept, *self.refuse) if not self._named((text,), candidates)]

    @staticmethod
    def _named(ids: Sequence[str], candidates: Sequence[Facts]) -> set[str]:
        """The candidates that lie nearest to these ids, and where they say: a place measured again moves a little."""
        found = set()
        for text in ids:
            x, y = (int(part) / 10000.0 for part in text.split("-"))
            near = [(abs(each["at"][0] - x) + abs(each["at"][1] - y), each) for each in candidates]
            near = [(away, each) for away, each in near if away <= 0.0003 + each["radius"]]
            if near:
                found.add(min(near, key=lambda pair: (pair[0], pair[1]["id"]))[1]["id"])
        return found


def looked_at(shape: Shape) -> int:
    """How many of the most telling sightings are looked at."""
    return min(LOOKED_AT + LOOKED_PER_MP * shape.pixels // 1_000_000, MOST_LOOKED)


def veils_of(chosen: Sequence[Mapping[str, Any]]) -> list[list[float]]:
    """What is lifted from each frame: [y, x, radius, width of the rim, depth], see `tilepipe.stages.heal_veil.Veil`."""
    return [list(each["veil"]) for each in chosen if each["what"] == "healed"]


def candidates_of(found: Sequence[tuple[Sighting, Seen]], frames: int, shape: Shape) -> list[Facts]:
    """All that could be dirt, the most telling first; of places within each other only the most telling."""
    kept: list[Facts] = []
    for sighting, seen in found:
        depth, veil = 1.0 - exact.exp2(-seen.veil.stops), seen.veil
        if depth < LEAST_DEPTH or any(_within(veil.y, veil.x, other["veil"]) for other in kept):
            continue
        score, sure = score_of(sighting, seen, frames), is_sure(seen)
        likely = sure or leans(seen)
        if _moves(seen) or not (score >= KEPT or (likely and score >= LEAST_LIKELY_SCORE)):
            continue
        told = _is_told(sighting, seen)
        x, y = (veil.x + 0.5) / shape.width, (veil.y + 0.5) / shape.height
        kept.append({
            "id": f"{min(max(int(x * 10000.0), 0), 9999):04d}-{min(max(int(y * 10000.0), 0), 9999):04d}",
            "at": [x, y], "radius": veil.radius / shape.width, "radius_px": veil.radius, "depth": depth, "score": score,
            "sure": sure and told and (seen.fitted or score >= LEAST_SURE_SCORE),
            "listed": likely or (score >= LISTED and depth >= LISTED_DEPTH),
            "reasons": _reasons(sighting, seen, frames) + ([] if told else ["what is around makes its veil unsure"]),
            "veil": [veil.y, veil.x, veil.radius, veil.soft, veil.depth],
        })
    return kept


def score_of(sighting: Sighting, seen: Seen, frames: int) -> float:
    """How much it stands out from what is usual around, times the share of its rim that agrees, less its unevenness."""
    blob = sighting.best
    even = max(1.0 - (blob.uneven + blob.edge) / max(blob.contrast, 1), 0.0)
    return sighting.rank(frames) / 64.0 * seen.agreement * even


def _is_told(sighting: Sighting, seen: Seen) -> bool:
    """True where the veil's place and depth are known well enough to lift it unasked."""
    blob = sighting.best
    return seen.fitted or seen.agreement >= AGREED or blob.uneven + blob.edge <= EVEN * blob.contrast


def _moves(seen: Seen) -> bool:
    """True where it surely moves with the scene."""
    return seen.unsure >= 0.0 and seen.moved >= SURE * seen.unsure and seen.moved > 1.0 - STAYS


def _within(y: float, x: float, veil: Sequence[float]) -> bool:
    dy, dx, reach = y - veil[0], x - veil[1], APART * (veil[2] + 0.5 * veil[3])
    return dy * dy + dx * dx < reach * reach


def _known(candidate: Facts, shape: Shape) -> KnownSpot:
    return KnownSpot(candidate["at"][0], candidate["at"][1], candidate["radius"], candidate["depth"], candidate["score"])


def _reasons(sighting: Sighting, seen: Seen, frames: int) -> list[str]:
    blob = sighting.best
    told = [
        f"a dark disc, {blob.strength / 64.0:.1f} times what is usual around",
        f"{100.0 * seen.agreement:.0f} % of its rim agree on its depth",
    ]
    if frames == 1:
        return [*told, "one frame cannot tell dirt from what is there"]
    told.append(f"seen in {len(sighting.frames)} of {frames} frames")
    if seen.fitted:
        told.append(f"its depth is what the shifting scene tells; dirt, no thing in it, by {seen.unlike:.1f} deviations")
    if seen.unsure < 0.0:
        return [*told, "the frames do not shift, or one alone knows its light: evidence is weak"]
    moved = f"moves {seen.moved:.2f} ± {seen.unsure:.2f} of the scene's {seen.shift_px:.1f} px"
    return [*told, f"stays on the sensor: {moved}" if is_sure(seen) else f"evidence is weak: {moved}"]
