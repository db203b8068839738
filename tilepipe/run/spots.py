"""The search for dirt in a run: levels while the survey reads, places looked at once frames are aligned, then the choice."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tilepipe.formats.spot_list import KnownSpot, write_spot_list
from tilepipe.geometry import Shape, Window
from tilepipe.measure.spot_levels import SpotLevels
from tilepipe.measure.spot_search import Blob, search, search_tasks
from tilepipe.measure.spot_sightings import sightings
from tilepipe.run.feeds import FrameFeed
from tilepipe.stages.heal_veil import Veil
from tilepipe.stages.lens_spots import LensSpots, candidates_of, looked_at, veils_of
from tilepipe.stages.spot_look import look

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

Facts = dict[str, Any]
NAME = "lens_spots"


@dataclasses.dataclass(frozen=True)
class _Sensor:
    """A frame as its sensor saw it: linear light, nothing taken off."""

    feed: FrameFeed

    @property
    def shape(self) -> Shape:
        return self.feed.shape

    def tile(self, device: Any, window: Window) -> Any:
        return self.feed.own_tile(device, window)


def spots_step(run: Execution) -> LensSpots | None:
    """The recipe's step, where it looks for spots."""
    return next((step.stage for step in run.job.steps if isinstance(step.stage, LensSpots) and step.stage.find), None)


def levels_for(run: Execution) -> SpotLevels | None:
    """Empty levels for the survey to fill, where spots are looked for."""
    return SpotLevels(run.job.shape, len(run.feeds)) if spots_step(run) is not None else None


def find_spots(run: Execution, levels: SpotLevels | None, feeds: Sequence[FrameFeed], facts: Facts) -> Facts:
    """The facts with all candidates; `feeds` and the facts' frames in the same order, dark to bright."""
    if levels is None:
        return facts
    order: Sequence[int] = facts["order"]
    levels.frames = [levels.frames[index] for index in order]
    run.engine.run_bag("spot-levels", range(len(order)), lambda index: levels.halve(run.device, index))
    tasks = search_tasks(levels)
    blobs: list[list[Blob]] = run.engine.run_bag("spots", range(len(tasks)), lambda i: search(run.device, levels, *tasks[i]))
    found = sightings([blob for part in blobs for blob in part], len(order))[: looked_at(run.job.shape)]
    sensors = [_Sensor(dataclasses.replace(feed, warp=None, fade=None, veils=())) for feed in feeds]
    rows = facts["align"]["frames"] if "align" in facts else None
    matrices: list[Any] = [rows[index]["matrix"] if rows else None for index in order]
    looks = run.engine.run_bag("spots-looked-at", range(len(found)), lambda i: look(run.device, sensors, matrices, found[i]))
    pairs = [(sighting, seen) for sighting, seen in zip(found, looks, strict=True) if seen is not None]
    return {**facts, NAME: {"candidates": candidates_of(pairs, len(order), run.job.shape)}}


def with_choice(run: Execution, feeds: Sequence[FrameFeed], facts: Facts) -> tuple[list[FrameFeed], Facts]:
    """Feeds and facts with what the recipe heals of the candidates; nothing of them is kept for the next run."""
    step = spots_step(run)
    if step is None or NAME not in facts:
        return list(feeds), facts
    candidates = facts[NAME]["candidates"]
    chosen = step.chosen(candidates, run.stated.get("spots", ()), run.job.shape)
    for text in step.missing(candidates):
        run.engine.tell(
            "warning", text=f"lens_spots: there is no spot at {text}",
            next_step="see the receipt for the ids there are, or heal the place by hand with `heal`",
        )
    veils = veils_of(chosen)
    frames = [{**frame, "veils": veils} if veils else frame for frame in facts["frames"]]
    made = [dataclasses.replace(feed, veils=tuple(_veil(*veil) for veil in veils)) for feed in feeds]
    return made, {**facts, "frames": frames, NAME: {"candidates": candidates, "spots": chosen}}


def _veil(y: float, x: float, radius: float, soft: float, depth: float) -> Veil:
    return Veil(y, x, radius, soft, int(depth))


def write_spots(run: Execution, path: Path) -> None:
    """The run's own list of all candidates, for other sets of the same camera."""
    if NAME in run.facts:
        spots = [
            KnownSpot(each["at"][0], each["at"][1], each["radius"], each["depth"], each["score"])
            for each in run.facts[NAME]["candidates"]
        ]
        write_spot_list(path, run.job.shape, sorted(spots, key=lambda spot: (spot.y, spot.x)))
