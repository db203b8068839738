"""Measures halos where they cannot be avoided by doing nothing, and draws them: `scripts/show_relief.py [--plot FILE]`.

Invented scenes of up to 12 EV – slanted edges of 2 to 10 EV, twigs 2 to 10 px wide, a hazy ridge, a sun behind twigs – are
brought into 7 EV while fine contrast is kept; what the finished picture's lightness then does beside the edges is measured
pixel by pixel, at every distance from 8 to 2000 px. The same with a pyramid of six levels, as a comparison.
"""

from __future__ import annotations

import argparse
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tilepipe import process

SETTINGS: dict[str, Any] = {"range": 0.45, "detail": 1.15, "edge": "1EV"}
EDGE_EV = 1.0
RADII_PX = [round(8 * 2 ** (step / 3)) for step in range(24)] + [2000]
HEIGHT, WIDTH, TEXTURED = 768, 4352, 224  # rows above TEXTURED carry texture, those from 2·TEXTURED on are plain
TEXTURED_ROWS = slice(8, TEXTURED - 8)
BRIGHT_EV = -0.5  # of the brighter side, from diffuse white
SLOPE = 0.12  # of the slanted edges, sideways per row
WAIT_PX = 3  # what lies nearer to an edge belongs to it: the edge's own pixels are mixed


@dataclass
class Row:
    """One figure beside its bound."""

    name: str
    value: float
    bound: float | None
    unit: str
    least: bool = False

    def text(self) -> str:
        if self.bound is None:
            return f"  {self.name:62} {self.value:8.3f} {self.unit}"
        passes = self.value >= self.bound if self.least else self.value <= self.bound
        sign = "≥" if self.least else "≤"
        return f"  {self.name:62} {self.value:8.3f} {self.unit:3} {sign} {self.bound:g}  {'pass' if passes else 'FAIL'}"


# ---------------------------------------------------------------- scenes, in stops
def sampled(stops: Callable[[Any, Any], Any], height: int, width: int, fine: int = 4) -> Any:
    """log2 of light averaged over `fine`² points a pixel."""
    rows = []
    for y in range(0, height, 64):
        ys, xs = np.mgrid[y * fine : min(y + 64, height) * fine, : width * fine] / fine + 0.5 / fine
        light = np.exp2(stops(ys.astype(np.float32), xs.astype(np.float32)))
        rows.append(light.reshape(-1, fine, width, fine).mean((1, 3)))
    return np.log2(np.concatenate(rows))


def texture(height: int, width: int, seed: int) -> Any:
    """Even texture of 1 to 16 px, σ 0.15 EV."""
    noise = np.random.default_rng(seed).standard_normal((height, width)).astype(np.float32)
    band = noise * 0.4 + sum(cv2.GaussianBlur(noise, (0, 0), size) * size for size in (1.0, 2.0, 4.0))
    return (0.15 / band.std()) * band


def across(height: int = HEIGHT, width: int = WIDTH) -> Any:
    """Signed distance of each pixel from the slanted edge, + to the right."""
    y, x = np.mgrid[:height, :width] + 0.5
    return ((x - width / 2) - (y - height / 2) * SLOPE) / math.hypot(1.0, SLOPE)


def edge_scene(step: float, soft_px: float = 0.0) -> Any:
    """The darker side left, the brighter right; texture above, plain below."""
    def stops(y: Any, x: Any) -> Any:
        away = ((x - WIDTH / 2) - (y - HEIGHT / 2) * SLOPE) / math.hypot(1.0, SLOPE)
        share = 0.5 * (1 + np.tanh(away / soft_px)) if soft_px else (away > 0)
        return BRIGHT_EV - step + step * share
    fade = np.clip(2.0 - np.arange(HEIGHT)[:, None] / TEXTURED, 0, 1)
    return sampled(stops, HEIGHT, WIDTH) + texture(HEIGHT, WIDTH, 1) * fade


def twig_lines(height: int, width: int) -> Any:
    """Where twigs are, at 4 points a pixel sideways and down: 2 to 10 px wide, leaning, in the middle of the width."""
    picture = Image.new("L", (width * 4, height * 4), 0)
    draw, rng = ImageDraw.Draw(picture), np.random.default_rng(7)
    for index in range(34):
        x = width * 2 + rng.uniform(-1, 1) * 1100
        lean, wide = rng.uniform(-700, 700), round(4 * (2 + 8 * (index % 9) / 8))
        draw.line((x, height * 4, x + lean, rng.uniform(0.0, 0.4) * height * 4), fill=255, width=wide)
    return np.asarray(picture).reshape(height, 4, width, 4) > 0


def twig_scene(depth: float, sun: bool, twigs: bool = True) -> Any:
    """Sky with (or without) twigs `depth` EV darker, and a sun of 6 EV above the sky in its glow behind them."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    away = np.hypot(y - HEIGHT / 2, x - WIDTH / 2)
    sky = BRIGHT_EV - 1.0 + (np.log2(1 + 6 * np.exp(-away / 260) + 60 * np.clip(24 - away, 0, 1)) if sun else 0.0)
    if not twigs:
        return np.broadcast_to(sky, (HEIGHT, WIDTH)).astype(np.float64)
    share = twig_lines(HEIGHT, WIDTH).mean((1, 3))
    return np.log2(np.exp2(sky) * (1 - share) + np.exp2(BRIGHT_EV - 1.0 - depth) * share)


# ---------------------------------------------------------------- pictures
def finished(stops: Any, **settings: Any) -> tuple[Any, Any]:
    """log2 light after local contrast, and CIE L* of the finished picture, of a grey scene."""
    frame = np.repeat(np.exp2(stops)[..., None], 3, axis=2).astype(np.float32)
    steps: list[Any] = [{"local_contrast": {**SETTINGS, **settings}}]
    toned = process([frame], steps=steps)[..., 1]
    shown = process([frame], steps=[*steps, "display"])[..., 1]
    return np.log2(toned.astype(np.float64)), lightness(shown.astype(np.float64))


def lightness(luminance: Any) -> Any:
    """CIE 15:2004: L* of luminance relative to white."""
    return np.where(luminance > 216 / 24389, 116 * np.cbrt(luminance) - 16, luminance * (24389 / 27))


def luminance(lightness: Any) -> Any:
    """The inverse of `lightness`."""
    return np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * (27 / 24389))


def shallow(stops: Any, levels: int = 6, **settings: Any) -> Any:
    """The same curve in a pyramid of few levels, blurred guide, float32: a comparison. CIE L*."""
    chosen = {**SETTINGS, **settings}
    step, low = EDGE_EV / 2, float(stops.min()) - 0.5
    guide = [stops.astype(np.float32)]
    for _ in range(levels):
        guide.append(cv2.pyrDown(guide[-1]))
    made = [np.zeros_like(level) for level in guide]
    for node in range(int((float(stops.max()) - low) / step) + 2):
        d = guide[0] - np.float32(low + node * step)
        plane = chosen["range"] * d + (chosen["detail"] - chosen["range"]) * d / np.sqrt(1 + (d / EDGE_EV) ** 2)
        for level, sums in enumerate(made):
            hat = np.maximum(1 - np.abs((guide[level] - low) / step - node), 0)
            coarse = cv2.pyrDown(plane)
            wide = 0 if level == levels else cv2.pyrUp(coarse, dstsize=plane.shape[::-1])
            sums += hat * (plane + np.float32(low + node * step if level == levels else 0) - wide)
            plane = coarse
    result = made[-1]
    for sums in reversed(made[:-1]):
        result = sums + cv2.pyrUp(result, dstsize=sums.shape[::-1])
    light = np.exp2(result - result.mean() + stops.mean())  # as bright on average as ours
    shown = process([np.repeat(light[..., None], 3, axis=2).astype(np.float32)], steps=["display"])
    return lightness(shown[..., 1].astype(np.float64))


# ---------------------------------------------------------------- what is measured
@dataclass
class Beside:
    """What lightness does beside edges, by distance: the mean there, and the pixel that is furthest off, both signed."""

    mean: dict[int, float]
    worst: dict[int, float]

    @property
    def largest_mean(self) -> float:
        return max(abs(value) for radius, value in self.mean.items() if radius > RADII_PX[0])

    @property
    def largest(self) -> float:
        return max(abs(value) for radius, value in self.worst.items() if radius > RADII_PX[0])

    def rows(self, name: str, bound: float | None) -> list[Row]:
        return [
            Row(f"{name}: largest mean at a distance", self.largest_mean, bound, "L*"),
            Row("  largest of any pixel", self.largest, None, "L*"),
            Row(f"  … from {WAIT_PX} px on", max(abs(value) for value in self.worst.values()), None, "L*"),
        ]


def beside(off: Any, away: Any) -> Beside:
    """`off`: each pixel's deviation; `away`: its distance from the edge. A ring ends at each stated radius."""
    found = Beside({}, {})
    for near, far in itertools.pairwise([WAIT_PX, *RADII_PX]):
        ring = off[(away > near) & (away <= far)]
        found.mean[far] = float(ring.mean()) if ring.size else 0.0
        found.worst[far] = float(ring[np.abs(ring).argmax()]) if ring.size else 0.0
    return found


def excess(light: Any, away: Any, rows: slice) -> Beside:
    """Beside a straight edge: deviations from each side's plateau, of the two sides that which deviates more."""
    values, distance = light[rows], away[rows]
    sides = []
    for side in (-1.0, 1.0):
        along = distance * side
        plateau = float(np.median(values[(along > 600) & (along < 2000)]))
        sides.append(beside(values - plateau, along))
    left, right = sides
    larger = Beside({}, {})
    for radius in RADII_PX:
        larger.mean[radius] = max(left.mean[radius], right.mean[radius], key=abs)
        larger.worst[radius] = max(left.worst[radius], right.worst[radius], key=abs)
    return larger


def fine(stops: Any, rows: slice, columns: slice) -> float:
    """σ of what is 1 to 16 px large."""
    part = stops[rows, columns].astype(np.float64)
    return float((cv2.GaussianBlur(part, (0, 0), 0.5) - cv2.GaussianBlur(part, (0, 0), 8.0)).std())


def span(stops: Any) -> float:
    low, high = np.percentile(stops, (0.02, 99.98))
    return float(high - low)


def edges(rows: list[Row], curves: dict[str, dict[int, float]]) -> None:
    away, plain = across(), slice(2 * TEXTURED, HEIGHT)
    for step in (2.0, 4.0, 6.0, 8.0, 10.0):
        scene = edge_scene(step)
        toned, shown = finished(scene)
        found = excess(shown, away, plain)
        curves[f"edge of {step:g} EV"] = found.worst
        bound = 0.5 if step >= 8 * EDGE_EV else 1.0 if step >= 4 * EDGE_EV else None
        rows += found.rows(f"edge of {step:g} EV", bound)
        for name, side in (("dark", slice(300, 1700)), ("bright", slice(2650, 4050))):
            light = np.log2(luminance(shown))
            kept, left = (fine(made, TEXTURED_ROWS, side) / fine(scene, TEXTURED_ROWS, side) for made in (toned, light))
            rows.append(Row(f"  fine contrast kept, {name} side", 100 * kept, 90.0, "%", least=True))
            rows.append(Row("  … under the shoulder of `display` too", 100 * left, None, "%"))
        if step == 10.0:
            rows.append(Row("  range of the scene: given", span(scene), None, "EV"))
            rows.append(Row("  range of the scene: left", span(toned), 7.0, "EV"))
        if step == 8.0:
            six = excess(shallow(scene), away, plain)
            curves[SHALLOW] = six.worst
            rows.append(Row("  a pyramid of six levels instead: any pixel", six.largest, None, "L*"))


def ridge(rows: list[Row]) -> None:
    away, plain = across(), slice(2 * TEXTURED, HEIGHT)
    for soft in (12.0, 40.0):
        _, shown = finished(edge_scene(1.5, soft))
        profile = [float(shown[plain][np.abs(away[plain] - at) < 1].mean()) for at in range(-1900, 1901, 4)]
        back = max(0.0, -float(np.diff(profile).min()))
        outside = max(profile) - float(np.median(profile[-300:])), float(np.median(profile[:300])) - min(profile)
        rows.append(Row(f"hazy ridge of 1.5 EV over {soft:g} px: overshoot", max(outside), 0.5, "L*"))
        rows.append(Row("  lightness turns back across it by", back, None, "L*"))


def twigs(rows: list[Row]) -> None:
    share = twig_lines(HEIGHT, WIDTH).mean((1, 3))
    reach = cv2.distanceTransform((share == 0).astype(np.uint8), cv2.DIST_L2, 5)
    for sun, depth, bound in ((False, 4.0, 1.0), (False, 8.0, 0.5), (True, 5.5, 1.0)):
        around = {"around": f"{0.5 * BRIGHT_EV}EV"}  # so that both pictures are compressed around one brightness
        scene = twig_scene(depth, sun)
        toned, shown = finished(scene, **around)
        _, bare = finished(twig_scene(depth, sun, twigs=False), **around)
        off = shown - bare  # far from the twigs it is what less light in the picture does everywhere
        what = "sun behind twigs" if sun else "twigs"
        rows += beside(off - np.median(off[reach > 600]), reach).rows(f"sky beside {what} {depth:g} EV darker", bound)
        if sun:
            rows += [Row("  range of the scene: given", span(scene), None, "EV"), Row("  left", span(toned), 7.0, "EV")]


def over_range(rows: list[Row]) -> dict[float, float]:
    """The largest excess beside an edge of 8 EV, over `range`."""
    away, plain, scene = across(), slice(2 * TEXTURED, HEIGHT), edge_scene(8.0)
    found = {}
    for part in (0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5):
        _, shown = finished(scene, range=part)
        found[part] = excess(shown, away, plain).largest
        rows.append(Row(f"edge of 8 EV, range {part:g}: largest excess of any pixel", found[part], None, "L*"))
    return found


def over_detail(rows: list[Row]) -> None:
    """The largest excess beside an edge of 8 EV, over `detail`."""
    away, plain, scene = across(), slice(2 * TEXTURED, HEIGHT), edge_scene(8.0)
    for lift in (1.0, 1.15, 1.3, 1.5, 2.0):
        _, shown = finished(scene, detail=lift)
        found = excess(shown, away, plain)
        rows.append(Row(f"edge of 8 EV, detail {lift:g}: largest mean at a distance", found.largest_mean, None, "L*"))
        rows.append(Row("  largest of any pixel", found.largest, None, "L*"))


# ---------------------------------------------------------------- the plot
SHALLOW = "8 EV, six levels"
INK, PALE, PAPER = (40, 40, 40), (200, 200, 200), (255, 255, 255)
LINES = {"edge of 2 EV": (150, 190, 220), "edge of 4 EV": (90, 150, 200), "edge of 6 EV": (50, 110, 170),
         "edge of 8 EV": (20, 70, 130), "edge of 10 EV": (0, 30, 80), SHALLOW: (200, 90, 30)}


WIDE, HIGH, LEFT, RIGHT = 1200, 1000, 80, 250
RANGE_PANEL = (770, 930)
PANELS = ((50, 400, -25.0, 15.0, 5), (440, 690, -1.5, 1.5, 0.5))  # top, bottom, lowest, highest L*, spacing of the lines


def draw(curves: dict[str, dict[int, float]], ranges: dict[float, float], path: Path) -> None:
    """Signed excess over distance, as a PNG: all curves, the same closer, and the largest of an edge of 8 EV over `range`."""
    picture = Image.new("RGB", (WIDE, HIGH), PAPER)
    pen, letters = ImageDraw.Draw(picture), ImageFont.load_default(17)
    for panel in PANELS:
        _panel(pen, letters, panel, curves)
    for index, name in enumerate(curves):
        y = PANELS[0][0] + 26 * index + 10
        pen.line((WIDE - RIGHT + 20, y, WIDE - RIGHT + 60, y), fill=LINES[name], width=4)
        pen.text((WIDE - RIGHT + 70, y), name, INK, letters, "lm")
    pen.text((WIDE - RIGHT + 20, PANELS[1][0] + 10), "the same, closer", INK, letters)
    pen.text((WIDE - RIGHT + 20, PANELS[1][0] + 36), "green: ±0.5", (70, 130, 70), letters)
    pen.text((LEFT, 14), "Lightness L* beside an edge, above its side's own: the worst pixel at each distance", INK, letters)
    pen.text(((LEFT + WIDE - RIGHT) // 2, PANELS[1][1] + 42), "distance from the edge, px", INK, letters, "mm")
    _range_panel(pen, letters, ranges)
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.quantize(32).save(path, optimize=True)


def _range_panel(pen: Any, letters: Any, ranges: dict[float, float]) -> None:
    top, bottom = RANGE_PANEL

    def at(part: float, value: float) -> tuple[float, float]:
        return LEFT + (WIDE - LEFT - RIGHT) * (part - 0.2) / 1.3, bottom - (bottom - top) * value

    for value in (0.0, 0.5, 1.0):
        pen.line((*at(0.2, value), *at(1.5, value)), fill=(110, 170, 110) if value == 0.5 else PALE)
        pen.text((LEFT - 10, at(0.2, value)[1]), f"{value:g}", INK, letters, "rm")
    for part in ranges:
        pen.line((*at(part, 0.0), *at(part, 1.0)), fill=(235, 235, 235))
        pen.text((at(part, 0.0)[0], bottom + 8), f"{part:g}", INK, letters, "mt")
    pen.line([at(part, value) for part, value in ranges.items()], fill=LINES["edge of 8 EV"], width=3)
    pen.text(((LEFT + WIDE - RIGHT) // 2, HIGH - 24), "range (1 leaves it, 0.5 halves it in stops)", INK, letters, "mm")
    pen.text((WIDE - RIGHT + 20, top), "edge of 8 EV:", INK, letters)
    pen.text((WIDE - RIGHT + 20, top + 24), "worst pixel from", INK, letters)
    pen.text((WIDE - RIGHT + 20, top + 48), "8 px on, over range", INK, letters)


def _panel(pen: Any, letters: Any, panel: tuple[int, int, float, float, float], curves: dict[str, dict[int, float]]) -> None:
    top, bottom, lowest, highest, spacing = panel

    def at(radius: float, value: float) -> tuple[float, float]:
        x = LEFT + (WIDE - LEFT - RIGHT) * math.log(radius / 8) / math.log(2000 / 8)
        return x, top + (bottom - top) * (highest - min(max(value, lowest), highest)) / (highest - lowest)

    for value in np.arange(lowest, highest + spacing / 2, spacing):
        green = spacing < 1 and abs(abs(value) - 0.5) < 1e-9
        pen.line((*at(8, value), *at(2000, value)), fill=(110, 170, 110) if green else PALE)
        pen.text((LEFT - 10, at(8, value)[1]), f"{value:+g}" if value else "0", INK, letters, "rm")
    for radius in (8, 16, 32, 64, 125, 250, 500, 1000, 2000):
        pen.line((*at(radius, lowest), *at(radius, highest)), fill=(235, 235, 235))
        pen.text((at(radius, lowest)[0], bottom + 8), str(radius), INK, letters, "mt")
    for name, found in curves.items():
        if spacing >= 1 or name != SHALLOW:
            rings = list(found.items())  # each ends at its radius: it is drawn where it begins
            points = [at(near, value) for (near, _), (_, value) in itertools.pairwise(rings)]
            pen.line([*points, at(2000, rings[-1][1])], fill=LINES[name], width=3)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    names = ("edges", "ridge", "twigs", "range", "detail")
    parser.add_argument("what", nargs="*", choices=[*names, []], help="all without a word")
    parser.add_argument("--plot", type=Path, help="writes the plot as a PNG (needs `edges` and `range`)")
    chosen = parser.parse_args()
    curves: dict[str, dict[int, float]] = {}
    ranges: dict[float, float] = {}
    parts: dict[str, Callable[[list[Row]], Any]] = {
        "edges": lambda rows: edges(rows, curves), "ridge": ridge, "twigs": twigs,
        "range": lambda rows: ranges.update(over_range(rows)), "detail": over_detail,
    }
    for name in chosen.what or parts:
        rows: list[Row] = []
        parts[name](rows)
        print("\n".join(row.text() for row in rows), flush=True)
    if chosen.plot and curves and ranges:
        draw(curves, ranges, chosen.plot)


if __name__ == "__main__":
    main()
