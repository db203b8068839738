"""Proofs: the whole job on reduced copies of the frames, in seconds, or a window at full size with its final bits."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.deliverable import encode_tile, icc_profile
from tilepipe.device.choose import open_device
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.digest import REGION_PX, key_of, region_digests
from tilepipe.errors import InputError
from tilepipe.formats.frame import Encoding, FrameInfo
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan import planner
from tilepipe.recipe.model import Recipe
from tilepipe.run.engine import Engine, Listener
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.opening import Opened, job_of, open_recipe
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.workspace import FolderWorkspace, MemoryWorkspace
from tilepipe.stages.proof_copy import full_window, reduced_shape, reduced_tile
from tilepipe.store.picture import MemoryPicture

UNSCALED = ("resize",)  # steps that only set the size of what is delivered


def reduced_proof(recipe: Recipe, settings: Settings, long_side_px: int, listener: Listener | None = None) -> Path:
    """The job on copies of the frames whose longer side is at most about `long_side_px`; returns the PNG's path."""
    out = settings.out_folder(recipe)
    with closing(open_recipe(recipe)) as opened:
        longer = max(opened.job.shape.height, opened.job.shape.width)
        factor = max(1, -(-longer // long_side_px))
        workers = settings.wish(settings.work_folder(recipe)).workers
        device = open_device(settings.device)
        workspace = FolderWorkspace(settings.work_folder(recipe))
        with closing(workspace), Engine(workers, listener) as engine:
            feeds = [_reduced(engine, device, workspace, opened, index, factor) for index in range(len(opened.feeds))]
            pixels, planes = _job_on(recipe, opened, feeds, engine, device, workers)
    return _write_png(out / f"{recipe.name}-proof.png", device, pixels, planes)


def _reduced(
    engine: Engine, device: Any, workspace: FolderWorkspace, opened: Opened, index: int, factor: int
) -> FrameFeed:
    """One frame's reduced copy, kept in the working folder for the next proof."""
    feed = opened.feeds[index]
    shape = reduced_shape(feed.shape, factor)
    names = COLOUR + ((COVERAGE,) if feed.info.has_coverage else ())
    key = key_of({"proof": 1, "file": opened.identities[index], "decoder": feed.decoder.facts(), "factor": factor})
    side = max(1024 // factor, 64)
    place = workspace.place(f"proof-frame-{index}", key, shape, names, "float32", Shape(side, side))
    grid = Grid(shape, place.tile.height, place.tile.width)

    def work(number: int) -> None:
        window = grid[number]
        tile = feed.own_tile(device, full_window(window, factor, feed.shape))
        place.write(number, window, device.download(reduced_tile(device, tile, window, factor).array))

    missing = [] if place.complete else [number for number in range(len(grid)) if number not in place.finished]
    engine.run_bag(f"reduce-{index}", missing, work, len(grid))
    place.close(complete=True)
    codes = MemoryPicture(np.asarray(place.picture.read(shape.whole)), names)
    return dataclasses.replace(feed, info=_linear_info(feed.info, shape), codes=codes, decoder=_linear_decoder(feed, shape))


def _linear_info(info: FrameInfo, shape: Shape) -> FrameInfo:
    encoding = Encoding("linear", info.encoding.space, "reduced copy", info.encoding.to_xyz_d50)
    return dataclasses.replace(
        info, shape=shape, kind="colour", dtype="float32", channels=3, encoding=encoding, tiled=True, coverage_full=1.0,
        thread_bytes=0,
    )


def _linear_decoder(feed: FrameFeed, shape: Shape) -> FrameDecoder:
    return FrameDecoder.of(_linear_info(feed.info, shape))


def _job_on(
    recipe: Recipe, opened: Opened, feeds: Sequence[FrameFeed], engine: Engine, device: Any, workers: int
) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    steps = tuple(step for step in recipe.steps if step.stage.name not in UNSCALED)
    smaller = recipe.model_copy(update={"steps": steps, "deliver": ()})
    job = dataclasses.replace(job_of(smaller, feeds, identified=False), identified=True)
    plan = planner.make_plan(job, planner.Wish(1 << 62, workers))
    run = Execution(
        plan, job, list(feeds), device, engine, MemoryWorkspace(), list(range(len(feeds))), opened.stated
    )
    run.run()
    picture = run.pictures[plan.result]
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
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(".part")
    half.write_bytes(_png(np.ascontiguousarray(codes.transpose(1, 2, 0)), icc_profile("srgb")))
    half.replace(path)
    return path


def _png(codes: npt.NDArray[np.uint8], profile: bytes) -> bytes:
    """An 8-bit PNG with its profile."""
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(codes).save(buffer, format="PNG", icc_profile=profile)
    return buffer.getvalue()


