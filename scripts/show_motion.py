"""Shows how movement is settled on the invented scene, whose truth is known, and on real brackets, to look at."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy import ndimage

from tilepipe.colour.spaces import luminance_row
from tilepipe.demo.frames import demo_shape, write_demo_frames
from tilepipe.demo.scene import SceneOptions, may_move, render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.plan import planner
from tilepipe.recipe.load import load_recipe
from tilepipe.run.engine import Engine
from tilepipe.run.execute import Execution
from tilepipe.run.opening import open_recipe
from tilepipe.run.workspace import FolderWorkspace
from tilepipe.stages.radiance import RadianceMerge
from tilepipe.stages.settle import SettleMaps, members_of, settle, settle_window

BLOCK_PX = 16
TILE_PX = 512
VISIBLE = 0.01  # of the level, chosen here: Weber's fraction at a good screen; or the merge's own noise where that is more
AGREE = 0.03  # of the level: blocks whose moments differ less stand still, as far as a rim is concerned
SMOOTH_PX, SMOOTH = 4, 0.25  # chosen here
NEAR_PX = 24  # how far from moving things a group may reach without being false: a cell, its neighbour, a cell's rounding


@contextmanager
def opened_run(recipe: Path, work: Path, workers: int = 2) -> Iterator[Execution]:
    """A recipe's run, measured but not finished."""
    with closing(open_recipe(load_recipe(recipe))) as opened:
        plan = planner.make_plan(opened.job, planner.Wish(2 << 30, workers))
        with closing(FolderWorkspace(work)) as workspace, Engine(workers) as engine:
            run = Execution(
                plan, opened.job, list(opened.feeds), CpuDevice(), engine, workspace, opened.identities, opened.stated
            )
            run.measure()
            yield run


def write_recipe(folder: Path, frames: str, motion: str = "motion") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "motion.yaml"
    path.write_text(f"frames: {frames}\nsteps: [match, align, {motion}, {{blend: {{method: radiance}}}}]\n", encoding="utf-8")
    return path


def print_groups(run: Execution) -> None:
    """The table of groups, as the receipt holds it."""
    for group in run.facts["motion"]["groups"][:40]:
        x, y = group["at"]
        wide, high = group["size_px"]
        size = f"{wide:5}×{high:<5} px  {group['share']:7.3%}"
        print(f"  group {group['id']:3}  at {x:.3f},{y:.3f}  {size}  {group['name']:16} {group['why']}")
    print(f"  {len(run.facts['motion']['groups'])} groups, {run.times.get('motion', 0):.2f} s to find them")


# ------------------------------------------------------------ against the truth
class Truth:
    """The invented scene at the moment of every frame, as the base frame's camera stood."""

    def __init__(self, shape: Shape, seed: int = 1) -> None:
        self.shape = shape
        frames = scene_frames(shape.height, shape.width, SceneOptions(seed=seed))
        base = next(frame for frame in frames if frame.is_base)
        self.settings = [
            replace(frame, shift_y_px=base.shift_y_px, shift_x_px=base.shift_x_px, rotation_degrees=base.rotation_degrees)
            for frame in frames
        ]

    def light(self, window: Window, frame: int) -> Any:
        return render_truth(window, self.shape, self.settings[frame])

    def moving(self, window: Window) -> Any:
        found = np.zeros((window.height, window.width), bool)
        for setting in self.settings:
            found |= may_move(window, self.shape, setting)
        return found


def merged(run: Execution, tiles: list[Tile], window: Window, settled: bool) -> Any:
    """The merge of a window in linear Rec.2020, with or without settling."""
    tiles = settle(run.device, tiles, window, run.facts, run.maps if settled else None)
    return np.array(run.device.download(RadianceMerge().run(run.device, tiles, window, run.facts).array))[:3]


def luminance(pixels: Any) -> Any:
    row = luminance_row()
    return sum(np.float32(weight) * plane for weight, plane in zip(row, pixels, strict=True))


def variance_of(frame: Any, y: Any) -> Any:
    """Of one sample of a frame at the light `y`, in base units."""
    return frame["shot"] * np.maximum(y, 0) / frame["light"] + frame["read"] / frame["light"] ** 2


def lightness(y: Any) -> Any:
    """CIE 1976 L*, 1.0 = white."""
    y = np.clip(np.asarray(y, np.float64), 0.0, None)
    return np.where(y > 216 / 24389, 116.0 * np.cbrt(y) - 16.0, 24389 / 27 * y)


def blocks(plane: Any, side: int = BLOCK_PX) -> Any:
    """Means of whole blocks."""
    high, wide = plane.shape[0] // side, plane.shape[1] // side
    return plane[: high * side, : wide * side].reshape(high, side, wide, side).mean(axis=(1, 3))


def membership(run: Execution, window: Window) -> Any:
    """0 outside groups, 1 wholly inside one; and the choice that holds there (index of the frame)."""
    assert run.maps is not None
    planes = [members_of(run.device, run.maps, weights, window, run.job.shape).array[0] for weights in run.maps.weights]
    found = np.stack([np.array(run.device.download(plane)) for plane in planes])
    return found


def smooth_places(truth: Truth, window: Window, base: int) -> Any:
    """Where no brighter neighbour lends its noise: demosaicing and resampling carry it a few pixels far."""
    around = window.padded(SMOOTH_PX).cut(truth.shape)
    y, side = luminance(truth.light(around, base)), 2 * SMOOTH_PX + 1
    most, least = ndimage.maximum_filter(y, side), ndimage.minimum_filter(y, side)
    return (most - least < SMOOTH * most)[window.within(around)]


def single_frame(run: Execution, window: Window, m: Any) -> Any:
    """1 where one frame stands alone."""
    if run.maps is None or run.maps.alone is None:
        return m
    made = members_of(run.device, run.maps, run.maps.alone, window, run.job.shape)
    return np.minimum(m, np.array(run.device.download(made.array))[0])


def against_truth(megapixels: float, folder: Path, every: int = 1) -> None:
    """With two takes, which tell the noise; of large pictures one, and of its windows one in `every`."""
    shape = demo_shape(megapixels)
    runs = []
    for seed in (1, 2) if every == 1 else (1,):
        place = folder / f"{megapixels:g}-{seed}"
        if not (place / "frames" / "frame_4.dng").exists():
            write_demo_frames(place / "frames", megapixels, SceneOptions(seed=seed))
        runs.append(write_recipe(place, "frames/*.dng"))
    works = [folder / f"work-{megapixels:g}-{seed}" for seed in (1, 2)]
    if every > 1:
        with opened_run(runs[0], works[0]) as first:
            print_groups(first)
            measure(first, None, Truth(shape), folder, every)
        return
    with opened_run(runs[0], works[0]) as first, opened_run(runs[1], works[1]) as second:
        print_groups(first)
        second.maps, second.facts = first.maps, first.facts  # so that the two differ by noise alone
        second.feeds = [
            replace(feed, warp=other.warp, light=other.light) for feed, other in zip(second.feeds, first.feeds, strict=True)
        ]
        measure(first, second, Truth(shape), folder)


def measure(first: Execution, second: Execution | None, truth: Truth, folder: Path, every: int = 1) -> None:
    shape, facts = truth.shape, first.facts
    frames, base = facts["frames"], facts["base"]
    residuals: list[Any] = []
    noise_in: dict[int, list[float]] = {}
    noise_out: dict[int, list[float]] = {}
    noise_merge: dict[int, list[float]] = {}
    smooth_in: dict[int, list[float]] = {}
    smooth_out: dict[int, list[float]] = {}
    steps: list[Any] = []
    rims: list[Any] = []
    left = np.zeros((shape.height, shape.width), bool)
    everywhere, false = np.zeros_like(left), np.zeros_like(left)
    worst: list[tuple[float, int, int]] = []
    unequal = outside_pixels = inside_pixels = reached_pixels = changed = 0
    seconds = 0.0
    windows = list(Grid(shape, TILE_PX, TILE_PX))[:: every]
    for window in windows:
        members = membership(first, window)
        m = members.sum(axis=0)
        needed = settle_window(first.maps, window, shape)
        tiles = [feed.tile(first.device, needed) for feed in first.feeds]
        started = time.process_time()
        settled = merged(first, tiles, window, True)
        seconds += time.process_time() - started
        plain = merged(first, tiles, window, False)
        others = [feed.tile(second.device, needed) for feed in second.feeds] if second else tiles
        again, plain_again = merged(second or first, others, window, True), merged(second or first, others, window, False)
        unequal += int((settled.view(np.uint32) != plain.view(np.uint32)).any(axis=0)[m <= 0].sum())
        outside_pixels += int((m <= 0).sum())
        inside_pixels += int((m >= 1).sum())
        moving = truth.moving(window)
        y, y2, plain_y, plain_y2 = (luminance(each) for each in (settled, again, plain, plain_again))
        # noise: the difference of two takes, by half stops of brightness
        level = np.floor(2.0 * np.log2(np.maximum(0.5 * (y + y2), 1e-4))).astype(int)
        even, outside = smooth_places(truth, window, base), (m <= 0) & ~moving
        takes = (
            (noise_in, m >= 1, y, y2), (noise_merge, m >= 1, plain_y, plain_y2), (noise_out, outside, plain_y, plain_y2),
            (smooth_in, (m >= 1) & even, y, y2), (smooth_out, outside & even, plain_y, plain_y2),
        )
        for store, where, a, b in takes if second else ():
            for band in np.unique(level[where]):
                store.setdefault(int(band), []).append(((a - b)[where & (level == band)] ** 2).astype(np.float64))
        # inside: the mean residual to the chosen frame per block
        for index, choice in enumerate(first.maps.choices if first.maps else ()):
            full = members[index] >= 1
            if choice < 0 or not full.any():
                continue
            alone = replace_frames(first, choice)
            shown_alone = RadianceMerge().run(first.device, [tiles[choice].cut(window)], window, alone)
            own = np.array(first.device.download(shown_alone.array))[:3]
            frame = frames[choice]
            own_y = luminance(own)
            variance = variance_of(frame, own_y) * sum(weight * weight for weight in luminance_row())
            inner = tiles[choice].cut(window)
            peak = np.max(np.asarray(inner.array[3:6]), axis=0)
            seen = np.asarray(inner.plane("coverage")) >= 1 if inner.has_coverage else True
            usable = blocks((full & (peak < 0.8) & seen).astype(np.float32)) >= 1
            mean, sigma = blocks(y - own_y), np.sqrt(blocks(variance))
            rest = np.abs(mean)[usable] / (4.0 * sigma[usable] / BLOCK_PX)
            residuals.append(rest)
        # rims: what settling changes where the frames agree
        everywhere[window.rows, window.cols], spread, away = leftovers(first, truth, window, base)
        left[window.rows, window.cols] = everywhere[window.rows, window.cols] & (single_frame(first, window, m) < 1)
        rim = blocks(((m > 0) & (m < 1)).astype(np.float32)) > 0.5
        rims.append(np.min(away, axis=0)[rim])
        edge = rim & (blocks(spread) < AGREE)
        change = np.abs(lightness(blocks(y)) - lightness(blocks(plain_y)))
        steps.append(change[edge])
        for by, bx in np.argwhere(edge & (change > 0.5)):
            worst.append((float(change[by, bx]), window.y + by * BLOCK_PX, window.x + bx * BLOCK_PX))
        near, one = may_near(truth, window), single_frame(first, window, m) >= 1
        false[window.rows, window.cols] = one & ~near
        reached = (m > 0) & ~one & ~moving
        reached_pixels += int(reached.sum())
        changed += int((settled.view(np.uint32) != plain.view(np.uint32)).any(axis=0)[reached].sum())
    beside = {"static parts elsewhere": noise_out, "the merge at the same pixels": noise_merge}
    pixels = sum(window.pixels for window in windows)
    report(residuals, noise_in, beside, steps, left, false, unequal, outside_pixels, inside_pixels, pixels)
    far = np.concatenate(rims)
    if len(far):
        told = f"99 % ≤ {np.quantile(far, 0.99):.2f} L*, largest {far.max():.2f}"
        print(f"  rims without noise, all blocks, beside the nearest moment: {told}")
    if reached_pixels:
        share = f"{1 - changed / reached_pixels:.1%} of {reached_pixels}"
        print(f"  static pixels that a group reaches, but not for one frame alone: {share} keep the merge's bits")
    length, parts = longest(everywhere)
    told = f"longest {length} px, longer than 12: {len(parts)}"
    print(f"  with those where one frame stands alone (darker ones fill what it clips): {told}")
    if second:
        report_noise(f"static parts elsewhere, both where {SMOOTH_PX} px around the light varies by less than {SMOOTH:.0%}",
                     smooth_in, smooth_out)
    for change, y0, x0 in sorted(worst, reverse=True)[:6]:
        print(f"    rim {change:.2f} L* at x {x0}, y {y0}")
    print(f"  settling and merging take {seconds / pixels * 1e9:.0f} ns a pixel of one core")
    for name, found in (("left", left), ("false", false)) if every == 1 else ():
        Image.fromarray((found * 255).astype(np.uint8)).save(folder / f"{name}.png")


def replace_frames(run: Execution, choice: int) -> dict[str, Any]:
    return {**run.facts, "frames": [run.facts["frames"][choice]], "base": 0}


def may_near(truth: Truth, window: Window) -> Any:
    around = window.padded(NEAR_PX).cut(truth.shape)
    near = ndimage.maximum_filter(truth.moving(around), 2 * NEAR_PX + 1)
    return near[window.within(around)]


def still(run: Execution, window: Window, lights: list[Any], maps: SettleMaps | None) -> Any:
    """What settling and merging make of noise-free frames that show `lights`, over the window; luminance."""
    frames = run.facts["frames"]
    facts = {**run.facts, "frames": [
        {**frame, "to_working": [1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0], "clip": 1.0} for frame in frames
    ]}
    needed = settle_window(run.maps, window, run.job.shape)
    tiles = [
        Tile(np.ascontiguousarray(np.minimum(light * np.float32(frame["light"]), np.float32(1))), needed, run.job.shape)
        for light, frame in zip(lights, frames, strict=True)
    ]
    made = settle(run.device, tiles, window, facts, maps)
    return luminance(np.asarray(RadianceMerge().run(run.device, made, window, facts).array)[:3])


def leftovers(run: Execution, truth: Truth, window: Window, base: int) -> tuple[Any, Any, list[Any]]:
    """Where noise-free frames, settled and merged, differ from every single moment by more than 3 times what shows.

    A moment is what merging makes of it when nothing moves, with or without the smoothing of a frame that stands alone. With
    it how far the moments differ, as a part of the level, and for every moment how far the picture is from it in L*.
    """
    frames = run.facts["frames"]
    needed = settle_window(run.maps, window, truth.shape)
    lights = [truth.light(needed, index) for index in range(len(frames))]
    y = still(run, window, lights, run.maps)
    moments = [still(run, window, [light] * len(frames), None) for light in lights]
    smooth = moments
    if run.maps is not None and run.maps.in_use(window):
        smooth = [still(run, window, [light] * len(frames), replace(run.maps, alone=None)) for light in lights]
    wanted = moments[base]
    peaks = [
        light[:, *window.within(needed)].max(axis=0) * frame["light"] for light, frame in zip(lights, frames, strict=True)
    ]
    precision = sum(
        np.where(peak < 0.9, 1.0 / variance_of(frame, wanted), 0)
        for peak, frame in zip(peaks, frames, strict=True)
    )
    visible = np.maximum(VISIBLE * np.abs(wanted), 1.0 / np.sqrt(np.maximum(precision, 1e-12)))
    found = [
        (y > np.maximum(own, quiet) + 3.0 * visible) | (y < np.minimum(own, quiet) - 3.0 * visible)
        for own, quiet in zip(moments, smooth, strict=True)
    ]
    spread = np.max([np.abs(moment - wanted) for moment in moments], axis=0) / np.maximum(wanted, 1e-6)
    away = [np.abs(lightness(blocks(y)) - lightness(blocks(moment))) for moment in moments]
    return nearest_moment(found), spread, away


def nearest_moment(found: list[Any], side: int = 64) -> Any:
    """In every block the moment that leaves fewest pixels: a picture of one moment, whichever it is, is no ghost."""
    out = found[0].copy()
    for y in range(0, out.shape[0], side):
        for x in range(0, out.shape[1], side):
            part = (slice(y, y + side), slice(x, x + side))
            out[part] = min((each[part] for each in found), key=lambda each: int(each.sum()))
    return out


def longest(mask: Any) -> tuple[int, list[tuple[int, int, int]]]:
    """The longest side of any connected part, and the parts longer than 12 px (length, x, y)."""
    labels, _ = ndimage.label(mask, np.ones((3, 3), bool))
    found = []
    for place in ndimage.find_objects(labels):
        length = max(place[0].stop - place[0].start, place[1].stop - place[1].start)
        found.append((length, place[1].start, place[0].start))
    found.sort(reverse=True)
    return (found[0][0] if found else 0), [each for each in found if each[0] > 12]


def report_noise(name: str, noise_in: dict[int, list[Any]], noise_out: dict[int, list[Any]]) -> None:
    """The standard deviation inside groups beside that of another place, by half stops of brightness."""
    ratios = []
    for band in sorted(set(noise_in) & set(noise_out)):
        a, b = np.concatenate(noise_in[band]), np.concatenate(noise_out[band])
        if min(len(a), len(b)) >= 2000:
            ratios.append((float(np.sqrt(a.mean() / b.mean())), band / 2.0, len(a)))
    told = " ".join(f"{stops:+.1f}:{ratio:.2f}" for ratio, stops, _ in ratios)
    total = sum(count for *_, count in ratios)
    good = sum(count for ratio, _, count in ratios if ratio <= 1.5)
    print(f"  noise inside ÷ {name}, by half stops (≤ 1.5): {told}")
    print(f"    pixels in bands within it: {good / max(total, 1):.1%}")


def report(
    residuals: list[Any], noise_in: dict[int, list[Any]], beside: dict[str, dict[int, list[Any]]], steps: list[Any], left: Any,
    false: Any, unequal: int, outside: int, inside: int, pixels: int,
) -> None:
    rest = np.concatenate(residuals) if residuals else np.zeros(0)
    print(f"  inside groups {inside / pixels:.1%} of what was looked at, untouched {outside / pixels:.1%}")
    print(f"  of the untouched, pixels that differ from the merge without settling: {unequal} (0)")
    if len(rest):
        share = f"{np.mean(rest <= 1):.4%} of {len(rest)} blocks (≥ 99.9 %)"
        print(f"  block residual ≤ 4σ/16: {share}, largest {rest.max():.2f} of the bound")
    for name, noise_out in beside.items() if noise_in else ():
        report_noise(name, noise_in, noise_out)
    change = np.concatenate(steps) if steps else np.zeros(0)
    if len(change):
        above = f"above: {np.mean(change > 0.5):.3%} of {len(change)} blocks"
        print(f"  step across rims: 99 % ≤ {np.quantile(change, 0.99):.2f} L*, largest {change.max():.2f} (≤ 0.5), {above}")
    length, parts = longest(left)
    print(f"  leftovers above 3× visibility: longest {length} px (≤ 12), longer ones: {len(parts)} {parts[:8]}")
    length, parts = longest(false)
    print(f"  false groups: widest {length} px (≤ 64) {parts[:8]}")


# ------------------------------------------------------------ real brackets
def real(folder: Path, frames: str) -> None:
    """The table of groups, and pictures with and without `motion` as PNG."""
    recipe = write_recipe(folder, frames)
    with opened_run(recipe, folder / "work") as run:
        print_groups(run)
        shape = run.job.shape
        pictures = {name: np.empty((shape.height, shape.width, 3), np.uint8) for name in ("without", "with")}
        member = np.zeros((shape.height, shape.width), np.uint8)
        for window in Grid(shape, TILE_PX, TILE_PX):
            needed = settle_window(run.maps, window, shape)
            tiles = [feed.tile(run.device, needed) for feed in run.feeds]
            for name, picture in pictures.items():
                picture[window.rows, window.cols] = shown(merged(run, tiles, window, name == "with"))
            if run.maps is not None:
                member[window.rows, window.cols] = (membership(run, window).sum(axis=0) * 255).astype(np.uint8)
        for name, picture in pictures.items():
            Image.fromarray(picture).save(folder / f"{name}.png")
        Image.fromarray(member).save(folder / "member.png")
        print(f"  pictures in {folder}: with.png, without.png, member.png")


def shown(pixels: Any, stops: float = 0.5) -> Any:
    """Linear light as bytes on a plain shoulder, to look at."""
    light = np.maximum(pixels, 0) * 2.0**stops
    return (255 * np.clip(light / (1.0 + 0.6 * light), 0, 1) ** (1 / 2.4) + 0.5).astype(np.uint8).transpose(1, 2, 0)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where frames, working pictures and crops are kept")
    parser.add_argument("--megapixels", type=float, default=6.0)
    parser.add_argument("--every", type=int, default=1, help="look at one in so many windows of 512 px, without the noise")
    parser.add_argument("--frames", help="a real bracket's files, in place of the invented scene")
    given = parser.parse_args(arguments)
    if given.frames:
        real(given.folder, given.frames)
    else:
        against_truth(given.megapixels, given.folder, given.every)
    return 0


if __name__ == "__main__":
    sys.exit(main())
