"""Proofs: the whole job on reduced copies of the frames, in seconds, or a window at full size with its final bits."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Sequence
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
from tilepipe.run.evaluate import read_tile
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.measuring import Measured
from tilepipe.run.opening import job_of
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.stages.proof_copy import full_window, reduced_shape, reduced_tile
from tilepipe.store.picture import Picture

UNSCALED = ("resize",)  # steps that only set the size of what is delivered


def reduced_proof(recipe: Recipe, settings: Settings, long_side_px: int, listener: Listener | None = None) -> Path:
    """The job on copies of the frames whose longer side is at most about `long_side_px`; returns the PNG's path.

    Everything is measured on the full frames, as the run does it, and kept for the run: base, brightness, alignment and
    noise are the run's own. Only then are the frames, aligned, reduced.
    """
    out = settings.out_folder(recipe)
    with prepared(recipe, settings, listener) as run:
        feeds, factor = reduced_frames(run, long_side_px)
        picture = job_on_copies(recipe, run, feeds, factor)
        codes = np.empty((3, picture.shape.height, picture.shape.width), np.uint8)

        def make(part: Window) -> None:
            code_tile(run, read_tile(run.device, picture, part), codes[:, part.rows, part.cols])

        _each_part(run, picture.shape.whole, make)
        return write_png(out / f"{recipe.name}-proof.png", codes)


def reduced_frames(run: Execution, long_side_px: int) -> tuple[list[FrameFeed], int]:
    """Copies of all frames, aligned, their longer side at most about `long_side_px`, and the factor of reduction."""
    longer = max(run.job.shape.height, run.job.shape.width)
    factor = max(1, -(-longer // long_side_px))
    run.measure()
    return [_reduced(run, index, factor) for index in range(len(run.feeds))], factor


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
    finished = False
    try:
        run.engine.run_bag(f"reduce-{index}", missing, work, len(grid))
        finished = True
    finally:
        place.close(complete=finished)
    info = _linear_info(feed.info, shape, feed.has_coverage)
    return dataclasses.replace(feed, info=info, codes=place.picture, decoder=FrameDecoder.of(info), warp=None, fade=None)


def _linear_info(info: FrameInfo, shape: Shape, covered: bool) -> FrameInfo:
    encoding = Encoding("linear", info.encoding.space, "reduced copy", info.encoding.to_xyz_d50)
    return dataclasses.replace(
        info, shape=shape, kind="colour", dtype="float32", channels=3, encoding=encoding, tiled=True, coverage_full=1.0,
        has_coverage=covered, thread_bytes=0,
    )


def job_on_copies(recipe: Recipe, run: Execution, feeds: Sequence[FrameFeed], factor: int) -> Picture:
    """The steps after the measurements on reduced frames; a box's mean has its pixels' noise over their number.

    It keeps to the memory of the run, its pictures lie in the working folder.
    """
    steps = tuple(step for step in recipe.steps if step.stage.name not in UNSCALED and step.stage.kind != "measure")
    smaller = recipe.model_copy(update={"steps": steps, "deliver": ()})
    job = job_of(smaller, feeds, identified=False, full=run.job.shape, factor=factor)
    job = dataclasses.replace(job, coverage=run.job.coverage, base=run.facts["base"])
    plan = planner.make_plan(job, planner.Wish(run.plan.memory_bytes, run.plan.workers))
    share = 1.0 / (factor * factor)
    frames = [
        {**frame, "shot": frame["shot"] * share, "read": frame["read"] * share, "reduced": factor}
        for frame in run.facts["frames"]
    ]
    facts = {**run.facts, "frames": frames, "shape": [job.shape.height, job.shape.width]}
    proof = Execution(
        plan, job, list(feeds), run.device, run.engine, run.workspace, [], {}, measured=Measured(list(feeds), facts),
        maps=dataclasses.replace(run.maps, factor=factor) if run.maps else None,
    )
    proof.run()
    return proof.pictures[plan.result]


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
        regions: dict[str, str] = {}
        codes = np.empty((3, wanted.height, wanted.width), np.uint8)

        def make(part: Window) -> None:
            pixels = run.window(part)
            regions.update(_whole_regions(pixels, part, shape))
            tile = Tile(run.device.upload(pixels), part, shape, run.finishing_pass.names)
            code_tile(run, tile, codes[:, *part.within(wanted)])

        _each_part(run, wanted, make)
    path = out / f"{recipe.name}-window-{wanted.x}-{wanted.y}.png"
    told = {
        "window": [wanted.x, wanted.y, wanted.width, wanted.height], "region_px": REGION_PX,
        "regions": dict(sorted(regions.items(), key=_number)),
    }
    write_png(path, codes)
    path.with_suffix(".json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return path


def _number(region: tuple[str, str]) -> int:
    return int(region[0])


def _each_part(run: Execution, wanted: Window, work: Callable[[Window], None]) -> None:
    """Runs `work` on the parts of a window, each of whole canonical regions where the window holds them whole."""
    side = max(run.plan.tile_px // REGION_PX, 1) * REGION_PX
    whole = Grid(Shape(wanted.y_end, wanted.x_end), side, side)
    parts = [whole[index].intersection(wanted) for index in whole.touching(wanted)]
    run.engine.run_bag("window", range(len(parts)), lambda index: work(parts[index]))


def code_tile(run: Execution, tile: Tile, codes: npt.NDArray[np.uint8]) -> None:
    """Puts the pixels of a tile into `codes` (plane, y, x) as a screen shows them."""
    codes[:] = run.device.download(encode_tile(run.device, tile, "srgb", 8))[:3]


def _whole_regions(pixels: npt.NDArray[Any], window: Window, shape: Shape) -> dict[str, str]:
    """Digests of the canonical regions that lie wholly inside the window, by their number in the receipt."""
    grid = Grid(shape, REGION_PX, REGION_PX)
    inside = [index for index in grid.touching(window) if window.contains(grid[index])]
    return {
        str(index): region_digests(pixels[:, *grid[index].within(window)], grid[index], shape)[0].hex() for index in inside
    }


def write_png(path: Path, codes: npt.NDArray[np.uint8]) -> Path:
    """Writes codes `(plane, y, x)` in sRGB."""
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


