"""Why a pixel is as it is: which frames gave it, with which weights, and what each step did there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tilepipe.colour.difference import delta_e_2000, lab_of
from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.tile import Tile
from tilepipe.errors import InputError
from tilepipe.geometry import Shape, Window
from tilepipe.plan.passes import PixelPass
from tilepipe.recipe.model import Recipe
from tilepipe.run.engine import Listener
from tilepipe.run.evaluate import frame_tiles, make_tile
from tilepipe.run.execute import Execution
from tilepipe.run.recipe_run import Settings, prepared
from tilepipe.run.window import make_ready
from tilepipe.stages.blend import Blend
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.shares import radiance_shares

Colour = tuple[float, float, float]


@dataclass(frozen=True)
class FrameSay:
    """One frame at the pixel: its light beside the base's in stops, its brightest sensor value of 0..1, its share of 0..1."""

    name: str
    stops: float
    peak: float
    share: float | None


@dataclass(frozen=True)
class StepSay:
    """One step at the pixel: the colour it made (linear Rec.2020), the change in stops and as CIEDE2000."""

    step: str
    colour: Colour
    stops: float | None
    delta_e: float


@dataclass(frozen=True)
class Why:
    """All there is to say of the pixel (`x`, `y`) of the finished picture, which shows (`base_x`, `base_y`) of the base."""

    x: int
    y: int
    base_x: float
    base_y: float
    frames: tuple[FrameSay, ...]
    noise_stops: float | None
    clipped: bool
    group: str
    blended: Colour
    steps: tuple[StepSay, ...]

    def lines(self) -> Iterator[str]:
        """The same as text."""
        yield f"pixel x {self.x}, y {self.y} shows x {self.base_x:.1f}, y {self.base_y:.1f} of the base frame"
        for frame in self.frames:
            share = "" if frame.share is None else f"   gave {frame.share:6.1%}"
            yield f"  frame  {frame.name:24} {frame.stops:+5.2f} EV   sensor at {frame.peak:6.1%}{share}"
        if self.group:
            yield f"  {self.group}"
        if self.clipped:
            yield "  no frame saw this light below its clipping level: it is a lower bound"
        elif self.noise_stops is not None:
            yield f"  noise {self.noise_stops:+.2f} stops beside the base frame's"
        yield f"  {'blend':22} {_shown(self.blended)}"
        for step in self.steps:
            stops = "" if step.stops is None else f"{step.stops:+6.2f} EV"
            yield f"  {step.step:22} {_shown(step.colour)}   {stops:9}   ΔE {step.delta_e:5.2f}"


def _shown(colour: Colour) -> str:
    return " ".join(f"{value:9.5f}" for value in colour)


def why(recipe: Recipe, settings: Settings, at: tuple[int, int], listener: Listener | None = None) -> Why:
    """The account of one pixel `at` (x, y) of the finished picture.

    What a run would keep of the whole picture is made first, or found; the rest is one tile. Raises InputError for a
    place outside the picture.
    """
    with prepared(recipe.model_copy(update={"deliver": ()}), settings, listener) as run:
        shape = run.finishing_pass.shape
        if not (0 <= at[0] < shape.width and 0 <= at[1] < shape.height):
            raise InputError("this pixel lies outside the picture", f"{at[0]},{at[1]}", allowed=f"inside {shape}")
        make_ready(run)
        return _why(run, at)


def _why(run: Execution, at: tuple[int, int]) -> Why:
    places = _places(run, at)
    colours: dict[str, Colour] = {}
    for step in _path(run):
        _walk(run, step, places, colours)
    blend = run.job.blend
    assert blend is not None
    base = places[blend.id]
    frames, noise, clipped = _frames(run, blend.stage, _pixel(base, run.job.shape))
    blended = colours[blend.id]
    said, before = [], blended
    for each in run.job.finishing:
        after = colours[each.id]
        said.append(StepSay(each.id, after, _stops(before, after), delta_e_2000(lab_of(before), lab_of(after))))
        before = after
    return Why(at[0], at[1], base[0], base[1], frames, noise, clipped, _group(run, base), blended, tuple(said))


def _path(run: Execution) -> list[PixelPass]:
    """The passes from the frames to the finished picture, without those beside the way."""
    return [step for step in run.plan.way if isinstance(step, PixelPass) and step.part != "down"]


def _places(run: Execution, at: tuple[int, int]) -> dict[str, tuple[float, float]]:
    """Where the pixel lies (x, y) after each step, by the step's id; the blend's is the base frame's."""
    blend, shape = run.job.blend, run.job.shape
    assert blend is not None
    shapes = []
    for step in run.job.finishing:
        shapes.append(shape)
        shape = step.stage.output_shape(shape)
    x, y = float(at[0]), float(at[1])
    places: dict[str, tuple[float, float]] = {}
    for step, shape in zip(reversed(run.job.finishing), reversed(shapes), strict=True):
        places[step.id] = (x, y)
        to_output = getattr(step.stage, "to_output", None)
        if to_output is not None:
            px, py, pw = exact.matrix_vector(exact.matrix_inverse(to_output(shape)), (x, y, 1.0))
            x, y = px / pw, py / pw
    places[blend.id] = (x, y)
    return places


def _pixel(place: tuple[float, float], shape: Shape) -> Window:
    x = min(max(math.floor(place[0] + 0.5), 0), shape.width - 1)
    y = min(max(math.floor(place[1] + 0.5), 0), shape.height - 1)
    return Window(y, x, 1, 1)


def _walk(run: Execution, step: PixelPass, places: dict[str, tuple[float, float]], colours: dict[str, Colour]) -> None:
    """Makes the pass's pixel and notes what each of its steps gave."""
    ids = [each.id for each in (*step.before.steps, *([step.head] if step.head else []), *step.after.steps)]
    if not ids:
        return

    def watch(name: str, tile: Tile) -> None:
        window = _pixel(places[name], tile.picture).within(tile.window)
        value = run.device.download(tile.array[:3, *window])[:, 0, 0]
        colours[name] = tuple(float(each) for each in value)  # type: ignore[assignment]

    wanted = _pixel(places[ids[-1]], step.shape)
    source, solved = run.pictures.get(step.source), run.pictures.get(step.solved)
    make_tile(run.device, step, wanted, run.feeds, source, solved, run.facts, watch=watch, maps=run.maps)


def _frames(run: Execution, stage: Any, window: Window) -> tuple[tuple[FrameSay, ...], float | None, bool]:
    """What each frame shows at a pixel of the base frame, and how the merge weighed it."""
    tiles = frame_tiles(run.device, run.feeds, window, run.job.shape, run.facts, run.maps)
    peaks = [float(run.device.download(tile.array[3:6] if len(tile.planes) > 5 else tile.array[:3]).max()) for tile in tiles]
    merge = RadianceMerge(stage.full_below, stage.none_above) if isinstance(stage, Blend) else RadianceMerge()
    weighed = isinstance(stage, Blend) and stage.method == "radiance"
    told = run.device.download(radiance_shares(merge, run.device, tiles, window, run.facts).array)[:, 0, 0]
    said = tuple(
        FrameSay(frame["name"], exact.log2(frame["light"]), peak, float(told[index]) if weighed else None)
        for index, (frame, peak) in enumerate(zip(run.facts["frames"], peaks, strict=True))
    )
    return said, float(told[-2]) if weighed else None, bool(told[-1] > 0)


def _group(run: Execution, place: tuple[float, float]) -> str:
    """The group of what moved there, as words; empty where nothing did."""
    motion = run.facts.get("motion")
    if not motion or not motion["groups"]:
        return ""
    labels, cell = run.facts["maps"]["moved"]["array"], motion["cell_px"]
    row, column = (min(int(max(at, 0.0)) // cell, size - 1) for at, size in zip(place[::-1], labels.shape, strict=True))
    label = int(labels[row, column])
    group = next((each for each in motion["groups"] if each["id"] == label), None)
    return f"group {label}, which moved, comes from {group['name']}: {group['why']}" if group is not None else ""


def _stops(before: Colour, after: Colour) -> float | None:
    """The change of luminance; None where one of the two is not light."""
    row = luminance_row()
    first, second = (sum(a * b for a, b in zip(row, colour, strict=True)) for colour in (before, after))
    return exact.log2(second / first) if first > 0 and second > 0 else None


