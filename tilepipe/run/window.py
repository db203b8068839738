"""Windows at full size with the bits of the full run; what they need of the whole picture is made once and kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.deliverable import encode_tile
from tilepipe.device.tile import Tile
from tilepipe.digest import REGION_PX, region_digests
from tilepipe.errors import InputError
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan.passes import FRAMES, PixelPass
from tilepipe.recipe.model import Recipe
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import make_tile
from tilepipe.run.execute import Execution
from tilepipe.run.pictures import write_png
from tilepipe.run.recipe_run import Settings, prepared

PART_PX = 256  # what one task makes of a window: half a region's side, so that two cores share even a small window


class FinalWindows:
    """Any part of the finished picture, as the full run will make it.

    Made by `final_windows`. The blended picture and the coarse halves of the deep steps are in the working folder, under
    keys of the steps that lead to them: a later step may change without a look at the whole picture. Where no step
    reaches across the picture, a window is made of the frames alone.
    """

    def __init__(self, run: Execution) -> None:
        self._run = run
        self.shape: Shape = run.finishing_pass.shape
        self.planes: tuple[str, ...] = run.finishing_pass.names

    def light(self, window: Window) -> npt.NDArray[np.float32]:
        """The final pixels `(plane, y, x)`, display-linear Rec.2020, float32; the window must lie inside the picture."""
        pixels = np.empty((len(self.planes), window.height, window.width), np.float32)

        def make(part: Window) -> None:
            pixels[:, *part.within(window)] = self._run.window(part)

        self._each_part(window, make)
        return pixels

    def codes(self, window: Window) -> npt.NDArray[np.uint8]:
        """The same as a screen shows it: sRGB codes `(y, x, 3)`."""
        codes = np.empty((3, window.height, window.width), np.uint8)

        def make(part: Window) -> None:
            code_pixels(self._run, self._run.window(part), part, codes[:, *part.within(window)])

        self._each_part(window, make)
        return codes.transpose(1, 2, 0)

    def with_digests(self, window: Window) -> tuple[npt.NDArray[np.uint8], dict[int, str]]:
        """The window's codes `(3, y, x)` and the digests of every 512×512 region that it touches, by number in the receipt."""
        grid = Grid(self.shape, REGION_PX, REGION_PX)
        touched = grid.touching(window)
        codes = np.empty((3, window.height, window.width), np.uint8)

        def work(task: int) -> str:
            region = grid[touched[task]]
            pixels, shown = self._run.window(region), region.intersection(window)
            inside = np.ascontiguousarray(pixels[:, *shown.within(region)])
            code_pixels(self._run, inside, shown, codes[:, *shown.within(window)])
            return region_digests(pixels, region, self.shape)[0].hex()

        found = self._run.engine.run_bag("window", range(len(touched)), work)
        return codes, dict(zip(touched, found, strict=True))

    def _each_part(self, window: Window, work: Callable[[Window], None]) -> None:
        grid = Grid(self.shape, PART_PX, PART_PX)
        parts = [grid[index].intersection(window) for index in grid.touching(window)]
        self._run.engine.run_bag("window", range(len(parts)), lambda index: work(parts[index]))


def code_pixels(run: Execution, pixels: npt.NDArray[Any], window: Window, codes: npt.NDArray[np.uint8]) -> None:
    """Puts final pixels `(plane, y, x)` into `codes` (plane, y, x) as a screen shows them."""
    step = run.finishing_pass
    tile = Tile(run.device.upload(pixels), window, step.shape, step.names)
    codes[:] = run.device.download(encode_tile(run.device, tile, "srgb", 8))[:3]


@contextmanager
def final_windows(recipe: Recipe, settings: Settings, listener: Listener | None = None) -> Iterator[FinalWindows]:
    """Opens a recipe for windows: reads the frames once where nothing of them is known yet, and holds the working folder."""
    # A scene-linear master would ask for whole pictures that no window needs.
    plain = recipe.model_copy(update={"deliver": ()})
    with prepared(plain, settings, listener) as run:
        make_ready(run)
        yield FinalWindows(run)


def make_ready(run: Execution) -> None:
    """Makes what windows are made of: nothing but measurements where no step reaches across the whole picture."""
    *before, _ = run.plan.way
    if len(before) == 1 and isinstance(before[0], PixelPass) and before[0].source == FRAMES and before[0].part == "whole":
        run.measure()
        run.pictures[before[0].output] = JoinedFrames(run, before[0])
    else:
        run.run(finish=False)


@dataclass(frozen=True)
class JoinedFrames:
    """The joined picture, made window by window as it is read; nothing of it is kept."""

    run: Execution
    step: PixelPass

    @property
    def shape(self) -> Shape:
        return self.step.shape

    @property
    def planes(self) -> tuple[str, ...]:
        return self.step.names

    def read(self, window: Window) -> npt.NDArray[Any]:
        run = self.run
        tile = make_tile(run.device, self.step, window, run.feeds, None, None, run.facts, maps=run.maps)
        return np.array(run.device.download(tile.array))

    def write(self, window: Window, pixels: npt.NDArray[Any]) -> None:
        raise NotImplementedError("what is read here is made of the frames")


def window_proof(
    recipe: Recipe, settings: Settings, at: tuple[int, int], size: tuple[int, int], listener: Listener | None = None
) -> Path:
    """A window of the finished picture, exactly as the full run will make it: a PNG, and a JSON file with its digests.

    `at` is (x, y) of its upper left corner, `size` (width, height), in pixels of the finished picture. The digests are
    those of all regions that the window touches, as they will stand in the receipt.
    """
    with final_windows(recipe, settings, listener) as final:
        wanted = Window(at[1], at[0], size[1], size[0]).cut(final.shape)
        if wanted.height < 1 or wanted.width < 1:
            raise InputError("this window lies outside the picture", f"--at {at[0]},{at[1]}", allowed=f"inside {final.shape}")
        codes, regions = final.with_digests(wanted)
    path = settings.out_folder(recipe) / f"{recipe.name}-window-{wanted.x}-{wanted.y}.png"
    told = {
        "window": [wanted.x, wanted.y, wanted.width, wanted.height], "region_px": REGION_PX,
        "regions": {str(index): digest for index, digest in regions.items()},
    }
    write_png(path, codes)
    path.with_suffix(".json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return path
