"""Blending by masks: what each frame gives, that frames which agree are not changed, and the same bits however it is cut."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tilepipe import process
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.errors import InputError, PlanError
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.stages import mask_blend
from tilepipe.stages.blend import Blend
from tilepipe.stages.mask_blend_ranges import clean_level, mask_ranges

ONE = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
LIGHTS = (0.0625, 0.25, 1.0, 4.0)


class LevelByLevel:
    """The CPU without its drivers: a deep stage then runs level by level, as on a GPU."""

    def __init__(self, device: CpuDevice) -> None:
        self._device = device

    def __getattr__(self, name: str) -> Any:
        if name == "drive":
            raise AttributeError(name)
        return getattr(self._device, name)


def facts_of(lights: tuple[float, ...] = LIGHTS, base: int = 2, shot: float = 3e-4, read: float = 4e-6) -> dict[str, Any]:
    rows = [{"light": light, "shot": shot, "read": read, "clip": 1.0, "to_working": list(ONE)} for light in lights]
    return {"base": base, "frames": rows}


def tile_of(pixels: Any, covered: Any = None) -> Tile:
    array = np.ascontiguousarray(pixels, np.float32)
    if covered is not None:
        array = np.concatenate([np.where(covered > 0, array, np.float32(0)), covered[None].astype(np.float32)])
    shape = Shape(*array.shape[1:])
    return Tile(array, shape.whole, shape, COLOUR if covered is None else (*COLOUR, COVERAGE))


def scene(height: int, width: int) -> Any:
    """Invented light `(3, y, x)`: a sky above a dark land, a sun beyond the base frame's range, smooth texture."""
    y, x = np.mgrid[:height, :width]
    stops = np.where(y < height * 0.55 + 6 * np.sin(x / 9), -0.5, -8.0) + np.sin(x / 5.0) * np.cos(y / 7.0)
    stops = np.maximum(stops, 3.4 - ((y - 12.0) ** 2 + (x - width * 0.7) ** 2) / 40.0)
    return np.exp2(stops)[None] * np.array([1.0, 0.8, 0.6])[:, None, None]


def frames_of(light: Any, lights: tuple[float, ...] = LIGHTS, noise: float = 0.0, covers: Any = None) -> list[Tile]:
    rng = np.random.default_rng(5)
    made = []
    for k, gain in enumerate(lights):
        pixels = light * gain + noise * rng.normal(size=light.shape)
        made.append(tile_of(np.minimum(pixels, 1.0), None if covers is None else covers[k]))
    return made


def poisoned(tile: Tile, window: Window) -> Tile:
    room = np.full((len(tile.planes), window.height + 6, window.width + 8), np.nan, np.float32)
    room[:, 3:-3, 4:-4] = tile.cut(window).array
    return Tile(room[:, 3:-3, 4:-4], window, tile.picture, tile.planes)


def blended(
    tiles: list[Tile], facts: dict[str, Any], device: Any = None, level: int = 3, size: int = 512, **settings: Any
) -> Any:
    """Both passes over tiles that hold exactly the declared windows: `(planes, y, x)`."""
    stage, shape, device = Blend(method="masks", **settings), tiles[0].picture, device or CpuDevice()
    coarse_shape = shape.halved(min(level, shape.depth))
    covered = any(tile.has_coverage for tile in tiles)
    coarse = np.full((stage.coarse_planes(len(tiles), covered, facts), *vars(coarse_shape).values()), np.nan, np.float32)
    for window in Grid(coarse_shape, max(size >> level, 1), max(size >> level, 1)):
        source = stage.down_window(window, level, shape)
        part = stage.down(device, [poisoned(tile, source) for tile in tiles], window, level, facts)
        coarse[:, window.rows, window.cols] = part.array
    assert part.planes == stage.hand_over_names(tiles)
    solved = stage.solve(device, Tile(coarse, coarse_shape.whole, coarse_shape, part.planes), level, shape, facts)
    out = np.full((3 + covered, *vars(shape).values()), np.nan, np.float32)
    for window in Grid(shape, size, size):
        source = stage.up_window(window, level, shape)
        known = poisoned(solved, stage.coarse_window(window, level, shape))
        part = stage.up(device, [poisoned(tile, source) for tile in tiles], known, window, level, facts)
        out[:, window.rows, window.cols] = part.array
    return out


def same(a: Any, b: Any) -> None:
    np.testing.assert_array_equal(np.ascontiguousarray(a).view(np.uint32), np.ascontiguousarray(b).view(np.uint32))


# ---------------------------------------------------------------- which frame shows where
def test_automatic_masks_follow_light_clipping_and_noise() -> None:
    """Two stops apart: each darker frame begins 0.6 stops under the clipping of the one it relieves."""
    ranges = {each.index: each for each in mask_ranges((), facts_of())}
    assert [each.index for each in mask_ranges((), facts_of())] == [0, 1, 3]
    assert ranges[1].begins == pytest.approx(-0.6)
    assert ranges[0].begins == pytest.approx(2.0 - 0.6)
    assert ranges[0].slope > 0 > ranges[3].slope
    assert ranges[3].begins == pytest.approx(-2.0 - 0.4)  # noise is visible above that already: its own clipping decides
    calm = {each.index: each for each in mask_ranges((), facts_of(shot=1e-5, read=1e-8))}
    level = clean_level(1e-5, 1e-8)
    assert level / np.sqrt(1e-5 * level + 1e-8) == pytest.approx(64.0)
    assert calm[3].begins == pytest.approx(np.log2(level))


def test_stated_masks_override_what_they_name() -> None:
    stage = Blend(method="masks", frames=[{"frame": 2, "begins": "-3EV", "strength": 0.25}, {"frame": 4, "reach": "0EV"}])
    ranges = {each.index: each for each in mask_ranges(stage.frames, facts_of())}
    assert (ranges[1].begins, ranges[1].slope, ranges[1].strength) == (-3.0, 1.0 / 0.3, 0.25)
    assert ranges[3].slope == -1024.0
    assert ranges[3].begins == pytest.approx(-2.4)
    with pytest.raises(InputError, match=r"frame 3 of 4, the base is frame 3"):
        mask_ranges(Blend(frames=[{"frame": 3}]).frames, facts_of())
    with pytest.raises(InputError, match="no such frame"):
        mask_ranges(Blend(frames=[{"frame": 5}]).frames, facts_of())
    with pytest.raises(PlanError, match="1 to 4, from the darkest"):
        Blend(method="masks", frames=[{"frame": 5}]).coarse_planes(4, False, {})
    with pytest.raises(ValidationError, match="named twice"):
        Blend(frames=[{"frame": 1}, {"frame": 1}])
    with pytest.raises(ValidationError, match="needs a unit"):
        Blend(frames=[{"frame": 1, "begins": 2}])


def test_frames_that_agree_give_the_light_that_was_there() -> None:
    """No noise, no movement: whatever the masks, the sun's four stops beyond the base included."""
    light = scene(90, 131)
    for settings in ({}, {"frames": [{"frame": 1, "begins": "-6EV", "reach": "0EV", "strength": 0.6}]}):
        found = blended(frames_of(light), facts_of(), **settings)
        np.testing.assert_allclose(found, light, rtol=2e-5)


def test_frames_without_strength_leave_the_filled_base_alone() -> None:
    """Bit by bit where the base does not clip."""
    tiles, none = frames_of(scene(70, 61), noise=0.002), [{"frame": k, "strength": 0.0} for k in (1, 2, 4)]
    found = blended(tiles, facts_of(), frames=none)
    kept = tiles[2].array.max(axis=0) < 0.8
    assert 0.5 < kept.mean() < 0.99
    same(found[:, kept], tiles[2].array[:, kept])


def test_a_brighter_frame_takes_the_noise_out_of_shadows_without_shifting_them() -> None:
    """Flat shadow at SNR 5: the brighter frame's noise, no bias; and by what theory its mask's transition costs."""
    read, level = 4e-6, 0.01
    light = np.full((3, 128, 160), level)
    tiles = frames_of(light, noise=float(np.sqrt(read)))
    found = blended(tiles, facts_of(shot=1e-9, read=read))
    assert found.std() < 1.3 * np.sqrt(read) / 4.0
    assert abs(found.mean() - level) < 4 * np.sqrt(read) / 4.0 / np.sqrt(found.size)


def test_noise_in_a_masks_transition_does_not_choose_the_frame() -> None:
    """A frame taken where its own pixels lie low or high would shift the mean; a hundredth of the noise is allowed."""
    read, level = 4e-6, 0.03
    stated = [{"frame": 4, "begins": f"{np.log2(level) + 0.75:.4f}EV", "reach": "1.5EV"}]
    tiles = frames_of(np.full((3, 200, 300), level), noise=float(np.sqrt(read)))
    found = blended(tiles, facts_of(shot=1e-9, read=read), frames=stated)
    assert abs(found.mean() - level) < 0.01 * np.sqrt(read) + 4 * np.sqrt(read) / np.sqrt(found.size)


# ---------------------------------------------------------------- seams and halos where frames do not quite agree
@pytest.mark.parametrize("reach", ["0EV", "1.5EV"])
def test_a_hard_mask_leaves_no_seam_and_a_soft_one_no_halo(reach: str) -> None:
    """The darker frame is 0.2 stops off (light that faded); the base rises over 4 stops from left to right."""
    stops = np.broadcast_to(np.linspace(-4.5, -0.5, 512), (64, 512))
    base = np.exp2(stops)[None].repeat(3, axis=0)
    tiles = [tile_of(base * 0.25 * 2.0**0.2), tile_of(base)]
    found = blended(tiles, facts_of((0.25, 1.0), 1), frames=[{"frame": 1, "begins": "-2.5EV", "reach": reach}])
    offset = np.log2(found[1]) - stops
    assert np.abs(np.diff(offset, axis=1)).max() < 0.0015  # a seam would be 0.2 within one pixel
    assert offset.min() > 0.0  # never beyond either of the two frames
    assert offset.max() < 0.2


def test_a_patch_that_disagrees_is_joined_without_a_seam() -> None:
    """The darker frame is 0.3 stops off in the middle third alone; a hard mask cuts through that patch.

    What cannot fit is spread over all scales, here a third of it: there is no place for it on the side that is cut.
    """
    across = np.linspace(-4.5, -0.5, 512)
    stops = np.broadcast_to(across, (64, 512))
    patch = 0.3 / (1.0 + np.exp(-(np.arange(512) - 170) / 4.0)) / (1.0 + np.exp((np.arange(512) - 340) / 4.0))
    base = np.exp2(stops)[None].repeat(3, axis=0)
    tiles = [tile_of(base * 0.25 * np.exp2(patch)), tile_of(base)]
    found = blended(tiles, facts_of((0.25, 1.0), 1), frames=[{"frame": 1, "begins": "-2.5EV", "reach": "0EV"}])
    offset = np.log2(found[1, 32]) - across
    assert np.abs(np.diff(offset)[200:310]).max() < 0.03  # at the mask's edge, where the frames are 0.3 apart
    assert -0.11 < offset.min() < offset.max() < 0.33
    assert offset[290] - offset[400] > 0.25  # the patch shows where the mask takes it
    assert abs(offset[60]) < 0.05


@pytest.mark.parametrize(("read", "bound"), [(1e-8, 0.042), (4e-6, 0.12)])
def test_a_bright_side_that_disagrees_does_not_outweigh_a_dark_one(read: float, bound: float) -> None:
    """Eight stops of edge, the darker frame 0.1 stops off in a sky that both show: the land moves by half of that at most.

    Where the land is as dark as the read noise, the curve is linear and it moves by up to 1.5 % of the step.
    """
    stops = np.where(np.arange(256) < 128, -8.5, -0.3)
    light = np.exp2(np.broadcast_to(stops, (96, 256)))[None].repeat(3, axis=0)
    tiles = [tile_of(light * 0.25 * 2.0**0.1), tile_of(light)]
    found = np.log2(blended(tiles, facts_of((0.25, 1.0), 1, read=read))[1]) - stops
    land, sky = found[:, :128], found[:, 128:]
    assert 0.0 < land.min() < land.max() < bound < 0.02 * 8.2
    assert 0.06 < sky.min() < sky.max() < 0.1


def test_clipped_values_do_not_leak() -> None:
    """The brighter frames' clipped sky holds no light of its own: any value above clipping gives the same bits."""
    light = scene(80, 97)
    tiles, facts = frames_of(light), facts_of()
    higher = [Tile(np.where(tile.array >= 1.0, np.float32(1.5), tile.array), tile.window, tile.picture) for tile in tiles[1:]]
    same(blended([tiles[0], *higher], facts), blended(tiles, facts))


# ---------------------------------------------------------------- the same bits however it is cut
@pytest.fixture(scope="module", params=[False, True], ids=["plain", "coverage"])
def whole(request: pytest.FixtureRequest) -> Any:
    covers = ragged((203, 157), 4) if request.param else None
    tiles = frames_of(scene(203, 157), noise=0.002, covers=covers)
    if covers is not None:  # the base is not resampled and has none
        tiles[2] = tile_of(tiles[2].array[:3] + (covers[2] == 0) * np.float32(0.2))
    return tiles, facts_of(), blended(tiles, facts_of())


def ragged(size: tuple[int, int], frames: int) -> Any:
    y, x = np.mgrid[: size[0], : size[1]]
    made = [np.hypot(y - size[0] * 0.5, x - size[1] * (0.4 + 0.05 * k)) < size[0] * 0.4 for k in range(frames)]
    covers = np.array(made, np.float32)
    covers[:, size[0] // 2, : size[1] // 2] *= 0.25
    return covers


@pytest.mark.parametrize(("level", "size"), [(1, 256), (2, 64), (4, 96), (6, 128)])
def test_tiles_and_hand_over_levels(whole: Any, level: int, size: int) -> None:
    tiles, facts, expected = whole
    same(blended(tiles, facts, None, level, size), expected)


@pytest.mark.parametrize("variant", built_variants())
def test_variants_and_level_by_level(whole: Any, variant: str) -> None:
    tiles, facts, expected = whole
    same(blended(tiles, facts, CpuDevice(variant), 4, 96), expected)
    same(blended(tiles, facts, LevelByLevel(CpuDevice(variant)), 3, 256), expected)


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (3, 2), (64, 5)])
@pytest.mark.parametrize("lights", [(1.0,), (0.25, 1.0), LIGHTS])
def test_tiny_pictures_and_few_frames(size: tuple[int, int], lights: tuple[float, ...]) -> None:
    tiles, facts = frames_of(np.minimum(scene(*size), lights[0] ** -1), lights), facts_of(lights, len(lights) // 2)
    expected = blended(tiles, facts, LevelByLevel(CpuDevice()), 1)
    same(blended(tiles, facts, None, 3), expected)
    np.testing.assert_allclose(expected, np.minimum(scene(*size), lights[0] ** -1), rtol=2e-5)


# ---------------------------------------------------------------- coverage
def test_full_coverage_gives_the_plain_bits() -> None:
    light = scene(100, 83)
    covered = blended(frames_of(light, noise=0.002, covers=np.ones((4, 100, 83), np.float32)), facts_of())
    same(covered[:3], blended(frames_of(light, noise=0.002), facts_of()))
    assert (covered[3] == 1).all()


def test_what_lies_under_no_coverage_does_not_matter() -> None:
    light, covers = scene(120, 101), ragged((120, 101), 4)
    tiles, found = frames_of(light, covers=covers), []
    for filling in (0.0, np.nan, 3e38):
        filled = []
        for tile, cover in zip(tiles, covers, strict=True):
            array = tile.array.copy()
            array[:3, cover == 0] = filling
            filled.append(Tile(array, tile.window, tile.picture, tile.planes))
        found.append(blended(filled, facts_of()))
        same(found[-1], found[0])
    same(found[0][3], covers.max(axis=0))
    seen = covers.max(axis=0) > 0
    assert (found[0][:3, ~seen] == 0).all()
    known = covers[0] > 0  # where the darkest frame reaches, all agree
    np.testing.assert_allclose(found[0][:3, known], light[:, known], rtol=2e-5)


def test_leaving_out_masks_that_reach_nowhere_changes_no_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    """An invented picture whose left is in all frames' range, whose middle asks for none and whose right is dark."""
    random = np.random.default_rng(4)
    light = np.repeat([0.9, 0.3, 0.3, 0.0005], 64)[None, :, None] * random.uniform(0.8, 1.2, (96, 256, 3))
    exposures = [0.25, 1.0, 4.0]
    frames = [np.minimum(light * gain + random.normal(0, 1e-3, light.shape), 1.0).astype(np.float32) for gain in exposures]
    steps: list[Any] = [{"match": {"mode": "exposure", "curve": "none"}}, {"blend": {"method": "masks"}}]
    counts: list[int] = []
    chosen = mask_blend._in_use

    def counted(device: Any, ranges: Any, brightness: Any) -> list[int]:
        found = chosen(device, ranges, brightness)
        counts.append(len(found))
        return found

    monkeypatch.setattr(mask_blend, "_in_use", counted)
    lean = process(frames, exposures, steps, tile=128, level=3)
    monkeypatch.setattr(mask_blend, "_in_use", lambda device, ranges, brightness: list(range(len(ranges))))
    whole = process(frames, exposures, steps, tile=128, level=3)
    assert min(counts) < 2
    assert (lean.view(np.uint32) == whole.view(np.uint32)).all()
