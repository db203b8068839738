"""The whole job on arrays in memory: no files, the same kernels, the same bits as a run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device.choose import open_device
from tilepipe.errors import Fault, InputError
from tilepipe.formats.frame import Array, Encoding, Exposure, FrameInfo
from tilepipe.formats.primaries import REC709, to_xyz_d50
from tilepipe.geometry import Shape, Window
from tilepipe.plan import planner
from tilepipe.plan.passes import PixelPass
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.steps import read_steps
from tilepipe.run.engine import Engine
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.opening import job_of
from tilepipe.run.workspace import MemoryWorkspace
from tilepipe.stages.radiance import MOST_FRAMES

Pixels = npt.NDArray[Any]
DTYPES = ("uint16", "float32")
ENCODINGS = ("linear", "srgb")
SETTINGS = {"tile": (128, 65536), "workers": (1, 1024), "level": (1, 12)}  # least and most, as on the command line
TILE_GRAIN_PX = 256  # so that hand-over levels stay deep
FEW_SMALL_TILES = 1.15  # of the picture's area: at the end of a pass no thread waits long for another
SAME_LIGHT = 1.07  # a tenth of a stop: below it, frames are one exposure taken again; as `match` has it


@dataclass(frozen=True)
class ArrayFrame:
    """An array `(height, width, 3)` as an opened frame: windows are planar copies."""

    info: FrameInfo
    pixels: Pixels

    def read(self, window: Window) -> Array:
        """A view; the device puts the planes apart."""
        return self.pixels[window.rows, window.cols].transpose(2, 0, 1)


def process(
    frames: Sequence[Pixels], exposures: Sequence[float] | None = None, steps: Sequence[Mapping[str, Any] | str] = (),
    *, encoding: Literal["linear", "srgb"] = "linear", device: str = "cpu", tile: int | None = None,
    workers: int | None = None, level: int | None = None,
) -> npt.NDArray[np.float32]:
    """What the last step gives, float32 `(height, width, 3)`, of frames that are arrays.

    Where a step leaves corners uncovered, a fourth plane holds the coverage of 0..1.

    Parameters
    ----------
    frames: arrays `(height, width, 3)`, all of one size, uint16 (0..65535 = 0..1) or float32; 1.0 is where a frame clips.
        "linear" frames are scene-linear Rec.2020, "srgb" frames are sRGB-encoded.
    exposures: relative light of each frame, t·ISO/N², in any common unit; not needed for one frame.
    steps: as in a recipe, for example `[{"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.5}}]`.
        One frame needs no blend.
    device: "cpu", "cpu v3" (a variant), "gpu", "gpu:1" or "auto".
    tile, workers, level: tile side in pixels, threads, hand-over level; none of them changes a bit.

    The base is the middle frame by exposure. Raises InputError for frames that cannot be used, RecipeError for steps.
    """
    settings = {"tile": tile, "workers": workers, "level": level}
    arrays, lights = _checked(frames, exposures, encoding, settings)
    recipe = Recipe(name="process", folder=Path(), steps=read_steps(steps, frames=len(arrays)))
    feeds = [_feed(array, light, encoding, index) for index, (array, light) in enumerate(zip(arrays, lights, strict=True))]
    job = job_of(recipe, feeds, identified=False)
    chosen = open_device(device)
    threads = workers or chosen.workers
    wish = planner.Wish(1 << 62, threads, tile or _tile_for(job.shape, threads, chosen.tile_px(threads)), level)
    plan = planner.make_plan(job, wish)
    last = next(step for step in plan.passes if isinstance(step, PixelPass) and step.output == plan.result)
    result: Pixels = chosen.result((last.shape.height, last.shape.width, len(last.names)), np.float32)
    workspace = MemoryWorkspace({plan.result: result.transpose(2, 0, 1)}, chosen)
    stated = {"base": _middle(lights), "noise": {}}
    with chosen.locked(arrays, last=result), Engine(threads) as engine:
        run = Execution(plan, job, feeds, chosen, engine, workspace, list(range(len(feeds))), stated)
        run.run()
    return result


def _tile_for(shape: Shape, threads: int, largest_px: int) -> int:
    """Large tiles, because nothing is read or written, yet several for each thread; all of about one size."""
    side = largest_px
    while side > 256 and -(-shape.height // side) * -(-shape.width // side) < 2 * threads:
        side //= 2
    sides = range(side, side // 2, -TILE_GRAIN_PX)
    return next((size for size in sides if _covered(shape, size) <= FEW_SMALL_TILES * shape.pixels), side)


def _covered(shape: Shape, side: int) -> int:
    """The area of all tiles, those at the end taken as whole."""
    return -(-shape.height // side) * -(-shape.width // side) * side * side


def _middle(lights: Sequence[float]) -> int:
    order = sorted(range(len(lights)), key=lambda index: (lights[index], index))
    return order[len(order) // 2]


def _checked(
    frames: Sequence[Pixels], exposures: Sequence[float] | None, encoding: str, settings: Mapping[str, int | None]
) -> tuple[list[Pixels], list[float]]:
    """The frames as arrays and the light of each; InputError with everything that is wrong with what was given."""
    arrays = [_native(frame) for frame in frames]
    faults = [fault for index, array in enumerate(arrays) for fault in _faults_of(array, index)]
    if not arrays:
        faults.append(Fault("there are no frames", "frames", next_step="give a list of arrays (height, width, 3)"))
    if len(arrays) > MOST_FRAMES:
        faults.append(Fault("these are more frames than can be joined", "frames", str(len(arrays)), f"1 to {MOST_FRAMES}"))
    if not faults and len({array.shape for array in arrays}) > 1:
        shapes = ", ".join(str(array.shape) for array in arrays)
        faults.append(Fault("the frames have different sizes", "frames", shapes, "arrays of one shape"))
    faults += _exposure_faults(len(arrays), exposures)
    if encoding not in ENCODINGS:
        faults.append(Fault("this encoding is unknown", "encoding", repr(encoding), " or ".join(ENCODINGS)))
    faults += [fault for name, value in settings.items() for fault in _setting_faults(name, value)]
    if faults:
        raise InputError(faults=faults)
    return arrays, [float(light) for light in exposures] if exposures is not None else [1.0] * len(arrays)


def _setting_faults(name: str, value: int | None) -> list[Fault]:
    least, most = SETTINGS[name]
    whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
    if value is None or (whole and least <= value <= most):
        return []
    return [Fault("cannot be used", name, repr(value), f"a whole number from {least} to {most}, or None")]


def _native(frame: Any) -> Pixels:
    """The same values as an array in this machine's byte order; what is no array at all becomes one of another type."""
    try:
        array = np.asarray(frame)
    except ValueError:  # rows of differing length
        array = np.empty((1, 1, 3), object)
    return array.astype(array.dtype.newbyteorder("="), copy=False)


def _faults_of(array: Pixels, index: int) -> list[Fault]:
    where = f"frames[{index}]"
    if array.ndim != 3 or array.shape[2] != 3 or 0 in array.shape:
        return [Fault("has the wrong shape", where, str(array.shape), "(height, width, 3)")]
    if array.dtype.name not in DTYPES:
        return [Fault("has a type that is not read", where, array.dtype.name, " or ".join(DTYPES))]
    if array.dtype.kind == "f":
        bad = np.argwhere(~np.isfinite(array))
        if len(bad):
            y, x, _ = (int(value) for value in bad[0])
            return [Fault(f"holds {len(bad)} values that are not finite", where, f"the first at (y {y}, x {x})")]
    return []


def _exposure_faults(count: int, exposures: Sequence[float] | None) -> list[Fault]:
    where, text = "exposures", "give the relative light t·ISO/N² of each frame, for example [0.25, 1, 4]"
    if exposures is None:
        return [Fault("the frames' exposures are unknown", where, next_step=text)] if count > 1 else []
    if isinstance(exposures, str) or not isinstance(exposures, Sequence | np.ndarray):
        return [Fault("is not a list of numbers", where, repr(exposures), next_step=text)]
    faults = []
    if len(exposures) != count:
        faults.append(Fault("needs one number per frame", where, f"{len(exposures)} for {count} frames"))
    wrong = [repr(value) for value in exposures if not _is_light(value)]
    if wrong:
        faults.append(Fault("must be positive numbers", where, ", ".join(wrong), next_step=text))
    elif len(exposures) > 1 and max(exposures) < SAME_LIGHT * min(exposures):
        found = f"{float(min(exposures)):g} to {float(max(exposures)):g}"
        allowed = "frames that differ by a tenth of a stop or more"
        faults.append(Fault("all frames have the same exposure", where, found, allowed, text))
    return faults


def _is_light(value: Any) -> bool:
    number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    return number and math.isfinite(value) and value > 0


def _feed(array: Pixels, light: float, encoding: str, index: int) -> FrameFeed:
    meaning = Encoding("linear", "rec2020", "stated by the caller")
    if encoding == "srgb":
        meaning = Encoding("srgb", "srgb", "stated by the caller", to_xyz_d50(REC709))
    shape = Shape(array.shape[0], array.shape[1])
    info = FrameInfo(
        path=f"frame {index}", shape=shape, kind="colour", dtype=array.dtype.name, channels=3, has_coverage=False,
        encoding=meaning, exposure=Exposure.stated(light), orientation=1, camera=None, tiled=True, timestamp=None,
        bytes_on_disk=0, facts_for_key={},
    )
    return FrameFeed(f"frame {index}", info, ArrayFrame(info, array), FrameDecoder.of(info), light)


