"""Shows how near results come to known truth: merging, alignment, matching, halos, real light, fringes, Bayer orders.

Every figure is measured here and now and stands beside its bound; figures without a bound are stated as they are.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR

from tilepipe import process
from tilepipe.colour.decode import FrameDecoder
from tilepipe.colour.mosaic import Pattern, demosaic, first_red, sensor_range
from tilepipe.colour.spaces import WORKING, rgb_to_xyz
from tilepipe.demo.camera import (
    BLACK_LEVEL,
    PATTERN,
    PHOTON_NOISE,
    READ_NOISE,
    WHITE_LEVEL,
    expose_linear,
    expose_mosaic,
    neutral,
    scene_to_camera,
)
from tilepipe.demo.frames import demo_shape, write_demo_frames
from tilepipe.demo.scene import FrameSetting, SceneOptions, may_move, render_truth, scene_frames, static_truth
from tilepipe.device.cpu import CpuDevice
from tilepipe.errors import InputError
from tilepipe.formats.frame import CameraInfo, Encoding
from tilepipe.formats.opening import open_frame
from tilepipe.geometry import Shape, Window
from tilepipe.measure.mesh import Mesh
from tilepipe.plan import planner
from tilepipe.recipe.load import load_recipe
from tilepipe.run.engine import Engine
from tilepipe.run.execute import Execution
from tilepipe.run.opening import open_recipe
from tilepipe.run.workspace import FolderWorkspace

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
RADIANCE = {"blend": {"method": "radiance"}}
FULL_BELOW, NONE_ABOVE = 0.8, 0.98  # the blend step's defaults
LEAST_SAMPLES = 4000  # in a band of brightness: the mean is then known to 0.016 σ
BANDS_PER_STOP = 2


@dataclass
class Figure:
    """One measured number; `bound` is the largest allowed size, None where the figure is only stated."""

    group: str
    name: str
    value: float
    bound: float | None = None
    unit: str = ""
    note: str = ""
    least: float | None = None

    @property
    def passes(self) -> bool | None:
        if self.bound is None and self.least is None:
            return None
        above = self.bound is None or self.value <= self.bound
        return bool(math.isfinite(self.value) and above and (self.least is None or self.value >= self.least))


# ------------------------------------------------------------ a run without delivering
@dataclass
class Ran:
    """What a recipe's run found: the facts, the finished pixels `(plane, y, x)` if wanted, times, warnings."""

    facts: dict[str, Any]
    pixels: Any
    seconds: dict[str, float]
    warnings: list[dict[str, Any]] = field(default_factory=list)


def ran(recipe: Path, work: Path, *, finish: bool = True, workers: int = 2, memory_bytes: int = 2 << 30) -> Ran:
    """Runs a recipe up to its finished picture, or without `finish` only what comes before it."""
    warnings: list[dict[str, Any]] = []

    def listen(event: Any) -> None:
        if event["event"] == "warning":
            warnings.append({key: value for key, value in event.items() if key not in ("time", "event")})

    with closing(open_recipe(load_recipe(recipe))) as opened:
        plan = planner.make_plan(opened.job, planner.Wish(memory_bytes, workers))
        with closing(FolderWorkspace(work)) as workspace, Engine(workers, listen) as engine:
            run = Execution(
                plan, opened.job, list(opened.feeds), CpuDevice(), engine, workspace, opened.identities, opened.stated
            )
            run.run(finish)
            picture = run.pictures.get(plan.result)
            pixels = np.asarray(picture.read(picture.shape.whole)) if picture is not None and finish else None
            return Ran(run.facts, pixels, dict(run.times), warnings)


def write_recipe(folder: Path, frames: str, steps: str, base: str = "auto") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "truth.yaml"
    path.write_text(f"frames: {frames}\nbase: {base}\nsteps: {steps}\n", encoding="utf-8")
    return path


# ------------------------------------------------------------ the noise that theory allows
def theory(truth: Any, lights: list[float], shot: float = PHOTON_NOISE, read: float = READ_NOISE) -> tuple[Any, Any]:
    """Standard deviation of the noise-optimal merge, weights times the stated ramp; and where noise meets that ramp.

    Hasinoff, Durand, Freeman, CVPR 2010, section 3: w = 1/Var(y). Within a ramp the weight itself varies with the noise,
    which no closed form covers: such places are figures of their own.
    """
    truth = np.asarray(truth, np.float64)
    above, below, ramp = np.zeros_like(truth), np.zeros_like(truth), np.zeros(truth.shape, bool)
    for light in lights:
        value = truth * light
        variance = (shot * np.maximum(value, 0.0) + read) / (light * light)
        left = np.clip((NONE_ABOVE - value) / (NONE_ABOVE - FULL_BELOW), 0.0, 1.0)
        weight = left * left / variance
        above, below = above + weight * weight * variance, below + weight
        margin = 4.0 * np.sqrt(shot * np.maximum(value, 0.0) + read)
        ramp |= (value > FULL_BELOW - margin) & (value < NONE_ABOVE + margin)
    return np.sqrt(above) / np.maximum(below, 1e-300), ramp | (below <= 0.0)


@dataclass
class Band:
    """Pixels of like true brightness: how far the merge is from the truth, on average and in spread."""

    stops: float
    samples: int
    radiance: float
    bias_percent: float
    bias_sigmas: float
    loss_db: float

    @property
    def unbiased(self) -> bool:
        return abs(self.bias_percent) <= 1.0 or abs(self.bias_sigmas) <= 0.05


def bands(found: Any, truth: Any, sigma: Any, where: Any) -> list[Band]:
    """Half-stop bands of true radiance over the pixels and colours `where`; every sample stands beside its own truth."""
    truth, found, sigma = (np.asarray(array, np.float64)[where] for array in (truth, found, sigma))
    index = np.floor(np.log2(np.maximum(truth, 1e-30)) * BANDS_PER_STOP).astype(np.int64)
    rows = []
    for band in np.unique(index):
        chosen = index == band
        if np.count_nonzero(chosen) < LEAST_SAMPLES:
            continue
        error, level, spread = found[chosen] - truth[chosen], truth[chosen].mean(), sigma[chosen]
        normal = error / spread
        rows.append(Band(
            (band + 0.5) / BANDS_PER_STOP, int(chosen.sum()), float(level), float(100.0 * error.mean() / level),
            float(normal.mean()), float(20.0 * np.log10(normal.std())),
        ))
    return rows


def band_figures(group: str, what: str, rows: list[Band], bound_db: float | None = 0.3) -> Iterator[Figure]:
    """The worst of all bands, each with the place where it is."""
    if not rows:
        yield Figure(group, f"{what}: no band holds {LEAST_SAMPLES} samples", math.nan, 0.0)
        return
    worst = max(rows, key=lambda row: abs(row.loss_db))
    reach = f"{len(rows)} half-stop bands, radiance {rows[0].radiance:.2e} to {rows[-1].radiance:.3g}"
    yield Figure(group, f"{what}: SNR off theory", abs(worst.loss_db), bound_db, "dB",
                 f"{worst.loss_db:+.2f} dB noise at radiance {worst.radiance:.2e}; {reach}")
    biased = max(rows, key=lambda row: min(abs(row.bias_percent) / 1.0, abs(row.bias_sigmas) / 0.05))
    part = min(abs(biased.bias_percent) / 1.0, abs(biased.bias_sigmas) / 0.05)
    yield Figure(group, f"{what}: bias as a part of max(1 %, 0.05 σ)", part, 1.0 if bound_db is not None else None, "",
                 f"{biased.bias_percent:+.2f} % = {biased.bias_sigmas:+.3f} σ at radiance {biased.radiance:.2e}")


# ------------------------------------------------------------ merging
def still(shape: Shape, options: SceneOptions) -> tuple[list[FrameSetting], Any]:
    """The frames' settings and the pixels `(y, x)` that no frame may show differently at another moment."""
    frames = scene_frames(shape.height, shape.width, options)
    moving = np.zeros((shape.height, shape.width), bool)
    for frame in frames:
        moving |= may_move(shape.whole, shape, frame)
    return frames, ~moving


STILL_CAMERA = SceneOptions(moved=0.0, specks=0.0)


def merge_figures(
    shape: Shape, options: SceneOptions = STILL_CAMERA, shades: tuple[float, ...] = (1.0, 1 / 16)
) -> Iterator[Figure]:
    """Linear RGB frames, negatives kept, camera not moved. `shades`: the evening as it is and darker, for deep shadow.

    Patches are all samples (static pixels × three colours) whose true radiance lies in the same half stop.
    """
    frames, static = still(shape, options)
    lights = [frame.gain for frame in frames]
    views = [render_truth(shape.whole, shape, frame) for frame in frames]
    base = next(index for index, frame in enumerate(frames) if frame.is_base)
    for how, steps in (("noise stated", [RADIANCE]), ("noise measured", [{"match": {"mode": "exposure"}}, RADIANCE]),
                       ("noise and gains measured", ["match", RADIANCE])):
        plain: list[Band] = []
        ramped: list[Band] = []
        for shade in shades:
            exposed = [
                expose_linear(view * np.float32(shade), shape.whole, shape, frame).transpose(1, 2, 0)
                for view, frame in zip(views, frames, strict=True)
            ]
            found = process(exposed, lights, steps).transpose(2, 0, 1)
            truth = views[base] * np.float32(shade)
            sigma, ramp = theory(truth, lights)
            plain += bands(found, truth, sigma, static[None] & ~ramp)
            ramped += bands(found, truth, sigma, static[None] & ramp & (truth < 0.7 / lights[0]))
        quarter = math.sqrt(READ_NOISE) / max(lights) / 4
        plain = sorted((row for row in plain if row.radiance >= 0.8 * quarter), key=lambda row: row.radiance)
        yield from band_figures("merge", how, plain)
        yield from band_figures("merge", f"{how}, inside the ramp near clipping", ramped, None)
        yield Figure("merge", f"{how}: deepest band, parts of the brightest frame's read noise",
                     plain[0].radiance * max(lights) / math.sqrt(READ_NOISE) if plain else math.nan, 0.27,
                     "", "a quarter is asked for; the lowest half-stop band that holds it")


def raw_figures(shape: Shape, folder: Path) -> Iterator[Figure]:
    """The same through DNG files, LibRaw, demosaicing and the camera's colours."""
    options = STILL_CAMERA
    write_demo_frames(folder / "frames", options=options, shape=shape)
    frames, static = still(shape, options)
    lights = [frame.gain for frame in frames]
    truth = static_truth(shape.whole, shape, options)
    camera = np.array(scene_to_camera())
    back = np.linalg.inv(camera)
    seen = np.einsum("ij,jyx->iyx", camera, truth.astype(np.float64))
    sigma_seen, ramp = theory(seen, lights)
    sigma = np.sqrt(np.einsum("ij,jyx->iyx", back * back, sigma_seen * sigma_seen))
    unclipped = ~ramp.any(0) & (seen.max(0) < 0.7 / lights[0])
    step = np.log2(np.maximum(truth[1], 1e-6))
    rough = np.maximum(np.abs(np.gradient(step, axis=0)), np.abs(np.gradient(step, axis=1)))
    smooth = _least_around(rough < 0.02, 3)
    recipe = write_recipe(folder, "frames/*.dng", "[{match: {mode: exposure}}, {blend: {method: radiance}}]",
                          base="frame_3.dng")
    result = ran(recipe, folder / "work")
    for what, where in (("smooth static pixels", static & unclipped & smooth), ("all static pixels", static & unclipped)):
        rows = bands(result.pixels[:3], truth, sigma, np.broadcast_to(where, truth.shape))
        yield from band_figures("raw", what, rows, None)
        biased = [row for row in rows if not row.unbiased]
        yield Figure("raw", f"{what}: bands beyond max(1 %, 0.05 σ)", len(biased), None, f"of {len(rows)}",
                     "; ".join(f"{row.radiance:.1e}: {row.bias_percent:+.1f} %" for row in biased[:6]))
    yield from noise_figures("raw", result.facts)


def _least_around(flags: Any, reach: int) -> Any:
    """True where a flag and all within `reach` pixels are True."""
    out = flags.copy()
    for axis in (0, 1):
        source = out.copy()
        for shift in range(1, reach + 1):
            out &= np.roll(source, shift, axis) & np.roll(source, -shift, axis)
    return out


# ------------------------------------------------------------ alignment and matching
def true_matrix(shape: Shape, setting: FrameSetting) -> Any:
    """Base pixel (x, y, 1) → frame pixel: the inverse of p = m + R·(q − m) + shift of `FrameSetting`."""
    angle = math.radians(setting.rotation_degrees)
    cosine, sine = math.cos(angle), math.sin(angle)
    mx, my = (shape.width - 1) / 2.0, (shape.height - 1) / 2.0
    x, y = mx + setting.shift_x_px, my + setting.shift_y_px
    return np.array([
        [cosine, sine, mx - cosine * x - sine * y], [-sine, cosine, my + sine * x - cosine * y], [0.0, 0.0, 1.0],
    ])


def moved(matrix: Any, x: Any, y: Any) -> tuple[Any, Any]:
    a = np.asarray(matrix, np.float64)
    depth = a[2, 0] * x + a[2, 1] * y + a[2, 2]
    return (a[0, 0] * x + a[0, 1] * y + a[0, 2]) / depth, (a[1, 0] * x + a[1, 1] * y + a[1, 2]) / depth


def textured(shape: Shape, options: SceneOptions, static: Any) -> tuple[Any, Any]:
    """x, y of static pixels where the scene's light changes by a twentieth of a stop or more from pixel to pixel."""
    stops = np.log2(np.maximum(static_truth(shape.whole, shape, options)[1], 1e-5))
    rough = np.maximum(np.abs(np.gradient(stops, axis=0)), np.abs(np.gradient(stops, axis=1))) > 0.05
    y, x = np.nonzero(rough & static)
    return x.astype(np.float64), y.astype(np.float64)


ALIGNMENTS = {
    "as the demo": SceneOptions(),
    "strong drift": SceneOptions(drift=3.0, cloud=1.2),
    "strong drift and wind": SceneOptions(drift=3.0, cloud=1.2, wind=2.5, shimmer=2.0),
    "longest frame shaken": SceneOptions(shaken=True),
    "moved four times as far": SceneOptions(moved=4.0),
}


def changing_share(shape: Shape, frames: list[FrameSetting]) -> float:
    """The share of the picture in which darkest and brightest moment differ by 5 % or more beside the camera's move."""
    first, last = (
        np.maximum(render_truth(shape.whole, shape, replace(frame, shift_y_px=0.0, shift_x_px=0.0, rotation_degrees=0.0,
                                                            shake_px=(0.0, 0.0))), 1e-5)
        for frame in (frames[0], frames[-1])
    )
    return float((np.abs(np.log2(first / last)).max(0) > math.log2(1.05)).mean())


def align_figures(shape: Shape, folder: Path, name: str, options: SceneOptions) -> Iterator[Figure]:
    """The demo's raw frames: known shift and rotation against the matrices found, over static textured pixels."""
    group = f"align {shape.width}×{shape.height}"
    write_demo_frames(folder / "frames", options=options, shape=shape)
    frames, static = still(shape, options)
    x, y = textured(shape, options, static)
    share = _share(options)
    recipe = write_recipe(folder, "frames/*.dng", "[match, align, {blend: {method: radiance}}]")
    result = ran(recipe, folder / "work", finish=False)
    facts = result.facts
    base = setting_of(facts["frames"][facts["base"]], frames)
    back = np.linalg.inv(true_matrix(shape, base))
    x, y = moved(true_matrix(shape, base), x, y)
    for row in facts["align"]["frames"]:
        frame = setting_of(row, frames)
        if frame is base:
            continue
        (fx, fy), (tx, ty) = moved(row["matrix"], x, y), moved(true_matrix(shape, frame) @ back, x, y)
        mesh = Mesh.from_facts(row["mesh"], shape)
        if mesh is not None:
            across, down = np.array([mesh.at(*point) for point in zip(x, y, strict=True)]).T
            fx, fy = fx + across, fy + down
        error = np.hypot(fx - tx, fy - ty)
        kept = any(setting_of(each, frames) is frame for each in facts["frames"])
        note = (f"{row['model']}{' and mesh' if mesh else ''}, "
                f"{row['agreeing']} of {row['blocks']} blocks, {share:.0%} of the picture changes"
                + ("" if kept else "; left out of the blend"))
        shake = (frame.shake_px != (0.0, 0.0)) or base.shake_px != (0.0, 0.0)
        yield Figure(group, f"{name}, {frame.name}: median", float(np.median(error)), None if shake else 0.1, "px", note)
        yield Figure(group, f"{name}, {frame.name}: largest", float(error.max()), None if shake else 0.5, "px",
                     f"{len(x)} static textured pixels")
    yield from match_figures(f"match {shape.width}×{shape.height}", name, frames, facts)
    yield from noise_figures(f"match {shape.width}×{shape.height}", facts, name)
    for warning in result.warnings:
        yield Figure(group, f"{name}: warning", math.nan, None, "", str(warning.get("text")))


def _share(options: SceneOptions) -> float:
    shape = demo_shape(0.25)
    return changing_share(shape, scene_frames(shape.height, shape.width, options))


def setting_of(row: dict[str, Any], frames: list[FrameSetting]) -> FrameSetting:
    return next(each for each in frames if row["name"].startswith(each.name))


def match_figures(group: str, name: str, frames: list[FrameSetting], facts: dict[str, Any]) -> Iterator[Figure]:
    base = setting_of(facts["frames"][facts["base"]], frames)
    offs = {
        setting_of(frame, frames).name: math.log2(frame["light"] * base.gain / setting_of(frame, frames).gain)
        for frame in facts["frames"]
    }
    yield Figure(group, f"{name}: gains off the true ratios, largest", max(abs(off) for off in offs.values()), 0.02, "EV",
                 ", ".join(f"{each} {off:+.4f}" for each, off in offs.items()))
    yield Figure(group, f"{name}: base", float(base.number + 1), None, "", facts["base_choice"]["reason"])


def noise_figures(group: str, facts: dict[str, Any], name: str = "") -> Iterator[Figure]:
    for key, true in (("shot", PHOTON_NOISE), ("read", READ_NOISE)):
        values = [frame[key] / true for frame in facts["frames"]]
        worst = max(values, key=lambda value: abs(math.log(max(value, 1e-9))))
        yield Figure(group, f"{name} noise, {key}: measured ÷ true".strip(), worst, None, "", facts["frames"][0]["noise_from"])


# ------------------------------------------------------------ halos
def toned(stops: Any, **settings: Any) -> Any:
    """log2 light `(y, x)` through `process` with local contrast, as log2 of the result."""
    frame = np.repeat(np.exp2(stops)[..., None], 3, axis=2).astype(np.float32)
    return np.log2(process([frame], steps=[{"local_contrast": settings}])[..., 1].astype(np.float64))


def plateau_deviation(size: tuple[int, int], axis: int, step: float, **settings: Any) -> dict[int, float]:
    """The largest deviation from either plateau within each radius of the edge, divided by the step."""
    along = np.arange(size[axis]) - (size[axis] / 2 - 0.5)
    edge = np.where(along < 0, -3 - step / 2, -3 + step / 2)
    out = toned(np.ascontiguousarray(np.broadcast_to(edge[:, None] if axis == 0 else edge, size)), range=0.5, **settings)
    profiles = out if axis == 1 else out.T
    low, high = np.median(profiles[:, along < 0]), np.median(profiles[:, along > 0])
    deviation = np.abs(profiles - np.where(along < 0, low, high)) / step
    return {radius: float(deviation[:, np.abs(along) < radius].max()) for radius in (2, 4, 8, 16, 32, 64, 128, 256, 4096)}


def ramp_slopes(width: int, edges: int) -> tuple[float, float]:
    """Least and largest slope of a smooth ramp of `edges` stops over `width` px, an eighth of it away from the rims."""
    rise = edges / width
    stops = np.ascontiguousarray(np.broadcast_to(-3 + rise * (np.arange(width) - width / 2), (64, width)))
    slope = np.diff(toned(stops, range=0.5)[32][width // 8 : -width // 8]) / rise
    return float(slope.min()), float(slope.max())


def halo_figures(side: int) -> Iterator[Figure]:
    shapes = [(side, side), (side, 2 * side), (side, 4 * side), (2 * side, side), (4 * side, side)]
    for size in shapes:
        for axis in (0, 1):
            found = plateau_deviation(size, axis, 8.0)
            worst = max(found, key=lambda radius: found[radius])
            first = min(radius for radius in found if found[radius] == found[worst])
            yield Figure("halo", f"8 EV, {size[1]}×{size[0]}, edge {'across' if axis == 0 else 'upright'}",
                         100 * found[worst], 1.5, "%", f"first reached within {first} px")
    for edge in (0.5, 1.0, 2.0):
        for times, bound in ((4, 2.5), (2, 3.0)):
            each = [plateau_deviation(size, 1, times * edge, edge=f"{edge}EV").values() for size in shapes[:3]]
            yield Figure("halo", f"step of {times} edges, edge {edge} EV", 100 * max(map(max, each)), bound, "%",
                         "worst of 1:1, 1:2, 1:4")
    for width, edges in ((side, 8), (side, 12), (2 * side, 16)):
        low, high = ramp_slopes(width, edges)
        yield Figure("halo", f"ramp of {edges} EV over {width} px: least slope", low, None, "", least=0.55)
        yield Figure("halo", f"ramp of {edges} EV over {width} px: largest slope", high, 0.85)


# ------------------------------------------------------------ real scene light
def real_light(path: Path) -> Any:
    """The file's own linear values `(y, x, 3)`, scaled to a median of 0.1.

    A file that holds luminance at full size and colour differences at half (which tilepipe refuses to open) counts as grey.
    """
    try:
        opened = open_frame(path)
    except InputError:
        with OpenEXR.File(str(path)) as file:
            planes = np.stack([file.channels()["Y"].pixels.astype(np.float32)] * 3)
    else:
        with closing(opened) as frame:
            planes = np.zeros((frame.info.planes, frame.info.shape.height, frame.info.shape.width), frame.info.dtype)
            frame.decode_all(lambda window, pixels: planes.__setitem__((slice(None), window.rows, window.cols), pixels))
    light = np.maximum(planes[:3].astype(np.float64).transpose(1, 2, 0), 0.0)
    return light * (0.1 / np.median(light[light > 0]))


def bracket_of(light: Any, seed: int = 5) -> tuple[list[Any], list[float]]:
    """Frames 3 EV apart that reach from the brightest light to the shadows: photon and read noise, clipped, 14 bits."""
    lights = [0.9 / float(light.max())]
    while lights[-1] < 8.0:
        lights.append(min(lights[-1] * 8.0, 8.0))
    rng, frames = np.random.default_rng(seed), []
    for gain in lights:
        value = light * gain
        value = value + rng.normal(0.0, 1.0, value.shape) * np.sqrt(PHOTON_NOISE * value + READ_NOISE)
        frames.append((np.rint(np.minimum(value, 1.0) * 16383) / 16383).astype(np.float32))
    return frames, lights


def real_figures(paths: list[Path], crop: int | None = None) -> Iterator[Figure]:
    """Brackets made of real scene-linear pictures merge back to them, over all that is above a quarter of the read noise."""
    for path in paths:
        light = real_light(path)[:crop, :crop]
        frames, lights = bracket_of(light)
        found = process(frames, lights, [RADIANCE]).astype(np.float64) / lights[len(lights) // 2]  # of the middle frame
        sigma, ramp = theory(light, lights)
        seen = light > math.sqrt(READ_NOISE) / lights[-1] / 4
        sure = light > math.sqrt(READ_NOISE) / lights[-1] * 8  # where noise is small beside the light
        off = np.abs(np.log2(np.maximum(found[sure], 1e-9) / light[sure]))
        chance = light[sure] + sigma[sure] * np.random.default_rng(6).normal(0.0, 1.0, off.shape)
        due = np.abs(np.log2(np.maximum(chance, 1e-9) / light[sure]))  # what the frames' noise alone makes of the best merge
        span = math.log2(light.max() / max(np.percentile(light, 1), 1e-9))
        note = f"{len(lights)} frames, {span:.1f} EV from 1st percentile to brightest, {sure.mean():.0%} of values"
        for what, part in (("median error", 50), ("99 % of errors below", 99)):
            allowed = 1.03 * float(np.percentile(due, part))
            yield Figure("real light", f"{path.name}: {what}", float(np.percentile(off, part)), allowed, "EV",
                         f"bound: 3 % above what noise alone makes; {note}")
        normal = (found - light)[seen & ~ramp] / sigma[seen & ~ramp]
        yield Figure("real light", f"{path.name}: noise beside theory", abs(float(20 * np.log10(normal.std()))), 0.3, "dB")
        rows = bands(found, light, sigma, seen & ~ramp)
        part = max((min(abs(row.bias_percent), abs(row.bias_sigmas) / 0.05) for row in rows), default=math.nan)
        yield Figure("real light", f"{path.name}: bias as a part of max(1 %, 0.05 σ)", part, 1.0, "", f"{len(rows)} bands")


# ------------------------------------------------------------ Bayer orders
ORDERS = ("RGGB", "BGGR", "GRBG", "GBRG")


def bayer_figures() -> Iterator[Figure]:
    """One capture in four orders of its colour filters, each decoded by its own order.

    The four files hold the same samples, placed differently within each cell of 2×2 (checked here). So the pictures must
    agree in every bit where a cell's own red and blue were sensed, and as means over cells up to the displacement of the
    samples by up to a pixel.
    """
    own, means = {}, {}
    for order in ORDERS:
        codes = np.fromfile(DATA / "raw" / "bayer_orders" / f"DSC_1339_768x512_{order.lower()}.raw", "<u2").reshape(512, 768)
        camera = CameraInfo((0.0,) * 4, 16383, order, None, None, "", "", "")
        decoder = FrameDecoder("mosaic", "uint16", 1, False, 65535.0, Encoding("linear", "camera", ""), camera, True)
        shape = Shape(512, 768)
        picture = decoder.run(CpuDevice(), codes[None], shape.whole, shape, shape.whole).array[:3]
        sites = {"red": divmod(order.index("R"), 2), "blue": divmod(order.index("B"), 2)}
        own[order] = np.stack([picture[plane, y::2, x::2] for plane, (y, x) in zip((0, 2), sites.values(), strict=True)])
        means[order] = picture.astype(np.float64).reshape(3, 256, 2, 384, 2).mean(axis=(2, 4))[:, 8:-8, 8:-8]
    for order in ORDERS[1:]:
        differing = int((own[order].view(np.uint32) != own["RGGB"].view(np.uint32)).sum())
        yield Figure("Bayer", f"{order} beside RGGB: own samples that differ", differing, 0, "", f"of {own[order].size}")
        off = 100.0 * np.abs(means[order] / means["RGGB"] - 1.0)
        yield Figure("Bayer", f"{order} beside RGGB: means of cells, median", float(np.median(off)), 1.0, "%",
                     f"95 % within {np.percentile(off, 95):.1f} %: the samples lie up to a pixel elsewhere")
        colour = 100.0 * np.abs(means[order].mean((1, 2)) / means["RGGB"].mean((1, 2)) - 1.0).max()
        yield Figure("Bayer", f"{order} beside RGGB: mean colour of the picture", float(colour), None, "%")


# ------------------------------------------------------------ fringes
# Parts of the invented scene at 6 MP, as (y, x, height, width).
PARTS = {
    "twigs before the sky": (560, 360, 320, 320), "twigs low in the tree": (960, 240, 320, 320),
    "grass": (1500, 1400, 400, 400), "house": (1050, 2050, 400, 500), "water": (1150, 1200, 400, 400),
}
# XYZ (D65) → cones and cones → a, b of OKLab (Ottosson 2020).
TO_CONES = ((0.8189330101, 0.3618667424, -0.1288597137), (0.0329845436, 0.9293118715, 0.0361456387),
            (0.0482003018, 0.2643662691, 0.6338517070))
TO_AB = ((1.9779984951, -2.4285922050, 0.4505937099), (0.0259040371, 0.7827717662, -0.8086757660))


def chroma_errors(found: Any, truth: Any) -> Any:
    """Distance in OKLab's a and b between two pictures in camera colours, white at the brightest hundredth.

    Roots are taken of light + 0.004, so that noise in black counts no more than one sees it.
    """
    to_cones = np.array(TO_CONES) @ np.array(rgb_to_xyz(WORKING)) @ np.linalg.inv(np.array(scene_to_camera()))
    top = np.percentile(truth[1], 99)
    cones = (np.einsum("ij,jyx->iyx", to_cones, seen / top) for seen in (found, truth))
    ab = [np.einsum("ij,jyx->iyx", np.array(TO_AB), np.cbrt(np.maximum(each, 0.0) + 0.004)) for each in cones]
    return np.hypot(*(ab[0] - ab[1]))


def published_and_ours(codes: Any) -> tuple[Any, Any]:
    """Colours (3, y, x) of the invented camera's code values: by the published method alone, and by ours."""
    shape, device = Shape(*codes.shape), CpuDevice()
    red, green, blue = neutral()
    camera = CameraInfo((float(BLACK_LEVEL),) * 4, WHITE_LEVEL, PATTERN, None, (1 / red, 1 / green, 1 / blue), "", "", "")
    decoder = FrameDecoder("mosaic", "uint16", 1, False, 65535.0, Encoding("linear", "camera", ""), camera, True)
    plain = device.tile(shape.whole, shape, decoder.planes)
    pattern = Pattern(*first_red(PATTERN), sensor_range(camera))
    demosaic(device, device.plane(codes, shape.whole, shape), plain, camera.black, pattern, None)
    ours = decoder.run(device, codes[None], shape.whole, shape, shape.whole)
    return plain.array[:3].astype(np.float64), ours.array[:3].astype(np.float64)


def fringe_figures() -> Iterator[Figure]:
    """Demosaicing beside the light that met the sensor, noise and all: the base frame, places that do not clip.

    At edges of half a stop a pixel and more: chroma errors as a part of the published method's (Menon, Andriani,
    Calvagno 2007). Everywhere: how much nearer the truth than by that method.
    """
    shape = demo_shape(6.0)
    frame = next(each for each in scene_frames(shape.height, shape.width) if each.is_base)
    for name, place in PARTS.items():
        window = Window(*place)
        light = render_truth(window, shape, frame)
        seen = np.einsum("ij,jyx->iyx", np.array(scene_to_camera()), light.astype(np.float64))
        found = published_and_ours(expose_mosaic(light, window, shape, frame))
        stops = np.log2(np.maximum(seen[1], 1e-5))
        valid = (seen < 0.95).all(axis=0)
        valid[:12] = valid[-12:] = valid[:, :12] = valid[:, -12:] = False
        edges = valid & (np.maximum(np.abs(np.gradient(stops, axis=0)), np.abs(np.gradient(stops, axis=1))) > 0.5)
        before, after = (chroma_errors(each, seen)[edges] for each in found)
        worst = [float(np.percentile(each, 99)) for each in (before, after)]
        bound = 0.5 if name.startswith("twigs") else 1.0
        note = f"{before.mean():.4f} → {after.mean():.4f}, {edges.sum()} pixels"
        yield Figure("fringes", f"{name}: chroma error at edges, mean", float(after.mean() / before.mean()), bound, "", note)
        yield Figure("fringes", f"{name}: chroma error at edges, worst hundredth", worst[1] / worst[0], bound, "",
                     f"{worst[0]:.3f} → {worst[1]:.3f}")
        for what, where, least in (("at edges", edges, 3.0 if name.startswith("twigs") else 0.0),
                                   ("elsewhere", valid & ~edges, 0.0)):
            power = [((each - seen)[:, where] ** 2).mean() for each in found]
            yield Figure("fringes", f"{name}: error {what}, smaller by", float(10 * np.log10(power[0] / power[1])), None,
                         "dB", least=least)


# ------------------------------------------------------------ the table
def printed(figures: Iterator[Figure], told: list[Figure]) -> None:
    for figure in figures:
        told.append(figure)
        word = {True: "pass", False: "FAIL", None: ""}[figure.passes]
        value = "" if math.isnan(figure.value) else f"{figure.value:.4g}"
        bound = f"≤ {figure.bound:g}" if figure.bound is not None else f"≥ {figure.least:g}" if figure.least is not None else ""
        print(f"{figure.group:16} {figure.name:62} {value:>9} {figure.unit:4} {bound:8} {word:5} {figure.note}", flush=True)


def groups(megapixels: float, folder: Path) -> dict[str, Callable[[], Iterator[Figure]]]:
    shape = demo_shape(megapixels)

    def aligned() -> Iterator[Figure]:
        for size in (shape, demo_shape(1.0)):
            for name, options in ALIGNMENTS.items():
                with tempfile.TemporaryDirectory(dir=folder) as place:
                    yield from align_figures(size, Path(place), name, options)

    def raw() -> Iterator[Figure]:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            yield from raw_figures(shape, Path(place))

    def real() -> Iterator[Figure]:
        yield from real_figures(sorted([*DATA.glob("hdr_truth/*.exr"), *DATA.glob("hdr_truth/*.hdr")]))

    return {
        "merge": lambda: merge_figures(shape), "raw": raw, "align": aligned, "halo": lambda: halo_figures(512),
        "real": real, "fringes": fringe_figures, "bayer": bayer_figures,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("groups", nargs="*", help="merge, raw, align, halo, real, fringes, bayer; none: all")
    parser.add_argument("--megapixels", type=float, default=6.0, help="of the invented scene")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    parser.add_argument("--folder", type=Path, help="where temporary frames go")
    chosen = parser.parse_args()
    told: list[Figure] = []
    known = groups(chosen.megapixels, chosen.folder or Path(tempfile.gettempdir()))
    for name in chosen.groups or known:
        started = time.monotonic()
        printed(known[name](), told)
        print(f"({name}: {time.monotonic() - started:.0f} s)", flush=True)
    failed = [figure for figure in told if figure.passes is False]
    print(f"{sum(figure.passes is True for figure in told)} pass, {len(failed)} fail")
    if chosen.json:
        rows = [asdict(figure) | {"passes": figure.passes} for figure in told]
        chosen.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
