"""The worst places of a picture: what all checks found, in one ranked list, each with its place and a sentence."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from tilepipe.device import exact

MOST = 20
MOST_OF_A_KIND = 8  # so that one fault along a skyline does not hide all others
# What counts as 1 of each kind; chosen here: what a careful eye begins to see in a print.
VISIBLE = {
    "halo": 2.0, "rim": 0.15, "clipped": 0.5, "noise": 1.0, "merged": 0.5, "moved": 0.05, "residual": 2.0, "gamut": 2.0,
    "spot": 0.03,
}


@dataclass(frozen=True)
class WorstPlace:
    """One place to look at.

    `base`: (x, y) in pixels of the base frame, `picture`: in those of the finished picture, None where it was cut away;
    `size_px`: how wide it is; `value` in the kind's own unit, `rank`: that beside what is just visible.
    """

    kind: str
    base: tuple[float, float]
    picture: tuple[float, float] | None
    size_px: tuple[int, int]
    value: float
    rank: float
    sentence: str

    def told(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)


def worst_places(told: Mapping[str, Any], most: int = MOST, cut_away: bool = False) -> list[WorstPlace]:
    """The places of a receipt, or of what a proof tells, the worst first; at most eight of a kind unless others run out.

    Those that do not lie in the finished picture are left out unless `cut_away` asks for them.
    """
    geometry = _Geometry.of(told)
    every = [place for place in _all(told, geometry) if cut_away or place.picture is not None]
    found = sorted(every, key=lambda place: (-place.rank, place.kind, place.base))
    counts: dict[str, int] = {}
    first: list[WorstPlace] = []
    rest: list[WorstPlace] = []
    for place in found:
        counts[place.kind] = counts.get(place.kind, 0) + 1
        (first if counts[place.kind] <= MOST_OF_A_KIND else rest).append(place)
    return sorted((first + rest)[:most], key=lambda place: -place.rank)


@dataclass(frozen=True)
class _Geometry:
    """How the base frame lies in the finished picture, and the sizes of both."""

    to_picture: exact.Matrix
    width: int
    height: int
    base_width: float
    base_height: float

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> _Geometry:
        result = told["result"]
        rows = result.get("from_base") or ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        matrix: exact.Matrix = tuple(tuple(float(value) for value in row) for row in rows)  # type: ignore[assignment]
        width, height = result.get("base_size") or (result["width"], result["height"])
        return cls(matrix, result["width"], result["height"], float(width), float(height))

    def picture(self, base: tuple[float, float]) -> tuple[float, float] | None:
        x, y = _moved(self.to_picture, base)
        return (x, y) if -0.5 <= x <= self.width - 0.5 and -0.5 <= y <= self.height - 0.5 else None

    def base(self, picture: tuple[float, float]) -> tuple[float, float]:
        return _moved(exact.matrix_inverse(self.to_picture), picture)


def _moved(matrix: exact.Matrix, place: tuple[float, float]) -> tuple[float, float]:
    x, y, w = exact.matrix_vector(matrix, (place[0], place[1], 1.0))
    return x / w, y / w


def _all(told: Mapping[str, Any], geometry: _Geometry) -> Iterator[WorstPlace]:
    checks = told.get("checks", {})
    blend = checks.get("blend", {})
    yield from _cells(geometry, "halo", checks.get("halo"), True, "{value:.1f} L* lighter or darker beside a strong edge")
    yield from _cells(geometry, "gamut", checks.get("gamut"), True, "{share} of these colours lie outside sRGB")
    clipped = {"cell_px": blend.get("cell_px", 1), "at": blend.get("clipped_at", ())}
    yield from _cells(geometry, "clipped", clipped, False, "no frame saw this light below its clipping level ({share})")
    noise = {"cell_px": blend.get("cell_px", 1), "at": blend.get("noise_stops", {}).get("at", ())}
    yield from _cells(geometry, "noise", noise, False, "{value:+.1f} stops noisier than the base frame")
    merged = checks.get("groups")
    yield from _cells(geometry, "merged", merged, False, "moved, but stays merged: it may show twice ({share} of it)")
    rims = "{value:+.2f} stops between what moved and what lies beside it"
    yield from _cells(geometry, "rim", checks.get("rims"), False, rims)
    measured = told.get("measurements", {})
    yield from _groups(geometry, measured.get("motion") or {})
    yield from _residuals(geometry, measured.get("align") or {})
    yield from _spots(geometry, measured.get("lens_spots") or {})


def _cells(
    geometry: _Geometry, kind: str, check: Mapping[str, Any] | None, in_picture: bool, sentence: str
) -> Iterator[WorstPlace]:
    """Places that a check lists by a cell's upper left corner, of the finished picture or of the base frame."""
    for each in (check or {}).get("at", ()):
        cell = int((check or {}).get("cell_px", 1))
        middle = (each["x"] + (cell - 1) / 2.0, each["y"] + (cell - 1) / 2.0)
        base, picture = (geometry.base(middle), middle) if in_picture else (middle, geometry.picture(middle))
        value = float(each["value"])
        words = sentence.format(value=value, share=f"{min(value, 1.0):.0%}")
        yield WorstPlace(kind, base, picture, (cell, cell), value, abs(value) / VISIBLE[kind], words)


def _groups(geometry: _Geometry, motion: Mapping[str, Any]) -> Iterator[WorstPlace]:
    """Every group is a choice that was made: the larger, the more there is to see of it."""
    for group in motion.get("groups", ()):
        x, y, width, height = group["window"]
        middle = (x + (width - 1) / 2.0, y + (height - 1) / 2.0)
        share = float(group["share"])
        words = f"group {group['id']} moved and comes from {group['name']}: {group['why']}"
        rank = share / (VISIBLE["moved"] + share)  # never before what is surely a fault
        yield WorstPlace("moved", middle, geometry.picture(middle), (int(width), int(height)), share, rank, words)


def _residuals(geometry: _Geometry, align: Mapping[str, Any]) -> Iterator[WorstPlace]:
    for frame in align.get("frames", ()):
        for each in frame.get("residuals_at", ()):
            value, place = float(each["value"]), (float(each["x"]), float(each["y"]))
            words = f"{frame['name']} lies {value:.1f} px off the frames around it here"
            rank = value / VISIBLE["residual"]
            yield WorstPlace("residual", place, geometry.picture(place), (64, 64), value, rank, words)


def _spots(geometry: _Geometry, spots: Mapping[str, Any]) -> Iterator[WorstPlace]:
    """Candidates that are only listed, and that nobody has refused yet."""
    for each in spots.get("spots", ()):
        if each["what"] != "listed" or "refused by the recipe" in each["reasons"]:
            continue
        place = (float(each["at"][0]) * geometry.base_width - 0.5, float(each["at"][1]) * geometry.base_height - 0.5)
        size = max(math.ceil(2.0 * float(each["radius_px"])), 1)
        depth = float(each["depth"])
        words = f"perhaps dirt, {depth:.1%} deep: accept or refuse spot {each['id']}"
        yield WorstPlace("spot", place, geometry.picture(place), (size, size), depth, depth / VISIBLE["spot"], words)


__all__: Sequence[str] = ("WorstPlace", "worst_places")
