"""Proofs: the whole job on reduced copies of the frames, in seconds, or a window at full size with its final bits."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.deliverable import encode_tile, icc_profile
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.digest import REGION_PX, key_of, region_digests
from tilepipe.errors import InputError
from tilepipe.formats.frame import Encoding, FrameInfo
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan import planner
from tilepipe.recipe.model import Recipe
from tilepipe.run.engine import Listener
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.measuring import Measured
from tilepipe.run.opening import job_of
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.workspace import MemoryWorkspace
from tilepipe.stages.proof_copy import full_window, reduced_shape, reduced_tile
from tilepipe.store.picture import MemoryPicture

UNSCALED = ("resize",)  # steps that only set the size of what is delivered


def reduced_proof(recipe: Recipe, settings: Settings, long_side_px: int, listener: Listener | None = None) -> Path:
    """The job on copies of the frames whose longer side is at most about `long_side_px`; returns the PNG's path.

    Everything is measured on the full frames, as the run does it, and kept for the run: base, brightness, alignment and
    noise are the run's own. Only then are the frames, aligned, reduced.
    """
    out = settings.out_folder(recipe)
    with prepared(recipe, settings, listener) as run:
        longer = max(run.job.shape.height, run.job.shape.width)
        factor = max(1, -(-longer // long_side_px))
        run.measure()
        feeds = [_reduced(run, index, factor) for index in range(len(run.feeds))]
        pixels, planes = _job_on(recipe, run, feeds, factor)
        return _write_png(out / f"{recipe.name}-proof.png", run.device, pixels, planes)


def _reduced(run: Execution, index: int, factor: int) -> FrameFeed:
    """One frame's reduced copy in the base frame's geometry, kept in the working folder for the next proof."""
    feed = run.feeds[index]
    shape = reduced_shape(feed.shape, factor)
    names = COLOUR + ((COVERAGE,) if feed.has_coverage else ())
    key = key_of({"proof": 2, "frames": run.frames_key(), "frame": index, "factor": factor})
    side = max(1024 // factor, 64)
    place = run.workspace.place(f"proof-frame-{index}", key, shape, names, "float32", Shape(side, side))
    grid = Grid(shape, place.tile.height, place.tile.width)

    def work(number: int) -> None:
        window = grid[number]
        tile = feed.tile(run.device, full_window(window, factor, feed.shape))
        place.write(number, window, run.device.download(reduced_tile(run.device, tile, window, factor).array))

    missing = [] if place.complete else [number for number in range(len(grid)) if number not in place.finished]
    run.engine.run_bag(f"reduce-{index}", missing, work, len(grid))
    place.close(complete=True)
    codes = MemoryPicture(np.asarray(place.picture.read(shape.whole)), names)
    info = _linear_info(feed.info, shape, feed.has_coverage)
    return dataclasses.replace(feed, info=info, codes=codes, decoder=FrameDecoder.of(info), warp=None)


def _linear_info(info: FrameInfo, shape: Shape, covered: bool) -> FrameInfo:
    encoding = Encoding("linear", info.encoding.space, "reduced copy", info.encoding.to_xyz_d50)
    return dataclasses.replace(
        info, shape=shape, kind="colour", dtype="float32", channels=3, encoding=encoding, tiled=True, coverage_full=1.0,
        has_coverage=covered, thread_bytes=0,
    )


def _job_on(
    recipe: Recipe, run: Execution, feeds: Sequence[FrameFeed], factor: int
) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    """The steps after the measurements on reduced frames; a box's mean has its pixels' noise over their number."""
    steps = tuple(step for step in recipe.steps if step.stage.name not in UNSCALED and step.stage.kind != "measure")
    smaller = recipe.model_copy(update={"steps": steps, "deliver": ()})
    job = dataclasses.replace(job_of(smaller, feeds, identified=False), coverage=run.job.coverage, base=run.facts["base"])
    plan = planner.make_plan(job, planner.Wish(1 << 62, run.plan.workers))
    share = 1.0 / (factor * factor)
    frames = [{**frame, "shot": frame["shot"] * share, "read": frame["read"] * share} for frame in run.facts["frames"]]
    facts = {**run.facts, "frames": frames, "shape": [job.shape.height, job.shape.width]}
    proof = Execution(
        plan, job, list(feeds), run.device, run.engine, MemoryWorkspace(), [], {}, measured=Measured(list(feeds), facts)
    )
    proof.run()
    picture = proof.pictures[plan.result]
    return picture.read(picture.shape.whole), picture.planes


def window_proof(
    recipe: Recipe, settings: Settings, at: tuple[int, int], size: tuple[int, int], listener: Listener | None = None
) -> Path:
    """A window of the finished picture, exactly as the full run will make it: a PNG, and a JSON file with its digests.

    `at` is (x, y) of its upper left corner, `size` (width, height), in pixels of the finished picture. What it had to
    compute of the whole picture is kept and used by the next window and by the run.
    """
    out = settings.out_folder(recipe)
    with prepared(recipe, settings, listener) as run:
        shape = run.finishing_pass.shape
        wanted = Window(at[1], at[0], size[1], size[0]).cut(shape)
        if wanted.height < 1 or wanted.width < 1:
            raise InputError("this window lies outside the picture", f"--at {at[0]},{at[1]}", allowed=f"inside {shape}")
        run.run(finish=False)
        pixels = run.window(wanted)
        regions = _whole_regions(pixels, wanted, shape)
        planes = run.job.planes
    path = out / f"{recipe.name}-window-{wanted.x}-{wanted.y}.png"
    told = {"window": [wanted.x, wanted.y, wanted.width, wanted.height], "region_px": REGION_PX, "regions": regions}
    _write_png(path, run.device, pixels, planes)
    path.with_suffix(".json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return path


def _whole_regions(pixels: npt.NDArray[Any], window: Window, shape: Shape) -> dict[str, str]:
    """Digests of the canonical regions that lie wholly inside the window, by their number in the receipt."""
    grid = Grid(shape, REGION_PX, REGION_PX)
    inside = [index for index in grid.touching(window) if window.contains(grid[index])]
    return {
        str(index): region_digests(pixels[:, *grid[index].within(window)], grid[index], shape)[0].hex() for index in inside
    }


def _write_png(path: Path, device: Any, pixels: npt.NDArray[Any], planes: tuple[str, ...]) -> Path:
    shape = Shape(pixels.shape[1], pixels.shape[2])
    tile = Tile(device.upload(np.ascontiguousarray(pixels)), shape.whole, shape, planes)
    codes = device.download(encode_tile(device, tile, "srgb", 8))[:3]
    with writing_to(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with Pending(path) as pending:
            pending.path.write_bytes(_png(np.ascontiguousarray(codes.transpose(1, 2, 0)), icc_profile("srgb")))
            pending.commit()
    return path


def _png(codes: npt.NDArray[np.uint8], profile: bytes) -> bytes:
    """An 8-bit PNG with its profile."""
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(codes).save(buffer, format="PNG", icc_profile=profile)
    return buffer.getvalue()


