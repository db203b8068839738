"""The measuring passes of a run: a survey of every frame in tiles, then chosen blocks; their results become the facts."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device import exact
from tilepipe.digest import key_of, region_digests
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.align import CoarseAlignment, align_combine, refine_partial
from tilepipe.measure.choose_base import choose_base
from tilepipe.measure.fade import Fade
from tilepipe.measure.match import exposure_order, match
from tilepipe.measure.mesh import Mesh
from tilepipe.measure.noise import TYPICAL_READ, TYPICAL_SHOT, NoiseSum, noise_partial, pooled_noise
from tilepipe.measure.reduced import Survey, SurveySum, survey_frame
from tilepipe.measure.scene_light import scene_light
from tilepipe.measure.spot_levels import SpotLevels
from tilepipe.plan.chain import descriptor
from tilepipe.plan.passes import SurveyPass
from tilepipe.run.digests import region_places, root_of
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.spots import find_spots, levels_for, spots_step, with_choice
from tilepipe.stages.align import Align
from tilepipe.stages.lens_spots import LensSpots
from tilepipe.stages.match import Match
from tilepipe.stages.warp import Warp

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

Facts = dict[str, Any]
VERSION = 5  # of what the survey writes down
WARNING = ("base_choice", "match", "align")  # the facts that may hold warnings, in the order in which they are told


@dataclass(frozen=True)
class OwnGeometry:
    """A frame as measurements take it: linear light where the sensor saw it, not yet aligned."""

    feed: FrameFeed
    light: float

    @property
    def name(self) -> str:
        return self.feed.name

    @property
    def shape(self) -> Shape:
        return self.feed.shape

    @property
    def linear(self) -> bool:
        return self.feed.linear

    def tile(self, device: Any, window: Window) -> Any:
        return self.feed.own_tile(device, window)


@dataclass(frozen=True)
class Measured:
    """What the survey found: frames dark → bright, facts, and what the alignment still needs to look at."""

    feeds: list[FrameFeed]
    facts: Facts
    coarse: CoarseAlignment | None = None
    key: str = ""
    levels: SpotLevels | None = None


def measure_frames(run: Execution, step: SurveyPass) -> Measured:
    """Surveys every frame: digests of its pixels, statistics; chooses the base, matches, aligns the reduced pictures.

    What an earlier run found of the same files is taken from the workspace; its warnings are told again.
    """
    key = survey_key(run)
    known = run.workspace.recall("measured", key)
    if known is not None:
        return _from_facts(run, known, key)
    levels = levels_for(run)
    survey, digests, noise = _survey(run, step, levels)
    facts, coarse, order = _facts(run, survey, digests, noise)
    feeds = [_told(run.feeds[index], facts) for index in order]
    if coarse is None:
        facts = find_spots(run, levels, feeds, facts)
        run.workspace.remember("measured", key, facts)
        feeds, facts = with_choice(run, _warped(feeds, facts), facts)
    return Measured(feeds, facts, coarse, key, levels)


def survey_key(run: Execution) -> str:
    """All that the measurements depend on, known before a pixel is read: files, how they are read, the measuring steps."""
    return key_of({
        "survey": VERSION, "files": run.identities, "formats": [feed.info.facts_for_key for feed in run.feeds],
        "decoders": [feed.decoder.facts() for feed in run.feeds], "lights": [repr(feed.light) for feed in run.feeds],
        "steps": [descriptor(step, {}) for step in run.job.steps if isinstance(step.stage, Align | Match)],
        "stated": {name: value for name, value in run.stated.items() if name != "spots"},
        **({"spots": LensSpots.version} if spots_step(run) is not None else {}),
    })


def plain_facts(run: Execution) -> Measured:
    """Facts of frames that nothing is measured of: exposures as stated, noise as is typical."""
    order = sorted(range(len(run.feeds)), key=lambda index: (run.feeds[index].light, index))
    base = run.stated["base"]
    feeds = [run.feeds[index] for index in order]
    frames = [
        {"name": feed.name, "file": index, "digest": "", "clip": 1.0, "light": feed.light / run.feeds[base].light,
         **_noise(run, None, index)}
        for index, feed in zip(order, feeds, strict=True)
    ]
    shape = run.job.shape
    facts: Facts = {
        "order": order, "frames": frames, "base": order.index(base), "shape": [shape.height, shape.width],
        "match": {"response": None},
    }
    _colour(facts, feeds)
    return Measured(feeds, facts)


def refine_frames(run: Execution, measured: Measured) -> tuple[list[FrameFeed], Facts]:
    """Measures the chosen blocks at full size and gives every frame its way into the base frame's geometry."""
    facts, coarse = measured.facts, measured.coarse
    if coarse is None:
        return measured.feeds, facts
    step = _step_of(run, Align)
    assert step is not None
    order: Sequence[int] = facts["order"]
    by_recipe = {**dict(enumerate(run.feeds_as_given)), **dict(zip(order, measured.feeds, strict=True))}
    sources = [OwnGeometry(by_recipe[index], 1.0) for index in range(len(by_recipe))]
    sums = run.engine.run_bag(
        "refine", range(len(coarse.places)), lambda index: refine_partial(run.device, sources, coarse.places[index])
    )
    facts = {**facts, "align": align_combine(coarse, sums, model=step.model, local=step.local)}
    _warn(run, {"align": facts["align"]})
    facts = find_spots(run, measured.levels, measured.feeds, facts)
    run.workspace.remember("measured", measured.key, facts)
    return with_choice(run, _warped(measured.feeds, facts), facts)


def _step_of(run: Execution, stage: type) -> Any:
    return next((step.stage for step in run.job.steps if isinstance(step.stage, stage)), None)


def _survey(
    run: Execution, step: SurveyPass, levels: SpotLevels | None
) -> tuple[Survey, list[str], list[Facts]]:
    """One bag over all frames' tiles: sums for the statistics, region digests, sums for the noise."""
    grid = Grid(step.shape, step.tile.height, step.tile.width)
    sources = [OwnGeometry(feed, feed.light) for feed in run.feeds]
    total, noise = SurveySum(sources), [NoiseSum(_iso(feed)) for feed in run.feeds]
    regions: list[dict[tuple[int, int], bytes]] = [{} for _ in sources]
    lock = threading.Lock()

    def work(task: int) -> None:
        frame, index = divmod(task, len(grid))
        window = grid[index]
        feed = run.feeds[frame]
        if run.job.identified:
            found = region_digests(np.asarray(feed.codes.read(window)), window, step.shape)
            with lock:
                regions[frame].update(zip(region_places(window), found, strict=True))
        look = levels.look if levels is not None else None
        total.add([survey_frame(run.device, sources[frame], frame, window, look)])
        noise[frame].add(noise_partial(run.device, feed, window))

    run.engine.run_bag(step.name, range(len(sources) * len(grid)), work)
    pooled = pooled_noise(noise, [(feed.info.make, feed.info.model, _iso(feed)) for feed in run.feeds])
    digests = [_root(feed, places) for feed, places in zip(run.feeds, regions, strict=True)]
    return total.finish(run.device), digests, pooled


def _iso(feed: FrameFeed) -> float:
    return feed.info.exposure.iso if feed.info.exposure is not None else 100.0


def _root(feed: FrameFeed, places: dict[tuple[int, int], bytes]) -> str:
    return root_of(places, feed.shape, feed.info.planes, feed.info.dtype) if places else ""


def _facts(
    run: Execution, survey: Survey, digests: list[str], noise: list[Facts]
) -> tuple[Facts, CoarseAlignment | None, list[int]]:
    """Everything that later stages read, frames dark → bright, and the order in which the recipe's frames stand there."""
    base = _base(run, survey)
    matcher, aligner = _step_of(run, Match), _step_of(run, Align)
    coarse = None
    if aligner is not None and len(run.feeds) > 1 and aligner.model != "none":
        coarse = aligner.coarse(run.device, survey, base["base"], exposure_order(survey.frames))
    matched = _matched(run, survey, base["base"], matcher, coarse)
    order: list[int] = [index for index in matched["order"] if index not in base["left_out"]]
    feeds = [run.feeds[index] for index in order]
    frames = [
        {
            "name": feed.name, "file": index, "digest": digests[index], "clip": 1.0,
            "light": matched["frames"][index]["light"], **_noise(run, noise[index], index),
        }
        for index, feed in zip(order, feeds, strict=True)
    ]
    facts: Facts = {
        "order": order, "frames": frames, "base": order.index(base["base"]), "base_choice": base,
        "match": matched, "shape": [survey.grid.shape.height, survey.grid.shape.width],
    }
    lights = [frame["light"] for frame in matched["frames"]]
    nodes = matched["response"]["nodes"] if matched["response"] else ()
    facts["scene"] = scene_light(survey, lights, order, nodes)
    _colour(facts, feeds)
    _warn(run, facts)
    return facts, coarse, order


def _matched(
    run: Execution, survey: Survey, base: int, matcher: Match | None, coarse: CoarseAlignment | None
) -> Facts:
    """The frames' light: measured by the step `match`, else as their exposures say."""
    if len(run.feeds) == 1:
        return {"order": [0], "frames": [{"light": 1.0}], "response": None, "warnings": []}
    if matcher is None:
        return match(run.device, survey, base, mode="exposure", curve="none")
    return match(
        run.device, survey, base, coarse.matrices() if coarse else None, mode=matcher.mode, curve=matcher.curve,
        warn_stops=matcher.warn, local=matcher.local,
    )


def _base(run: Execution, survey: Survey) -> Facts:
    """The base frame and the shaken frames that are left out; what the recipe states wins."""
    chosen = choose_base(survey)
    wish = run.stated.get("base")
    if wish is None:
        return chosen
    left_out = [index for index in chosen["left_out"] if index != wish]
    return {**chosen, "base": wish, "reason": "stated by the recipe", "left_out": left_out}


def _noise(run: Execution, measured: Facts | None, index: int) -> Facts:
    stated = run.stated.get("noise", {}).get(str(index))
    if stated is not None:
        return {"shot": stated["shot"], "read": stated["read"], "noise_from": "the recipe"}
    if measured is None:
        return {"shot": TYPICAL_SHOT, "read": TYPICAL_READ, "noise_from": "typical values"}
    return measured


def _colour(facts: Facts, feeds: Sequence[FrameFeed]) -> None:
    """One white balance for all frames: the base frame's, as shot."""
    base = feeds[facts["base"]]
    camera = base.info.camera
    neutral = camera.as_shot_neutral if camera is not None else None
    for frame, feed in zip(facts["frames"], feeds, strict=True):
        frame["to_working"] = list(feed.decoder.to_working(neutral))
        frame["colours_apart"] = feed.decoder.colours_apart
    facts["as_shot"] = as_shot(base.decoder.white_xy())


def as_shot(xy: tuple[float, float]) -> Facts:
    """The white for which the base frame was balanced, as the white balance step reads it."""
    from tilepipe.colour.white import kelvin_duv

    kelvin, duv = kelvin_duv(xy)
    return {"kelvin": kelvin, "duv": duv}


def _told(feed: FrameFeed, facts: Facts) -> FrameFeed:
    """The feed with the curve that the bracket told."""
    response = facts["match"]["response"]
    if response is None or feed.linear:
        return feed
    tables = (tuple(response["nodes"]),)
    decoder = FrameDecoder.of(feed.info, encoding=feed.decoder.encoding, response=tables, with_peaks=feed.decoder.with_peaks)
    return dataclasses.replace(feed, decoder=decoder)


def _from_facts(run: Execution, facts: Facts, key: str) -> Measured:
    _warn(run, facts)
    feeds = [_told(run.feeds[index], facts) for index in facts["order"]]
    feeds, facts = with_choice(run, _warped(feeds, facts), facts)
    return Measured(feeds, facts, None, key)


def _warped(feeds: Sequence[FrameFeed], facts: Facts) -> list[FrameFeed]:
    """Feeds with the warps and fades that were found; frames that need neither stay as they are."""
    found = list(feeds)
    matched = facts["match"].get("frames")
    if matched is not None:
        fades = [Fade.from_facts(matched[frame["file"]].get("fade"), feed.shape)
                 for feed, frame in zip(feeds, facts["frames"], strict=True)]
        found = [dataclasses.replace(feed, fade=fade) if fade else feed for feed, fade in zip(found, fades, strict=True)]
    if "align" not in facts:
        return found
    rows = facts["align"]["frames"]
    return [_with_warp(feed, rows[frame["file"]]) for feed, frame in zip(found, facts["frames"], strict=True)]


def _with_warp(feed: FrameFeed, row: Mapping[str, Any]) -> FrameFeed:
    matrix: exact.Matrix = tuple(tuple(float(value) for value in line) for line in row["matrix"])  # type: ignore[assignment]
    mesh = Mesh.from_facts(row.get("mesh"), feed.shape)
    warp = Warp.from_matrix(matrix, feed.shape, feed.shape, mesh)
    if row["model"] == "none" or warp.is_identity:
        return feed
    return dataclasses.replace(feed, warp=warp)


def _warn(run: Execution, facts: Mapping[str, Any]) -> None:
    for name in WARNING:
        for warning in facts.get(name, {}).get("warnings", ()):
            text = f"{warning.get('where', '')}: {warning['what']}".lstrip(": ")
            run.engine.tell("warning", text=text, next_step=warning.get("next_step", ""))
