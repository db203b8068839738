"""The radiance merge against theory, an invented truth, a library's merge and real scene-linear pictures."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tilepipe.colour.decode import FrameDecoder
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.native import built_variants
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.formats.frame import CameraInfo, Encoding
from tilepipe.geometry import Shape, Window
from tilepipe.stages.radiance import PEAKS, RadianceMerge

DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data" / "hdr_truth"
SHOT, READ = 3.24e-4, 4.3e-6  # typical at ISO 100: Hasinoff, Durand, Freeman, CVPR 2010
IDENTITY = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


@pytest.fixture(params=built_variants())
def device(request: pytest.FixtureRequest) -> CpuDevice:
    return CpuDevice(request.param)


@pytest.fixture
def fastest() -> CpuDevice:
    return CpuDevice()


def facts_of(
    lights: list[float], base: int = 0, shot: float = SHOT, read: float = READ, to_working: Any = IDENTITY,
    apart: bool = True,
) -> dict[str, Any]:
    frames = [
        {"light": light, "shot": shot, "read": read, "clip": 1.0, "to_working": to_working, "colours_apart": apart}
        for light in lights
    ]
    return {"frames": frames, "base": base}


def tile_of(pixels: Any, planes: tuple[str, ...] = COLOUR) -> Tile:
    array = np.ascontiguousarray(pixels, np.float32)
    shape = Shape(*array.shape[1:])
    return Tile(array, shape.whole, shape, planes)


def merged(device: CpuDevice, tiles: list[Tile], facts: dict[str, Any], wanted: Window | None = None) -> Any:
    return RadianceMerge().run(device, tiles, wanted or tiles[0].window, facts).array


def exposed(truth: Any, light: float, rng: np.random.Generator, shot: float = SHOT, read: float = READ) -> Any:
    """A frame with photon noise (Poisson) and read noise (normal), the pedestal kept, clipped at 1."""
    photons = rng.poisson(truth * light / shot) * shot
    return np.minimum(photons + rng.normal(0.0, math.sqrt(read), truth.shape), 1.0).astype(np.float32)


def bits(array: Any) -> Any:
    return np.ascontiguousarray(array).view(np.uint32)


# ---------------------------------------------------------------- theory
def test_weights_are_the_noise_optimal_ones(fastest: CpuDevice) -> None:
    """Weights .033208 .179522 .787270 and 31.812 dB for X = 0.1, t = ¼, 1, 4 (computed from the paper's formula)."""
    lights, truth, push = [0.25, 1.0, 4.0], 0.1, 0.002
    found = []
    for index in range(3):
        ends = []
        for sign in (1.0, -1.0):
            frames = [(truth + (sign * push if k == index else 0.0)) * light for k, light in enumerate(lights)]
            tiles = [tile_of(np.full((3, 1, 1), value)) for value in frames]
            ends.append(float(merged(fastest, tiles, facts_of(lights))[1, 0, 0]))
        found.append((ends[0] - ends[1]) / (2 * push))
    assert found == pytest.approx([0.033208, 0.179522, 0.787270], abs=4e-5)
    variance = sum(w * w * (SHOT * truth * t + READ) / (t * t) for w, t in zip(found, lights, strict=True))
    assert 20 * math.log10(truth / math.sqrt(variance)) == pytest.approx(31.812, abs=0.001)


LIGHTS = [1 / 16, 1 / 4, 1.0, 4.0]


def theory(truth: Any, lights: list[float], shot: float = SHOT, read: float = READ) -> tuple[Any, Any]:
    """Standard deviation of the merge with the stated weights, and where a frame is inside the ramp near clipping."""
    above, below, in_ramp = 0.0, 0.0, np.zeros(np.shape(truth), bool)
    for light in lights:
        frame = np.asarray(truth) * light
        variance = (shot * frame + read) / light**2
        left = np.clip((0.98 - frame) / 0.18, 0.0, 1.0)
        weight = left * left / variance
        above, below = above + weight * weight * variance, below + weight
        margin = 4 * np.sqrt(shot * frame + read)
        in_ramp |= (frame > 0.8 - margin) & (frame < 0.98 + margin)
    return np.sqrt(above) / below, in_ramp


@pytest.mark.parametrize(("iso", "ramp_loss_db"), [(1, 1.0), (8, 2.5)])
def test_flat_patches_reach_the_theory_without_bias(fastest: CpuDevice, iso: int, ramp_loss_db: float) -> None:
    """SNR within 0.3 dB of theory, |bias| ≤ max(1 %, 0.05 σ), from ¼ of the read noise to 0.7 of the darkest clip.

    Theory: optimal weights, times the stated ramp for frames within it. Where a frame is inside the ramp its weight
    varies with its noise, too, which costs up to 1 dB at ISO 100 and 2.2 dB at ISO 800; the bias stays within bounds.
    """
    rng = np.random.default_rng(11)
    shot, read = SHOT * iso, READ * iso * iso
    darkest = math.sqrt(read) / LIGHTS[-1] / 4
    levels = np.geomspace(darkest, 0.7 / LIGHTS[0], 24)
    truth = np.repeat(levels, 30_000).reshape(24, 1, 30_000).repeat(3, axis=1).transpose(1, 0, 2)
    tiles = [tile_of(exposed(truth, light, rng, shot, read)) for light in LIGHTS]
    result = merged(fastest, tiles, facts_of(LIGHTS, 2, shot, read)).astype(np.float64)
    for row, level in enumerate(levels):
        sigma, in_ramp = theory(level, LIGHTS, shot, read)
        bias, spread = result[:, row].mean() - level, result[:, row].std()
        assert abs(bias) <= max(0.01 * level, 0.05 * sigma), f"bias {bias / level:.2%}, {bias / sigma:.3f} σ at {level}"
        off_by = 20 * math.log10(sigma / spread)
        assert off_by >= (-ramp_loss_db if in_ramp else -0.3), f"{off_by:.2f} dB at {level}"
        assert in_ramp or off_by <= 0.3, f"{off_by:.2f} dB at {level}"


def test_the_raw_path_on_flat_patches(fastest: CpuDevice) -> None:
    """The same through 14-bit mosaics and demosaicing, against the noise of a single sample.

    Bias as above. Demosaicing on balanced samples leaves green about as it is (−0.2 to 0.4 dB) and lends red and blue
    green's smaller noise (up to 1.6 and 0.9 dB better; −0.1 dB in black). Where green alone clips, red and blue leave
    that frame with it: up to 6 dB for two stops of bracket.
    """
    rng, size, black, white = np.random.default_rng(3), 128, 1024, 16383
    camera = CameraInfo((float(black),) * 4, white, "RGGB", None, None, "", "", "")
    decoder = FrameDecoder(
        "mosaic", "uint16", 1, False, 65535.0, Encoding("linear", "camera", ""), camera, True
    )
    balance = np.array([0.5, 1.0, 0.65])  # invented: how much less red and blue a sensor collects
    y, x = np.mgrid[:size, :size]
    site = y % 2 + x % 2
    darkest = math.sqrt(READ) / LIGHTS[-1] / 4
    for level in [*np.geomspace(darkest, 0.1, 5), 0.19, 0.25, 0.7, 3.0, 11.0]:
        tiles = []
        for light in LIGHTS:
            values = exposed(level * balance[np.array([0, 1, 2])[site]], light, rng)
            codes = np.clip(np.rint(values * (white - black) + black), 0, white).astype(np.uint16)
            shape = Shape(size, size)
            tiles.append(decoder.run(fastest, codes[None], shape.whole, shape, shape.whole))
        result = merged(fastest, tiles, facts_of(LIGHTS, 2))[:, 8:-8, 8:-8].astype(np.float64)
        for colour, (worst, best) in enumerate(((-0.3, 1.8), (-0.4, 0.7), (-0.3, 1.2))):
            truth = level * balance[colour]
            sigma, _ = theory(truth, LIGHTS)
            green_clips_alone = level == 0.25 and colour != 1
            gain = 20 * math.log10(sigma / result[colour].std())
            assert abs(result[colour].mean() - truth) <= max(0.01 * truth, 0.05 * sigma), (level, colour)
            assert (-6.3 if green_clips_alone else worst) <= gain <= best, f"{gain:.2f} dB at {level}, colour {colour}"


def test_deep_shadows_keep_their_sign(fastest: CpuDevice) -> None:
    rng = np.random.default_rng(5)
    tiles = [tile_of(exposed(np.zeros((3, 100, 200)), light, rng)) for light in LIGHTS]
    result = merged(fastest, tiles, facts_of(LIGHTS))
    assert 0.45 < (result < 0).mean() < 0.55
    assert abs(result.mean()) < 0.05 * math.sqrt(READ) / LIGHTS[-1]


# ---------------------------------------------------------------- clipping
def test_where_all_clip_the_darkest_counts(device: CpuDevice) -> None:
    tiles = [tile_of(np.full((3, 2, 5), value)) for value in (1.0, 1.0, 1.0)]
    result = merged(device, tiles, facts_of([0.25, 1.0, 4.0], base=1))
    np.testing.assert_array_equal(result, np.float32(4.0))


def test_a_clipped_frame_does_not_count(device: CpuDevice) -> None:
    tiles = [tile_of(np.full((3, 2, 5), value)) for value in (0.5, 1.0, 1.0)]
    np.testing.assert_array_equal(merged(device, tiles, facts_of([0.25, 1.0, 4.0])), np.float32(2.0))


def test_peaks_decide_where_they_are_given(fastest: CpuDevice) -> None:
    """A value that resampling lowered below clipping is still known to have met a clipped sample."""
    dark = tile_of(np.full((3, 1, 4), 0.2))
    bright = np.full((6, 1, 4), 0.6)
    bright[3:, 0, 2:] = 1.0
    result = merged(fastest, [dark, tile_of(bright, COLOUR + PEAKS)], facts_of([0.25, 1.0]))
    np.testing.assert_allclose(result[:, 0, 2:], 0.8, rtol=1e-6)
    assert (result[:, 0, :2] < 0.65).all()


@pytest.mark.parametrize("peaks", [False, True])
def test_a_frame_enters_with_all_its_colours_or_with_none(device: CpuDevice, peaks: bool) -> None:
    """Something moved between the frames and red alone clips in the bright one: no colour may come from it.

    Columns: as told; nothing clips, so that the bright frame dominates in all colours.
    """
    moved, bright = [[[0.2, 0.05]], [[0.1, 0.02]], [[0.1, 0.02]]], [[[1.0, 0.3]], [[0.5, 0.2]], [[0.6, 0.1]]]
    planes = COLOUR + (PEAKS if peaks else ())
    tiles = [tile_of(pixels * (2 if peaks else 1), planes) for pixels in (moved, bright)]
    facts = facts_of([0.25, 1.0], apart=False)
    result = merged(device, tiles, facts)[:, 0]
    np.testing.assert_array_equal(result[:, 0], np.float32([0.8, 0.4, 0.4]))
    assert (np.abs(result[:, 1] - [0.3, 0.2, 0.1]) < 0.05).all()
    facts["frames"][0]["colours_apart"] = True  # one frame that must be judged as a whole is enough
    np.testing.assert_array_equal(merged(device, tiles, facts)[:, 0], result)
    apart = merged(device, tiles, facts_of([0.25, 1.0]))[:, 0, 0]
    assert apart[0] == np.float32(0.8)
    assert (np.abs(apart[1:] - [0.4, 0.4]) > 0.05).all()


def test_a_prediction_beyond_clipping_leaves_a_frame_out_with_all_colours(fastest: CpuDevice) -> None:
    """Red of the bright frame is predicted beyond its clipping level by a darker frame that sees more red there."""
    dark, bright = tile_of([[[0.7]], [[0.05]], [[0.05]]]), tile_of([[[0.97]], [[0.4]], [[0.4]]])
    result = merged(fastest, [dark, bright], facts_of([0.25, 1.0], apart=False))[:, 0, 0]
    np.testing.assert_allclose(result, [2.8, 0.2, 0.2], rtol=1e-6)


@pytest.mark.parametrize("apart", [False, True])
def test_an_estimate_stays_where_no_frame_counts_any_more(device: CpuDevice, apart: bool) -> None:
    """A value beside a crest may lie above its peak: predicted beyond clipping, it must not give way to a clipped frame."""
    dark = tile_of([[[0.0]]] * 3 + [[[1.0]]] * 3, COLOUR + PEAKS)
    bright = tile_of([[[0.99]]] * 3 + [[[0.96]]] * 3, COLOUR + PEAKS)
    result = merged(device, [dark, bright], facts_of([0.25, 1.0], apart=apart))
    np.testing.assert_allclose(result, 0.99, rtol=1e-6)


def test_no_seam_where_a_frame_leaves(fastest: CpuDevice) -> None:
    """A gradient with a bright frame 5 % off: the mismatch fades in over the ramp instead of stepping."""
    truth = np.linspace(0.6, 1.2, 4000)[None, None].repeat(3, axis=0)
    tiles = [tile_of(truth / 4), tile_of(np.minimum(truth * 1.05, 1.0))]
    result = merged(fastest, tiles, facts_of([0.25, 1.0]))[0, 0].astype(np.float64)
    steps = np.diff(result) - np.diff(truth[0, 0])
    assert np.abs(steps).max() < 0.05 / 100
    assert result[0] / truth[0, 0, 0] == pytest.approx(1.05, abs=0.01)
    assert result[-1] / truth[0, 0, -1] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("read", [READ, 0.0])
def test_sixteen_frames_over_fifteen_stops(device: CpuDevice, read: float) -> None:
    lights = [2.0 ** (k - 8) for k in range(16)]
    truth = np.geomspace(1e-5, 250.0, 257)[None, None].repeat(3, axis=0)
    tiles = [tile_of(np.minimum(truth * light, 1.0)) for light in lights]
    result = merged(device, tiles, facts_of(lights, read=read))
    np.testing.assert_allclose(result, truth, rtol=1e-6)


# ---------------------------------------------------------------- coverage, colours, single frames
def scene(frames: int, shape: tuple[int, int] = (40, 57), coverage: Any = None) -> tuple[list[Tile], dict[str, Any]]:
    rng = np.random.default_rng(frames)
    lights = [4.0 ** (k - 1) for k in range(frames)]
    truth = np.exp2(rng.uniform(-9, 3, (3, *shape)))
    tiles = []
    for light in lights:
        values = exposed(truth, light, rng)
        peaks = np.maximum(values, np.roll(values, 1, axis=2))
        tiles.append(tile_of(np.concatenate([values, peaks]), COLOUR + PEAKS))
    return tiles, facts_of(lights, base=min(1, frames - 1))


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 9])
def test_full_coverage_changes_no_bit(fastest: CpuDevice, frames: int) -> None:
    tiles, facts = scene(frames)
    ones = np.ones((1, *tiles[0].array.shape[1:]), np.float32)
    covered = [tile_of(np.concatenate([t.array, ones]), (*t.planes, "coverage")) for t in tiles]
    result = merged(fastest, covered, facts)
    np.testing.assert_array_equal(bits(result[:3]), bits(merged(fastest, tiles, facts)))
    np.testing.assert_array_equal(result[3], 1.0)


def test_only_covered_frames_count(device: CpuDevice) -> None:
    """Columns: both frames cover; only the dark one; only the bright one, clipped; none."""
    dark = tile_of([[[0.2, 0.2, 0.0, 0.0]]] * 3 + [[[1.0, 1.0, 0.0, 0.0]]], (*COLOUR, "coverage"))
    bright = tile_of([[[0.8, 0.0, 1.0, 0.0]]] * 3 + [[[1.0, 0.0, 0.25, 0.0]]], (*COLOUR, "coverage"))
    result = merged(device, [dark, bright], facts_of([0.25, 1.0]))
    np.testing.assert_allclose(result[:3, 0], [[0.8, 0.8, 1.0, 0.0]] * 3, rtol=2e-7)
    np.testing.assert_array_equal(result[3, 0], [1.0, 1.0, 0.25, 0.0])


def test_a_frame_without_coverage_covers_all(fastest: CpuDevice) -> None:
    dark = tile_of([[[0.2, 0.0]]] * 3 + [[[1.0, 0.0]]], (*COLOUR, "coverage"))
    result = merged(fastest, [dark, tile_of(np.full((3, 1, 2), 0.5))], facts_of([0.25, 1.0]))
    np.testing.assert_allclose(result[:3, 0, 1], 0.5, rtol=2e-7)
    np.testing.assert_array_equal(result[3], 1.0)


def test_one_frame_is_kept_as_it_is(device: CpuDevice) -> None:
    tiles, _ = scene(1)
    result = merged(device, tiles, facts_of([1.0]))
    np.testing.assert_array_equal(bits(result), bits(tiles[0].array[:3]))


def test_frames_with_other_primaries_are_brought_to_the_base(fastest: CpuDevice) -> None:
    swap = (0.0, 1.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 1.0)  # invented: green → red, half of red → green
    truth = np.array([0.3, 0.2, 0.1]).reshape(3, 1, 1)
    facts = facts_of([0.5, 1.0], base=1)
    facts["frames"][0]["to_working"] = swap
    other = np.array([0.4, 0.3, 0.1]).reshape(3, 1, 1)  # what `swap` turns into `truth`
    result = merged(fastest, [tile_of(other / 2), tile_of(truth)], facts)
    np.testing.assert_allclose(result, truth, rtol=1e-6)


def test_too_many_frames_are_refused(fastest: CpuDevice) -> None:
    tiles = [tile_of(np.zeros((3, 1, 1)))] * 17
    with pytest.raises(ValueError, match="at most 16"):
        merged(fastest, tiles, facts_of([1.0] * 17))


# ---------------------------------------------------------------- same bits
@pytest.mark.parametrize("frames", [3, 4, 6, 9])
def test_same_bits_on_every_variant_and_window(frames: int) -> None:
    matrix = (1.7, -0.5, -0.2, -0.1, 1.3, -0.2, 0.05, -0.4, 1.35)
    tiles, facts = scene(frames, (61, 83))
    for frame in facts["frames"]:
        frame["to_working"] = matrix
    ones = np.ones((1, 61, 83), np.float32)
    ones[0, 20:30, 40:60] = 0.5
    for given in (tiles, [tile_of(np.concatenate([t.array, ones]), (*t.planes, "coverage")) for t in tiles]):
        whole = merged(CpuDevice(built_variants()[-1]), given, facts)
        for variant in built_variants():
            device = CpuDevice(variant)
            np.testing.assert_array_equal(bits(merged(device, given, facts)), bits(whole), err_msg=variant)
            for window in (Window(0, 0, 7, 9), Window(13, 21, 17, 33), Window(60, 50, 1, 33)):
                poisoned = []
                for tile in given:
                    array = np.full_like(tile.array, np.nan)
                    rows, cols = window.within(tile.window)
                    array[:, rows, cols] = tile.array[:, rows, cols]
                    poisoned.append(Tile(array, tile.window, tile.picture, tile.planes))
                part = merged(device, poisoned, facts, window)
                np.testing.assert_array_equal(bits(part), bits(whole[:, window.rows, window.cols]), err_msg=variant)


# ---------------------------------------------------------------- outside references
def test_close_to_a_librarys_merge(fastest: CpuDevice) -> None:
    """OpenCV's Robertson merge (Robertson, Borman, Stevenson 1999) of the same 8-bit frames with a linear response."""
    cv2 = pytest.importorskip("cv2")
    rng = np.random.default_rng(2)
    lights = [1 / 16, 1 / 4, 1.0]
    truth = np.exp2(rng.uniform(-5, 3.5, (3, 60, 70)))
    codes = [np.rint(np.minimum(truth * light, 1.0) * 255).astype(np.uint8) for light in lights]
    response = np.arange(256, dtype=np.float32).reshape(256, 1, 1).repeat(3, axis=2)
    pictures = [np.ascontiguousarray(code.transpose(1, 2, 0)) for code in codes]
    theirs = cv2.createMergeRobertson().process(pictures, np.array(lights, np.float32), response)
    # rounding to 8 bits is the only noise: variance (1/255)²/12 in frame units
    facts = facts_of(lights, shot=0.0, read=1 / 255**2 / 12)
    ours = merged(fastest, [tile_of(code / 255.0) for code in codes], facts)
    inside = (truth * lights[0] < 0.9) & (truth * lights[-1] > 8 / 255)
    stops = np.abs(np.log2(theirs.transpose(2, 0, 1)[inside] / 255 / ours[inside]))
    assert np.median(stops) < 0.03
    assert np.abs(np.log2(ours[inside] / truth[inside])).mean() <= np.abs(
        np.log2(theirs.transpose(2, 0, 1)[inside] / 255 / truth[inside])
    ).mean()


@pytest.mark.parametrize("name", ["MtTamWest.exr", "Tree.exr", "dawn.hdr", "forest.hdr", "park.hdr"])
def test_brackets_of_real_radiance_merge_back(fastest: CpuDevice, name: str) -> None:
    """Frames with noise, 14 bits, two stops apart, from scene-linear photographs: only the noise of theory is left."""
    if not (DATA / name).exists():
        pytest.skip(f"{DATA / name} is absent")
    from tilepipe.formats.opening import open_frame

    with open_frame(str(DATA / name)) as frame:
        window = Window(0, 0, min(400, frame.info.shape.height), min(600, frame.info.shape.width))
        truth = np.maximum(frame.read(window)[:3].astype(np.float64), 0.0)
    truth /= np.quantile(truth, 0.98)
    lights = [2.0 ** (2 * k - 8) for k in range(6)]
    rng = np.random.default_rng(3)
    codes = [np.rint(exposed(np.minimum(truth, 1e3), light, rng) * 16383) / 16383 for light in lights]
    result = merged(fastest, [tile_of(code) for code in codes], facts_of(lights, base=4))
    seen = truth * lights[0] < 0.7
    sigma, in_ramp = theory(truth[seen], lights)
    error = (result[seen] - truth[seen]) / sigma
    assert abs(error[~in_ramp].mean()) < 0.02
    assert abs(20 * math.log10(error[~in_ramp].std())) < 0.3
    assert np.abs(error[~in_ramp]).max() < 7.0  # of 600,000 normal values the largest is about 5 σ
    clipped = truth * lights[0] > 1.1
    assert (result[clipped] >= 0.9 / lights[0]).all()
