"""From a recipe to a job: opens the frames, checks that they belong together, sketches what they cost."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.mosaic import DEMOSAIC_REACH_PX
from tilepipe.errors import Fault, InputError, TilepipeError
from tilepipe.formats.frame import Frame, FrameInfo
from tilepipe.formats.opening import open_frame
from tilepipe.formats.spot_list import read_spot_list
from tilepipe.geometry import Shape
from tilepipe.plan.chain import located
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.recipe.model import FrameEntry, Recipe, Step
from tilepipe.run.feeds import FrameFeed, light_of
from tilepipe.stages.blend import Blend
from tilepipe.stages.lens_spots import LensSpots

WARP_REACH_PX = 4  # six samples and the rounding of the grid


@dataclass
class Opened:
    """A recipe with its frames open: what a planner and a run need."""

    recipe: Recipe
    feeds: list[FrameFeed]
    job: Job
    identities: list[Any]
    stated: dict[str, Any]

    def close(self) -> None:
        for feed in self.feeds:
            close = getattr(feed.codes, "close", None)
            if close is not None:
                close()


def open_recipe(recipe: Recipe) -> Opened:
    """Opens every frame; all that is wrong with any of them is raised at once."""
    frames = _open_all(recipe.frames)
    try:
        _refuse_differing(frames)
        feeds = [_feed(frame, entry) for frame, entry in zip(frames, recipe.frames, strict=True)]
        identities = [_identity(entry) for entry in recipe.frames]
        return Opened(recipe, feeds, job_of(recipe, feeds), identities, _stated(recipe))
    except BaseException:
        _close_all(frames)
        raise


def job_of(
    recipe: Recipe, feeds: Sequence[FrameFeed], identified: bool = True, full: Shape | None = None, factor: int = 1
) -> Job:
    """The job that a recipe makes of these frames; copies of a proof are reduced by `factor` from the size `full`."""
    shape = feeds[0].shape
    steps = located(steps_of(recipe), shape, full, factor)
    aligned = any(step.stage.name == "align" for step in steps) and len(feeds) > 1
    linear = any(item.kind == "linear-tiff" for item in recipe.deliver)
    return Job(
        frames=tuple(_sketch(feed, aligned) for feed in feeds), base=recipe.base or 0, steps=steps,
        coverage=any(feed.info.has_coverage for feed in feeds), linear_master=linear,
        deliverables=len(recipe.deliver), identified=identified,
    )


def steps_of(recipe: Recipe) -> tuple[Step, ...]:
    """The steps that change or measure something, with a blend among them."""
    steps = recipe.active_steps
    return steps if any(step.stage.kind == "blend" for step in steps) else _with_plain_blend(steps)


def _with_plain_blend(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """One frame needs no blend step: it is taken to the working space by the merge of one."""
    measuring = sum(step.stage.kind == "measure" for step in steps)
    return (*steps[:measuring], Step(id="blend", stage=Blend(method="radiance")), *steps[measuring:])


def _open_all(entries: Sequence[FrameEntry]) -> list[Frame]:
    frames: list[Frame] = []
    faults: list[Fault] = []
    for entry in entries:
        try:
            frames.append(open_frame(entry.file, **entry.opening()))
        except TilepipeError as error:
            faults += error.faults
        except BaseException:
            _close_all(frames)
            raise
    if faults:
        _close_all(frames)
        raise InputError(faults=faults)
    return frames


def _close_all(frames: Sequence[Frame]) -> None:
    for frame in frames:
        frame.close()


def _refuse_differing(frames: Sequence[Frame]) -> None:
    sizes = {frame.info.shape for frame in frames}
    if len(sizes) > 1:
        found = ", ".join(f"{os.path.basename(frame.info.path)}: {frame.info.shape}" for frame in frames)
        raise InputError(
            "the frames have different sizes", where=", ".join(os.path.basename(frame.info.path) for frame in frames),
            found=found, allowed="frames of one size", next_step="leave out the one that does not belong to this bracket",
        )


def _feed(frame: Frame, entry: FrameEntry) -> FrameFeed:
    return FrameFeed(entry.file.name, frame.info, frame, FrameDecoder.of(frame.info), light_of(frame.info))


def _identity(entry: FrameEntry) -> Any:
    """Tells one state of a file from another without reading its pixels."""
    status = os.stat(entry.file)
    return [str(entry.file), status.st_size, status.st_mtime_ns, repr(sorted(entry.opening().items(), key=str))]


def _stated(recipe: Recipe) -> dict[str, Any]:
    noise = {
        index: {"shot": entry.noise.shot, "read": entry.noise.read}
        for index, entry in enumerate(recipe.frames) if entry.noise is not None
    }
    spots = [
        read_spot_list(recipe.folder / path)
        for step in recipe.active_steps if isinstance(step.stage, LensSpots) for path in step.stage.known
    ]
    return {"base": recipe.base, "noise": {str(index): value for index, value in noise.items()}, "spots": spots}


def _sketch(feed: FrameFeed, aligned: bool) -> FrameSketch:
    info: FrameInfo = feed.info
    mosaic = info.kind == "mosaic"
    decoded = len(feed.decoder.planes)
    return FrameSketch(
        info.shape, info.pixel_bytes, info.tiled, decoded_planes=decoded,
        aligned_planes=7 if aligned else decoded,  # three colours, their peaks, the coverage of what moved in
        margin_px=(DEMOSAIC_REACH_PX if mosaic else 0) + (WARP_REACH_PX if aligned else 0),
        scratch_planes=7 if mosaic else 1, thread_bytes=info.thread_bytes, decode_bytes=info.decode_bytes, mosaic=mosaic,
    )
