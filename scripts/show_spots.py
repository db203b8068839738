"""Prints what is found and healed of dirt: an invented scene with 60 invented specks, real pictures with and without dust.

`show_spots.py scene [--megapixels 6] [--moved 1] [--crops FOLDER]`: recall, and how near healed frames come to the truth.
`show_spots.py clean [--megapixels 100]`: what is healed and listed of the invented scene without a speck, tile by tile.
`show_spots.py dust FOLDER [--crops FOLDER]`: two pictures of one camera, each alone, then with the other's spot list.
`show_spots.py skies FILE …`: what is healed and listed of pictures without specks.
`show_spots.py cost [--megapixels 6]`: processor time of a run with and without `lens_spots`.
`show_spots.py heal [--megapixels 6] [--crops FOLDER]`: the step `heal` alone at the specks' true places.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage, signal

from tilepipe.colour.decode import FrameDecoder
from tilepipe.demo.camera import expose_linear
from tilepipe.demo.frames import demo_shape, write_demo_frames
from tilepipe.demo.scene import FrameSetting, SceneOptions, render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.formats.frame import Encoding, Exposure, FrameInfo
from tilepipe.geometry import Shape, Window
from tilepipe.plan import planner
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.steps import read_steps
from tilepipe.run.engine import Engine
from tilepipe.run.execute import Execution
from tilepipe.run.feeds import FrameFeed
from tilepipe.run.opening import job_of
from tilepipe.run.recipe_run import Settings, prepared, run_plan
from tilepipe.run.spots import write_spots
from tilepipe.run.workspace import MemoryWorkspace
from tilepipe.stages.heal import Heal

SEED, SPECKS, WORKERS = 7, 60, 2
VISIBLE = 4.0  # deviations of the surroundings
RADII_PX, DEPTHS = (4.0, 60.0), (0.02, 0.2)


@dataclass(frozen=True)
class Speck:
    """An invented disc of dirt; its rim is 0.35 of its radius wide."""

    y: float
    x: float
    radius: float
    depth: float


def invented_specks(shape: Shape, ground: Any) -> list[Speck]:
    """Specks at random places whose surroundings `ground` (bool) allows, none near another."""
    rng = np.random.default_rng(SEED)
    found: list[Speck] = []
    for _ in range(200_000):
        if len(found) == SPECKS:
            return found
        radius = float(np.exp(rng.uniform(*np.log(RADII_PX))))
        one = Speck(rng.uniform(0, shape.height), rng.uniform(0, shape.width), radius, rng.uniform(*DEPTHS))
        apart = all(np.hypot(one.x - two.x, one.y - two.y) > 2.2 * (one.radius + two.radius) for two in found)
        if apart and ground[int(one.y), int(one.x)] >= 1.6 * radius:
            found.append(one)
    raise SystemExit(f"only {len(found)} specks find a place: take a larger picture")


def transmission(shape: Shape, specks: Sequence[Speck], window: Window | None = None) -> Any:
    """float32 `(y, x)`: what the dirt lets through, over a window or the whole picture."""
    window = window or shape.whole
    through = np.ones((window.height, window.width), np.float32)
    for speck in specks:
        rows, cols = _around(speck, 1.3, shape)
        part = Window.between(rows.start, cols.start, rows.stop, cols.stop).intersection(window)
        if part.pixels:
            t = np.clip((speck.radius - _away(speck, part.rows, part.cols)) / (0.35 * speck.radius) + 0.5, 0.0, 1.0)
            through[part.within(window)] *= (1.0 - speck.depth * t * t * (3.0 - 2.0 * t)).astype(np.float32)
    return through


def _around(speck: Speck, times: float, shape: Shape) -> tuple[slice, slice]:
    reach = int(times * speck.radius) + 6
    window = Window(int(speck.y) - reach, int(speck.x) - reach, 2 * reach + 1, 2 * reach + 1).cut(shape)
    return window.rows, window.cols


def _away(speck: Speck, rows: slice, cols: slice) -> Any:
    y, x = np.mgrid[rows, cols]
    return np.hypot(y - speck.y, x - speck.x)


def _parts(error: Any, truth: Any, core: Any, radius: float) -> tuple[float, float]:
    """The coarse part of an error (mean over the disc of its blur ÷ light), the fine part's deviation."""
    coarse = ndimage.gaussian_filter(error, max(0.5 * radius, 1.5))
    return float(np.abs(coarse[core] / truth[core]).mean()), float((error - coarse)[core].std())


def show_heal(megapixels: float, crops: Path | None) -> None:
    shape = demo_shape(megapixels)
    setting = next(each for each in scene_frames(shape.height, shape.width, SceneOptions(specks=0.0)) if each.is_base)
    truth = render_truth(shape.whole, shape, setting)
    clean = expose_linear(truth, shape.whole, shape, setting)
    level = np.log2(np.maximum(ndimage.gaussian_filter(truth[1], 2.0), 1e-4))
    smooth = ndimage.gaussian_gradient_magnitude(level, 2.0) < 0.06  # sky, cloud and water: no edge within the disc
    specks = invented_specks(shape, ndimage.distance_transform_edt(smooth & (truth[1] < 0.8)))
    spotted = expose_linear((truth * transmission(shape, specks)).astype(np.float32), shape.whole, shape, setting)
    print(f"invented scene, {shape}, base frame, {SPECKS} invented specks (seed {SEED})")
    for see_through in (True, False):
        places = [
            {"at": [(s.x + 0.5) / shape.width, (s.y + 0.5) / shape.height], "radius": f"{1.25 * s.radius + 1.0:.2f}px",
             "see_through": see_through} for s in specks
        ]
        stage = Heal.model_validate({"places": places})
        started = time.monotonic()
        made = stage.run(CpuDevice(), Tile(spotted, shape.whole, shape), shape.whole, {}).array
        seconds = time.monotonic() - started
        _report("see_through" if see_through else "with a donor", specks, truth, clean, spotted, made, shape, seconds)
        if crops is not None:
            _crops(crops / f"scene-{'veil' if see_through else 'donor'}.png", specks, (spotted, made, clean), shape)


def _report(
    title: str, specks: list[Speck], truth: Any, clean: Any, spotted: Any, made: Any, shape: Shape, seconds: float
) -> None:
    rows_of = []
    for s in specks:
        rows, cols = _around(s, 3.0, shape)
        away, light = _away(s, rows, cols), truth[1][rows, cols]
        core, ring = away < s.radius, (away > 1.7 * s.radius + 4) & (away < 2.6 * s.radius + 6)
        noise = clean[1][rows, cols] - light
        before, _ = _parts(spotted[1][rows, cols] - light, light, core, s.radius)
        after, fine = _parts(made[1][rows, cols] - light, light, core, s.radius)
        own, _ = _parts(noise, light, core, s.radius)
        grain = noise - ndimage.gaussian_filter(noise, max(0.5 * s.radius, 1.5))
        rows_of.append((before, after, own, fine / grain[ring].std()))
    before, after, own, fine = np.array(rows_of).T
    print(f"  {title}: {seconds:.1f} s for all")
    print(f"    coarse error before: median {np.median(before):.2%}; after: median {np.median(after):.2%}, "
          f"9 of 10 within {np.quantile(after, 0.9):.2%}, worst {after.max():.2%}; noise alone gives {np.median(own):.2%}")
    print(f"    coarse within 0.5 %: {int((after <= 0.005).sum())} of {len(specks)}; fine within 1.2 × noise: "
          f"{int((fine <= 1.2).sum())} (median {np.median(fine):.2f}, worst {fine.max():.2f}); "
          f"better than before: {int((after < before).sum())}")


def _crops(path: Path, specks: list[Speck], pictures: tuple[Any, ...], shape: Shape) -> None:
    from PIL import Image

    chosen = sorted(specks, key=lambda s: -s.depth * s.radius)[:7]
    columns = []
    for s in chosen:
        y, x = (min(max(int(at) - 90, 0), side - 180) for at, side in ((s.y, shape.height), (s.x, shape.width)))
        columns.append(np.concatenate([each[:, y : y + 180, x : x + 180] for each in pictures], 1))
    shown = np.clip(np.concatenate(columns, 2) / np.quantile(columns[0], 0.9) * 0.8, 0, 1) ** (1 / 2.2)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray((255 * shown.transpose(1, 2, 0)).astype(np.uint8)).save(path)
    print(f"    {path}: with specks, healed, without specks, at 1:1")


# ---------------------------------------------------------------- the whole search
@dataclass(frozen=True)
class Rendered:
    """A frame of the invented scene behind dirt, rendered and exposed window by window."""

    setting: FrameSetting
    shape: Shape
    specks: tuple[Speck, ...] = ()

    def read(self, window: Window) -> Any:
        light = render_truth(window, self.shape, self.setting)
        if self.specks:
            light = light * transmission(self.shape, self.specks, window)
        return np.clip(expose_linear(light.astype(np.float32), window, self.shape, self.setting), -1.0, 1.0)


def measured_run(shape: Shape, settings: list[FrameSetting], specks: list[Speck], run_with: Callable[[Any], None]) -> None:
    """Aligns the frames and looks for dirt in them as a run does; `run_with` gets the run."""
    encoding = Encoding("linear", "rec2020", "invented")
    feeds = []
    for setting in settings:
        info = FrameInfo(
            path=setting.name, shape=shape, kind="colour", dtype="float32", channels=3, has_coverage=False, encoding=encoding,
            exposure=Exposure.stated(setting.gain), orientation=1, camera=None, tiled=True, timestamp=None, bytes_on_disk=0,
            facts_for_key={},
        )
        codes = Rendered(setting, shape, tuple(specks))
        feeds.append(FrameFeed(setting.name, info, codes, FrameDecoder.of(info), setting.gain))
    steps = read_steps(["match", "align", "lens_spots", "blend"], frames=len(feeds))
    job = job_of(Recipe(name="spots", folder=Path(), steps=steps), feeds, identified=False)
    plan = planner.make_plan(job, planner.Wish(1 << 62, WORKERS, 1024))
    stated = {"base": next(index for index, setting in enumerate(settings) if setting.is_base), "noise": {}}
    with Engine(WORKERS) as engine:
        run = Execution(plan, job, feeds, CpuDevice(), engine, MemoryWorkspace(), list(range(len(feeds))), stated)
        run.measure()
        run_with(run)


def show_scene(megapixels: float, moved: float, with_specks: bool, crops: Path | None) -> None:
    shape = demo_shape(megapixels)
    settings = scene_frames(shape.height, shape.width, SceneOptions(specks=0.0, moved=moved))
    specks = placed_specks(shape, settings) if with_specks else []
    started = time.process_time()

    def told(run: Execution) -> None:
        print(f"invented scene, {shape}, {len(settings)} frames, camera moved × {moved:g}, {len(specks)} invented specks "
              f"(seed {SEED}); {time.process_time() - started:.0f} s of processor time with rendering")
        spots = run.facts["lens_spots"]["spots"]
        healed = [each for each in spots if each["what"] == "healed"]
        wrong = [each for each in healed if not any(_is_at(each, speck) for speck in specks)]
        print(f"  healed {len(healed)}, of which {len(wrong)} wrong; listed {len(spots) - len(healed)}, of which "
              f"{sum(not any(_is_at(each, speck) for speck in specks) for each in spots if each['what'] == 'listed')} no speck")
        false = [each for each in spots if not any(_is_at(each, speck) for speck in specks)]
        for each in false[:12]:
            print(f"    {each['what']}, no speck: {_in_words(each)}: {each['reasons']}")
        if specks:
            _told_specks(run, shape, settings, specks, spots, crops)

    measured_run(shape, settings, specks, told)


def placed_specks(shape: Shape, settings: list[FrameSetting]) -> list[Speck]:
    base = next(setting for setting in settings if setting.is_base)
    truth = render_truth(shape.whole, shape, base)
    level = np.log2(np.maximum(ndimage.gaussian_filter(truth[1], 2.0), 1e-4))
    smooth = ndimage.gaussian_gradient_magnitude(level, 2.0) < 0.06
    return invented_specks(shape, ndimage.distance_transform_edt(smooth & (truth[1] < 0.8)))


def _is_at(spot: dict[str, Any], speck: Speck) -> bool:
    y, x = spot["veil"][:2]
    return bool(np.hypot(y - speck.y, x - speck.x) <= 0.6 * speck.radius + 1.0)


def _told_specks(
    run: Execution, shape: Shape, settings: list[FrameSetting], specks: list[Speck], spots: list[dict[str, Any]],
    crops: Path | None,
) -> None:
    base: int = run.facts["base"]
    setting, feed = settings[base], run.feeds[base]
    rows, shown = [], []
    for speck in specks:
        cut, _ = _around(speck, 6.0, shape), None
        window = Window(cut[0].start, cut[1].start, cut[0].stop - cut[0].start, cut[1].stop - cut[1].start)
        truth = render_truth(window, shape, setting)
        clean = np.clip(expose_linear(truth, window, shape, setting), -1.0, 1.0)
        spotted = dataclasses.replace(feed, veils=(), warp=None).own_tile(run.device, window).array
        made = dataclasses.replace(feed, warp=None).own_tile(run.device, window).array
        what = next((each["what"] for each in spots if _is_at(each, speck)), "-")
        rows.append((visibility(speck, clean, spotted, window), what, *_errors(speck, window, truth, clean, spotted, made)))
        if what == "healed":
            shown.append((speck, spotted, made, clean, window))
    visible = [row for row in rows if row[0] >= VISIBLE]
    found = [row for row in visible if row[1] != "-"]
    print(f"  {len(visible)} specks above {VISIBLE:g} σ of their surroundings: found {len(found)} "
          f"({len(found) / len(visible):.0%}), healed unasked {sum(row[1] == 'healed' for row in visible)}; "
          f"of the other {len(rows) - len(visible)} found {sum(row[1] != '-' for row in rows) - len(found)}")
    coarse, fine = (np.array([row[k] for row in rows if row[1] == "healed"]) for k in (3, 4))
    before = np.array([row[2] for row in rows if row[1] == "healed"])
    print(f"  of those healed, against the frame's truth: coarse error before: median {np.median(before):.2%}; after: median "
          f"{np.median(coarse):.2%}, within 0.5 %: {int((coarse <= 0.005).sum())} of {len(coarse)}, worst {coarse.max():.2%}; "
          f"fine: median {np.median(fine):.2f} × noise, within 1.2: {int((fine <= 1.2).sum())}, worst {fine.max():.2f}")
    for row, speck in sorted(zip(rows, specks, strict=True), key=lambda pair: -pair[0][0]):
        print(f"    radius {speck.radius:4.1f} px, depth {speck.depth:5.1%}, visible {row[0]:5.1f} σ: {row[1]:7s}"
              + (f" coarse {row[2]:.2%} → {row[3]:.2%}, fine {row[4]:.2f}" if row[1] == "healed" else ""))
    if crops is not None:
        _shown(crops / f"scene-found-{shape.width}.png", [(each[1:4], each[0], each[4]) for each in shown])


def visibility(speck: Speck, clean: Any, spotted: Any, window: Window) -> float:
    """What a disc of the speck's size, less a ring around it, answers; in deviations of what it answers around without it."""
    away = _away(speck, window.rows, window.cols)
    reach = int(1.9 * speck.radius) + 2
    rows, cols = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    far = np.hypot(rows, cols)
    inner, ring = far <= 0.85 * speck.radius, (far >= 1.2 * speck.radius) & (far <= 1.9 * speck.radius)
    kernel = ring / ring.sum() - inner / inner.sum()
    without, having = (signal.fftconvolve(_levels(each), kernel, mode="same") for each in (clean, spotted))
    inside = np.zeros(away.shape, bool)
    inside[reach:-reach, reach:-reach] = True
    around = inside & (away <= 4.0 * speck.radius)
    at = np.unravel_index(np.argmin(away), away.shape)
    return float(having[at] / without[around].std()) if around.sum() > 20 else 0.0


def _levels(pixels: Any) -> Any:
    return np.log2(np.maximum((pixels[0] + 2.0 * pixels[1] + pixels[2]) / 4.0, 1.0 / 256.0))


def _errors(speck: Speck, window: Window, truth: Any, clean: Any, spotted: Any, made: Any) -> tuple[float, float, float]:
    """Coarse error before and after, fine error after ÷ noise of the surroundings: of green in the disc."""
    away, light = _away(speck, window.rows, window.cols), truth[1]
    core, ring = away < speck.radius, (away > 1.7 * speck.radius + 4) & (away < 2.6 * speck.radius + 6)
    noise = clean[1] - light
    before, _ = _parts(spotted[1] - light, light, core, speck.radius)
    after, fine = _parts(made[1] - light, light, core, speck.radius)
    grain = noise - ndimage.gaussian_filter(noise, max(0.5 * speck.radius, 1.5))
    return before, after, fine / float(grain[ring].std())


def _shown(path: Path, found: list[tuple[tuple[Any, ...], Speck, Window]]) -> None:
    """Crops of 180 px, one column a place: before, after, and the truth where there is one."""
    from PIL import Image

    columns = []
    for pictures, speck, window in sorted(found, key=lambda each: -each[1].depth * each[1].radius)[:8]:
        y, x = (min(max(int(at) - start - 90, 0), max(size - 180, 0)) for at, start, size in (
            (speck.y, window.y, window.height), (speck.x, window.x, window.width)))
        cut = [np.pad(each[:3, y : y + 180, x : x + 180], ((0, 0), (0, 180 - min(180, window.height - y)), (0, 180 - min(
            180, window.width - x)))) for each in pictures]
        columns.append(np.concatenate(cut, 1) / max(float(np.quantile(cut[0], 0.95)), 1e-6) * 0.8)
    shown = np.clip(np.concatenate(columns, 2), 0.0, 1.0) ** (1 / 2.2)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray((255 * shown.transpose(1, 2, 0)).astype(np.uint8)).save(path)
    print(f"    {path}: before, after (and the truth), at 1:1")


# ---------------------------------------------------------------- real pictures
def _looked(file: Path, folder: Path, known: list[Path], run_with: Callable[[Any], None]) -> None:
    """One picture alone, as a recipe with `lens_spots` looks at it."""
    recipe = folder / f"{file.stem}.yaml"
    lists = f", known: {[str(path) for path in known]}" if known else ""
    recipe.write_text(f"frames: [{{file: {json.dumps(str(file.resolve()))}}}]\nsteps:\n  - lens_spots: {{find: true{lists}}}\n")
    settings = Settings(work=folder / "work", out=folder / "out", workers=WORKERS, device="cpu")
    with prepared(load_recipe(recipe), settings) as run:
        run.measure()
        run_with(run)


def show_dust(files: list[Path], crops: Path | None) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        lists = [folder / f"{file.stem}.spots.txt" for file in files]
        for file, path in zip(files, lists, strict=True):
            _looked(file, folder, [], lambda run, file=file, path=path: _alone(run, file, path))
        for index, file in enumerate(files):
            others = [path for number, path in enumerate(lists) if number != index]
            _looked(file, folder, others, lambda run, file=file: _with_lists(run, file, crops))


def _alone(run: Execution, file: Path, path: Path) -> None:
    write_spots(run, path)
    _count(run, file.name)


def _count(run: Execution, name: str) -> None:
    spots = run.facts["lens_spots"]["spots"]
    healed = sum(each["what"] == "healed" for each in spots)
    per = 10.0 * (len(spots) - healed) / (run.job.shape.pixels / 1e6)
    print(f"  {name}: {run.job.shape}: healed {healed}, listed {len(spots) - healed} ({per:.1f} per 10 MP), kept for "
          f"comparison {len(run.facts['lens_spots']['candidates'])}")
    for each in [each for each in spots if each["what"] == "listed"][:5]:
        print(f"    listed {_in_words(each)}")


def _in_words(spot: dict[str, Any]) -> str:
    return f"{spot['id']}: radius {spot['radius_px']:.1f} px, depth {spot['depth']:.1%}, score {spot['score']:.1f}"


def _with_lists(run: Execution, file: Path, crops: Path | None) -> None:
    print("  with the other's list:")
    _count(run, file.name)
    shown = []
    for each in run.facts["lens_spots"]["spots"]:
        if each["what"] == "healed":
            y, x = each["veil"][:2]
            print(f"    healed {_in_words(each)}")
            window = Window(int(y) - 100, int(x) - 100, 200, 200).cut(run.job.shape)
            feed = run.feeds[0]
            pair = tuple(each.own_tile(run.device, window).array for each in (dataclasses.replace(feed, veils=()), feed))
            shown.append((pair, Speck(y, x, each["radius_px"], each["depth"]), window))
    if crops is not None and shown:
        _shown(crops / f"{file.stem}.png", shown)


def show_skies(files: list[Path]) -> None:
    with tempfile.TemporaryDirectory() as place:
        for file in files:
            _looked(file, Path(place), [], lambda run, file=file: _count(run, file.name))


# ---------------------------------------------------------------- cost
def show_cost(megapixels: float) -> None:
    """Processor time, so that what else the machine does hardly counts."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_demo_frames(folder / "frames", megapixels)
        found = {}
        for name, extra in (("without", ""), ("with", "  - lens_spots\n")):
            recipe = folder / f"{name}.yaml"
            recipe.write_text(
                "frames: 'frames/*.dng'\nsteps:\n  - match\n  - align\n" + extra + "  - motion\n  - blend\n"
                "  - exposure: {stops: measured}\n  - local_contrast: {range: 0.5}\n  - display\n"
            )
            started = time.process_time()
            receipt = run_plan(load_recipe(recipe), Settings(work=folder / name, workers=WORKERS, device="cpu"))
            found[name] = time.process_time() - started
            plan = json.loads(receipt.read_text())["plan"]
            print(f"  {name}: {found[name]:.1f} s of processor time; promised {plan['promise_bytes'] >> 20} MiB, peak of the "
                  f"process so far {plan['peak_bytes'] >> 20} MiB")
        print(f"finding and healing: {found['with'] / found['without'] - 1:.1%} of a run of {megapixels:g} MP × 4")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("scene", "clean", "dust", "skies", "cost", "heal"))
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--megapixels", type=float)
    parser.add_argument("--moved", type=float, default=1.0)
    parser.add_argument("--crops", type=Path)
    given = parser.parse_args()
    size = given.megapixels or (100.0 if given.what == "clean" else 6.0)
    if given.what == "heal":
        show_heal(size, given.crops)
    elif given.what in ("scene", "clean"):
        show_scene(size, given.moved, given.what == "scene", given.crops)
    elif given.what == "dust":
        show_dust(sorted(given.files[0].glob("*.jpg")), given.crops)
    elif given.what == "skies":
        show_skies(given.files)
    else:
        show_cost(size)


if __name__ == "__main__":
    main()
