"""What local contrast lifts: noise stays, sizes get their weights, sky between clouds is not deepened."""

from __future__ import annotations

import numpy as np
import pytest

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape
from tilepipe.plan.chain import located
from tilepipe.recipe.steps import read_steps
from tilepipe.stages.local_contrast import LocalContrast
from tilepipe.stages.local_lift import LAPLACIAN_NOISE, lifts_of

FRAMES = [{"light": light, "shot": 3.24e-4, "read": 4.3e-6, "clip": 1.0} for light in (0.25, 1.0, 4.0)]  # invented
LEVEL = 3


def applied(stage, light, frames=()):
    """log2 of the result of grey light `(y, x)`."""
    shape = Shape(*light.shape)
    tile = Tile(np.stack([light] * 3).astype(np.float32), shape.whole, shape)
    device, facts = CpuDevice(), {"frames": list(frames)}
    coarse = stage.down(device, [tile], shape.halved(LEVEL).whole, LEVEL, facts)
    solved = stage.solve(device, coarse, LEVEL, shape, facts)
    return np.log2(stage.up(device, [tile], solved, shape.whole, LEVEL, facts).array[1].astype(np.float64))


def kernel(times):
    """The reduction of `times` levels as one filter over level 0."""
    found = np.ones(1)
    for level in range(times):
        taps = np.zeros(4 * 2**level + 1)
        taps[:: 2**level] = np.array([1, 4, 6, 4, 1]) / 16
        found = np.convolve(found, taps)
    return found


def test_the_noise_of_laplacians_is_that_of_their_impulse_responses():
    for level, stated in enumerate(LAPLACIAN_NOISE):
        step, fine, coarse = 2 ** (level + 1), kernel(level), kernel(level + 1)
        half = len(coarse) // 2 + step
        own = np.zeros(2 * half + 1)
        own[half - len(fine) // 2 : half + len(fine) // 2 + 1] = fine
        wide = np.zeros((2, 2 * half + 1))
        for parity, taps in enumerate((((-step, 0.125), (0, 0.75), (step, 0.125)), ((-step // 2, 0.5), (step // 2, 0.5)))):
            for shift, weight in taps:
                first = half + shift - len(coarse) // 2
                wide[parity, first : first + len(coarse)] += weight * coarse
        found = np.mean([((np.outer(own, own) - np.outer(a, b)) ** 2).sum() for a in wide for b in wide])
        assert found == pytest.approx(stated, rel=2e-4)


@pytest.mark.parametrize("level", [0.002, 0.01, 0.1])
def test_detail_of_the_size_of_noise_is_not_lifted(level):
    """In even light a lift of 60 % adds next to nothing to the noise of the merge; texture that stands out is lifted."""
    rng = np.random.default_rng(4)
    told = sum(f["light"] ** 2 / (f["shot"] * f["light"] * level + f["read"]) for f in FRAMES if f["light"] * level < 1)
    noisy = level + rng.standard_normal((192, 192)) * told**-0.5
    noisy = np.maximum(noisy, 1e-4)
    plain = applied(LocalContrast(range=0.5), noisy, FRAMES)
    lifted = applied(LocalContrast(range=0.5, detail=1.6), noisy, FRAMES)
    ungated = applied(LocalContrast(range=0.5, detail=1.6, noise=0.0), noisy, FRAMES)
    assert lifted.std() <= 1.06 * plain.std()
    assert ungated.std() >= 1.2 * plain.std()
    wave = np.broadcast_to(level * np.exp2(0.3 * np.sin(np.arange(192) * 2 * np.pi / 24)), (192, 192))
    before, after = (applied(LocalContrast(range=0.5, detail=detail), wave, FRAMES).std() for detail in (1.0, 1.6))
    assert after >= 1.12 * before


def test_an_exposure_before_it_makes_noise_count_as_brighter_light():
    steps = located(read_steps([{"exposure": {"stops": "2EV"}}, {"local_contrast": {"detail": 1.5}}], frames=1), Shape(64, 64))
    stage, plain = steps[1].stage, LocalContrast(detail=1.5)
    shape = Shape(64, 64)
    after, before = (known._lifts(shape, {"frames": FRAMES}).noise for known in (stage, plain))
    assert after == (before[0] * 16.0, before[1] * 4.0, before[2])
    assert "exposures" in stage.parameters()
    assert "exposures" not in plain.parameters()


def test_sizes_get_their_weights():
    stage = LocalContrast(detail=1.5, scales=[{"size": "4px", "weight": 1.0}, {"size": "64px", "weight": 0.0}])
    lifts = lifts_of(1.5, stage.scales, 1.0, 0.0, Shape(512, 768), (), 0.0)
    assert lifts.brighter[:2] == (1.0, 1.0)
    assert lifts.darker[3] == pytest.approx(0.5)
    assert not any(lifts.brighter[5:])
    copy = lifts_of(1.5, stage.scales, 1.0, 0.0, Shape(128, 192), [{**frame, "reduced": 4} for frame in FRAMES], 0.0)
    assert copy.brighter[0] == lifts.brighter[2]
    x = np.broadcast_to(np.arange(256), (256, 256))
    for period, least, most in ((6, 1.3, 1.55), (120, 0.98, 1.1)):
        wave = np.exp2(-3 + 0.1 * np.sin(x * 2 * np.pi / period))
        assert least <= applied(stage, wave).std() / np.log2(wave).std() <= most


def test_sky_between_clouds_is_not_deepened():
    """Gaps of 1 EV in a deck of cloud: a lift of 60 % darkens them by less than 0.1 EV, unprotected by twice that."""
    y, x = np.mgrid[:320, :480]
    gaps = sum(np.exp(-(((y - cy) / 26) ** 2 + ((x - cx) / 48) ** 2)) for cy, cx in ((90, 120), (110, 330), (220, 230)))
    sky = np.exp2(-0.5 - np.minimum(gaps, 1))
    inside = gaps > 0.8
    base = applied(LocalContrast(range=0.8), sky)
    protected, bare = (applied(LocalContrast(range=0.8, detail=1.6, deepen=share), sky) for share in (0.2, 1.0))
    assert np.median((bare - base)[inside]) <= -0.18
    assert -0.1 <= np.median((protected - base)[inside]) <= 0.0
