"""Masks against outside references: distances, colours and filters computed another way."""

from __future__ import annotations

import json
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image as PillowImage
from scipy import ndimage
from scipy.spatial import KDTree

from tilepipe.colour.spaces import WORKING, luminance_row, rgb_to_xyz
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.errors import PlanError, RecipeError
from tilepipe.geometry import Shape, Window
from tilepipe.masks.image import Image
from tilepipe.masks.mask import Mask, all_masks
from tilepipe.masks.polygon import crossing
from tilepipe.masks.softened import Softness

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

SHAPE = Shape(97, 131)
STAR = [[0.1, 0.15], [0.45, 0.3], [0.8, 0.05], [0.62, 0.5], [0.93, 0.9], [0.5, 0.68], [0.2, 0.95], [0.33, 0.55]]
BRUSH = [[0.15, 0.2], [0.4, 0.75, 0.6], [0.7, 0.3, 1.0, 0.5], [0.9, 0.8, 0.3, 1.5]]


def made(kind: str, **values: Any) -> Mask:
    return all_masks()[kind].model_validate_json(json.dumps(values), strict=True)


def picture(shape: Shape = SHAPE, seed: int = 3) -> Tile:
    random = np.random.default_rng(seed)
    y, x = np.mgrid[: shape.height, : shape.width]
    step = np.where(x + 0.4 * y > 0.7 * shape.width, 1.4, 0.02)
    pixels = step * (0.6 + 0.8 * random.random((3, shape.height, shape.width))) - 0.01
    return Tile(pixels.astype(np.float32), shape.whole, shape)


def plane(mask: Mask, tile: Tile, wanted: Window | None = None, facts: Any = None) -> Any:
    found = mask.plane(CpuDevice(), tile, wanted or tile.window, facts or {})
    assert found.dtype == np.float32
    assert ((found >= 0) & (found <= 1)).all()
    return np.array(found)


def ramp(t: Any) -> Any:
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def centres(shape: Shape) -> tuple[Any, Any]:
    y, x = np.mgrid[: shape.height, : shape.width].astype(np.float64)
    return y, x


def on_base(points: Sequence[Sequence[float]], shape: Shape) -> Any:
    return np.array([(p[0] * shape.width - 0.5, p[1] * shape.height - 0.5) for p in points])


# ---------------------------------------------------------------- placed
@pytest.mark.parametrize("points", [STAR, STAR[::-1]])
@pytest.mark.parametrize("soft", [0, 9])
def test_a_polygon_is_the_signed_distance_that_opencv_finds(points: Any, soft: int):
    corners = on_base(points, SHAPE).astype(np.float32)
    found = plane(made("polygon", points=points, soft=f"{soft}px"), picture())
    y, x = centres(SHAPE)
    apart = np.array([[cv2.pointPolygonTest(corners, (float(u), float(v)), True) for u, v in zip(r, s, strict=True)]
                      for r, s in zip(x, y, strict=True)])
    assert np.abs(found - ramp(apart / max(soft, 1) + 0.5)).max() < 2e-5  # opencv keeps corners in float32


def test_a_polygon_of_many_corners_has_no_wrong_sign():
    random = np.random.default_rng(8)
    angle = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    radius = 0.3 + 0.12 * random.random(1500)
    points = np.stack([0.5 + radius * np.cos(angle), 0.5 + radius * np.sin(angle)], 1).tolist()
    shape = Shape(300, 400)
    corners = on_base(points, shape).astype(np.float32)
    found = plane(made("polygon", points=points), picture(shape))
    for v, u in random.integers(0, 300, (4000, 2)):
        apart = cv2.pointPolygonTest(corners, (float(u + 50), float(v)), True)
        assert abs(found[v, u + 50] - ramp(apart + 0.5)) < 2e-4, (v, u)


def test_an_ellipse_is_the_distance_to_the_nearest_of_many_places_on_its_line():
    angle = np.linspace(0, 2 * np.pi, 200_001)
    found = plane(made("ellipse", centre=[0.45, 0.5], width="90px", height="30px", turn="25deg", soft="12px"), picture())
    u, v, turn = 45 * np.cos(angle), 15 * np.sin(angle), np.radians(25)
    cx, cy = 0.45 * SHAPE.width - 0.5, 0.5 * SHAPE.height - 0.5
    line = np.stack([cx + u * np.cos(turn) - v * np.sin(turn), cy + u * np.sin(turn) + v * np.cos(turn)], 1)
    y, x = centres(SHAPE)
    y, x, found = y[::3, ::3], x[::3, ::3], found[::3, ::3]
    apart = KDTree(line).query(np.stack([x.ravel(), y.ravel()], 1))[0].reshape(x.shape)
    dx, dy = x - cx, y - cy
    along, away = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    signed = np.where((along / 45) ** 2 + (away / 15) ** 2 < 1, -apart, apart)
    assert np.abs(found - ramp(0.5 - signed / 12)).max() < 1e-4


def test_a_gradient_runs_straight_from_full_to_nothing():
    found = plane(made("gradient", full=[0.2, 0.3], nothing=[0.8, 0.5]), picture())
    (x1, y1), (x0, y0) = on_base([[0.2, 0.3], [0.8, 0.5]], SHAPE)
    y, x = centres(SHAPE)
    t = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2)
    assert np.abs(found - ramp(t)).max() < 1e-6


@pytest.mark.parametrize("hardness", [0.0, 0.4, 1.0])
def test_a_stroke_is_the_strongest_of_its_capsules(hardness: float):
    found = plane(made("stroke", points=BRUSH, radius="11px", hardness=hardness), picture())
    y, x = centres(SHAPE)
    expected = np.zeros(x.shape)
    full = [[*p, *(1.0, 1.0)[len(p) - 2:]] for p in BRUSH]
    places = on_base(BRUSH, SHAPE)
    for i in range(len(full) - 1):
        a, b = places[i], places[i + 1]
        t = np.clip(((x - a[0]) * (b - a)[0] + (y - a[1]) * (b - a)[1]) / ((b - a) ** 2).sum(), 0, 1)
        apart = np.hypot(x - a[0] - t * (b - a)[0], y - a[1] - t * (b - a)[1])
        radius = 11 * (full[i][3] + t * (full[i + 1][3] - full[i][3]))
        fade = (1 - hardness) * radius
        steep = [1 / max((1 - hardness) * 11 * each[3], 1) for each in full[i : i + 2]]
        value = ramp((radius - fade / 2 - apart) * (steep[0] + t * (steep[1] - steep[0])) + 0.5)
        expected = np.maximum(expected, value * (full[i][2] + t * (full[i + 1][2] - full[i][2])))
    assert np.abs(found - expected).max() < 2e-5


def test_a_picture_lies_over_the_whole_base_frame(tmp_path: Path):
    codes = np.random.default_rng(1).integers(0, 256, (SHAPE.height, SHAPE.width), dtype=np.uint8)
    PillowImage.fromarray(codes).save(tmp_path / "same.png")
    big = np.repeat(np.repeat(codes, 3, 0), 3, 1)
    PillowImage.fromarray(big).save(tmp_path / "big.png")
    PillowImage.fromarray(big).save(tmp_path / "big.tif")
    for name in ("same.png", "big.png", "big.tif"):
        found = plane(Image(file=Path(name)).found_in(tmp_path).located(SHAPE), picture())
        assert np.abs(found - codes / 255.0).max() < 1e-6, name
    half = Image(file=Path("big.png")).found_in(tmp_path)
    one, other = half.located(SHAPE).parameters(), Image(file=Path("big.tif")).found_in(tmp_path).parameters()
    assert one["pixels"] == other["pixels"], "the key depends on the decoded values, not on the file"


def test_a_picture_of_another_shape_or_of_colours_is_refused(tmp_path: Path):
    PillowImage.fromarray(np.zeros((40, 40), np.uint8)).save(tmp_path / "square.png")
    with pytest.raises(RecipeError, match=r"another shape(.|\n)*1\.0000 to 1(.|\n)*1\.3505 to 1"):
        Image(file=Path("square.png")).found_in(tmp_path, "masks.sky.image.file").located(SHAPE)
    PillowImage.fromarray(np.zeros((40, 40, 3), np.uint8)).save(tmp_path / "colour.png")
    with pytest.raises(RecipeError, match="not a grey picture"):
        Image(file=Path("colour.png")).found_in(tmp_path)


# ---------------------------------------------------------------- measured
def test_luminance_is_measured_in_stops():
    tile = picture()
    found = plane(made("luminance", **{"from": "-3EV", "to": "+0.5EV", "soft": "2EV"}), tile)
    stops = np.log2(np.maximum(np.tensordot(luminance_row(), tile.array.astype(np.float64), 1), 1e-30))
    assert np.abs(found - np.minimum(ramp((stops + 3) / 2 + 0.5), ramp((0.5 - stops) / 2 + 0.5))).max() < 1e-5


def test_hue_and_chroma_are_those_of_oklab():
    tile = picture()
    xyz = np.einsum("ij,jyx->yxi", rgb_to_xyz(WORKING), tile.array.astype(np.float64))
    lab = colour.XYZ_to_Oklab(xyz)
    chroma = np.clip(np.hypot(lab[..., 1], lab[..., 2]) / np.maximum(lab[..., 0], 1e-6), 0, 4)
    found = plane(made("chroma", **{"from": 0.1, "to": 0.4, "soft": 0.1}), tile)
    assert np.abs(found - np.minimum(ramp((chroma - 0.1) / 0.1 + 0.5), ramp((0.4 - chroma) / 0.1 + 0.5))).max() < 3e-3
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    apart = np.abs((hue - 170 + 180) % 360 - 180)
    found = plane(made("hue", at="-190deg", reach="60deg", soft="30deg", grey=0.05), tile)
    sure = chroma > 0.02  # white is (0.9504, 1, 1.0889) there and here only to the fourth digit: greys' hues differ
    assert np.abs(found - ramp((60 - apart) / 30 + 0.5) * ramp(chroma / 0.05))[sure].max() < 2e-2


def test_grey_has_no_chroma_and_no_hue():
    grey = Tile(np.full((3, 4, 5), 0.18, np.float32), Shape(4, 5).whole, Shape(4, 5))
    assert plane(made("chroma", **{"to": 0.01, "soft": 0.0}), grey).min() == 1.0
    assert plane(made("hue", at="0deg", reach="180deg", soft="0deg"), grey).max() < 1e-6


def test_clipped_begins_where_the_darkest_frame_ends():
    values = np.array([0.9, 3.0, 3.9, 4.0, 9.0], np.float32)
    tile = Tile(np.stack([values * 0.5, values, values * 0.1])[:, None], Shape(1, 5).whole, Shape(1, 5))
    facts = {"frames": [{"clip": 1.0, "light": 0.25}, {"clip": 1.0, "light": 1.0}]}
    found = plane(made("clipped", soft="0.1EV"), tile, facts=facts)[0]
    assert list(found[[0, 1, 3, 4]]) == [0.0, 0.0, 1.0, 1.0]
    assert 0.0 < found[2] < 1.0
    with pytest.raises(PlanError, match="state `above`"):
        plane(made("clipped"), tile)


# ---------------------------------------------------------------- found, joined, softened
def test_moved_reads_the_map_that_the_facts_hold():
    groups = np.zeros((10, 14), np.uint8)
    groups[2:5, 3:8], groups[7, 10] = 1, 2
    facts = {"maps": {"moved": {"array": groups}}}
    tile = picture(Shape(100, 140))
    both, second = plane(made("moved"), tile, facts=facts), plane(made("moved", groups=[2]), tile, facts=facts)
    assert both[35, 55] == 1.0
    assert both[74, 104] == second[74, 104] > 0.9  # a cell's middle is between pixels
    assert second[35, 55] == both[90, 20] == 0.0
    with pytest.raises(PlanError, match="add the step `motion`"):
        plane(made("moved"), tile)


def test_joined_masks_are_exact():
    tile = picture()
    one, other = made("polygon", points=STAR, soft="6px"), made("luminance", **{"from": "-2EV"})
    a, b = plane(one, tile), plane(other, tile)
    for kind, expected in (("all_of", np.minimum(a, b)), ("any_of", np.maximum(a, b)), ("none_of", 1 - np.maximum(a, b))):
        assert (plane(made(kind).made_of(one, other), tile) == expected).all(), kind


@pytest.mark.parametrize("reach", [3, 5, 14, 40])
def test_feather_is_a_gaussian(reach: int):
    shape, tile = Shape(160, 200), picture(Shape(160, 200))
    hard = made("polygon", points=STAR)
    found = plane(made("feather", reach=f"{reach}px").made_of(hard), tile)
    expected = ndimage.gaussian_filter(plane(hard, tile).astype(np.float64), reach / 2, mode="reflect", truncate=3)
    assert np.abs(found - expected).max() < 0.012
    full = made("feather", reach=f"{reach}px").made_of(made("chroma", **{"from": 0}))
    assert (plane(full, Tile(np.full((3, 160, 200), 0.2, np.float32), shape.whole, shape)) >= 0.4).all()


def test_following_edges_is_the_guided_filter():
    """He, Sun & Tang, IEEE TPAMI 35 (2013), eq. 5, 6, 8, in float64 with scipy's Gaussian as the window."""
    tile = picture()
    hard = made("polygon", points=STAR)
    mask = made("follow_edges", reach="6px", contrast="0.7EV").made_of(hard)
    guide = np.log2(np.clip(np.tensordot(luminance_row(), tile.array.astype(np.float64), 1), 2.0**-20, 4096))
    given = plane(hard, tile).astype(np.float64)

    def mean(values: Any) -> Any:
        return ndimage.gaussian_filter(values, 3.0, mode="reflect", truncate=3)

    slope = (mean(guide * given) - mean(guide) * mean(given)) / (mean(guide**2) - mean(guide) ** 2 + 0.49)
    expected = np.clip(mean(slope) * guide + mean(mean(given) - slope * mean(guide)), 0, 1)
    assert np.abs(plane(mask, tile) - expected).max() < 2e-5


@pytest.mark.parametrize("kind", ["feather", "follow_edges"])
def test_softened_masks_keep_what_is_full_or_nothing(kind: str):
    tile = picture()
    full = made("luminance", **{"from": "-30EV", "soft": "0EV"})
    for inner, value in ((full, 1.0), (made("none_of").made_of(full), 0.0)):
        dark = plane(inner, tile) != value  # where there is no light at all, it is darker than any range
        assert not dark.any()
        assert (plane(made(kind, reach="21px").made_of(inner), tile) == value).all()


def test_the_softness_that_is_asked_for_is_given():
    for sigma in (0.7, 2.9, 3.1, 8.0, 50.0, 333.0):
        soft = Softness(sigma)
        assert sum(soft.weights[1:]) * 2 + soft.weights[0] == 1.0
        assert soft.reach <= 10


# ---------------------------------------------------------------- windows
def test_margins_are_what_windows_say():
    assert made("polygon", points=STAR).margin_px(SHAPE) == 0
    feather = made("feather", reach="20px").made_of(made("polygon", points=STAR))
    assert feather.margin_px(Shape(4000, 6000)) == 0, "what is not measured needs nothing of the picture"
    assert made("feather", reach="20px").made_of(made("luminance", to="-1EV")).margin_px(Shape(4000, 6000)) >= 30
    assert made("follow_edges", reach="20px").made_of(made("luminance", to="-1EV")).margin_px(Shape(4000, 6000)) >= 60


@pytest.mark.parametrize(("points", "crosses"), [
    ([(0, 0), (1, 0), (1, 1), (0, 1)], False), ([(0, 0), (1, 1), (1, 0), (0, 1)], True),
    ([(0, 0), (2, 0), (1, 0), (1, 1)], True), ([(0, 0), (1, 0), (2, 0), (2, 2)], False),
    ([(0, 0), (2, 0), (2, 2), (1, 0), (0, 2)], True), ([(0, 0), (2, 0), (0, 0), (1, 1)], True),
])
def test_polygons_that_cross_or_touch_themselves_are_seen(points: Any, crosses: bool):
    assert (crossing([(float(x), float(y)) for x, y in points]) is not None) is crosses


def test_crossings_are_found_as_by_looking_at_all_pairs():
    random = np.random.default_rng(4)
    seen = set()
    for _ in range(60):
        angle = np.sort(random.integers(0, 1000, 14)) * 0.006
        points = np.stack([np.cos(angle), np.sin(angle)], 1) * random.integers(400, 1000, (14, 1))
        corners = [(int(x), int(y)) for x, y in points + random.integers(-250, 250, (14, 2))]
        expected = [
            (i, j) for i in range(14) for j in range(i + 2, 14)
            if (i, j) != (0, 13) and _cross(corners[i], corners[i + 1], corners[j], corners[(j + 1) % 14])
        ]
        assert crossing([(float(x), float(y)) for x, y in corners]) == (expected[0] if expected else None)
        seen.add(bool(expected))
    assert seen == {True, False}


def _cross(a: Any, b: Any, c: Any, d: Any) -> bool:
    """In whole numbers: whether c and d lie on different sides of a → b, and a and b of c → d, or on the line."""

    def side(p: Any, q: Any, r: Any) -> int:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) <= 0 and side(c, d, a) * side(c, d, b) <= 0


def test_a_polygon_of_very_many_corners_is_checked_at_once():
    angle = np.linspace(0, 2 * np.pi, 12_000, endpoint=False)
    radius = 0.35 + 0.05 * np.sin(40 * angle)
    points = [(0.5 + float(r * np.cos(a)), 0.5 + float(r * np.sin(a))) for a, r in zip(angle, radius, strict=True)]
    assert crossing(points) is None
    points[7000], points[7001] = points[7001], points[7000]
    assert crossing(points) == (6999, 7001)
