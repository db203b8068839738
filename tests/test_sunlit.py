"""What the mask `sunlit` finds on the invented scene, whose sunlight is known; and what it must leave alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from pydantic import ValidationError

from tilepipe.colour.spaces import luminance_row
from tilepipe.demo.frames import demo_shape
from tilepipe.demo.scene import render_truth, scene_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.masks.sunlit import Sunlit
from tilepipe.units import Length

Pixels = npt.NDArray[Any]


def found(pixels: Pixels, wanted: Window | None = None, **values: Any) -> Pixels:
    shape = Shape(*pixels.shape[1:])
    tile = Tile(np.ascontiguousarray(pixels, np.float32), shape.whole, shape)
    return np.array(Sunlit(**values).plane(CpuDevice(), tile, wanted or shape.whole, {}))


def scene(megapixels: float = 0.35) -> tuple[Pixels, Pixels]:
    """The base frame's light, and which part of it comes from the sun: all that grows with the sun's own light."""
    shape = demo_shape(megapixels)
    frame = next(each for each in scene_frames(shape.height, shape.width) if each.is_base)
    light = render_truth(shape.whole, shape, frame)
    more = render_truth(shape.whole, shape, replace(frame, light_stops=1.0))
    row = np.array(luminance_row())[:, None, None]
    plain = (light * row).sum(axis=0)
    return light, (more * row).sum(axis=0) / np.maximum(plain, 1e-6) - 1.0


def test_on_rock_and_grass_it_is_where_the_sun_falls() -> None:
    light, sun = scene()
    mask = found(light)
    high, wide = mask.shape
    for place in ((slice(high * 83 // 100, high), slice(wide * 6 // 10, wide)),  # rock
                  (slice(high * 88 // 100, high), slice(0, wide // 3))):  # grass
        own, lit = mask[place], sun[place]
        assert own[lit > 0.7].mean() > 0.5
        assert own[lit < 0.2].mean() < 0.06
        order = own.ravel().argsort(kind="stable").argsort(kind="stable") / own.size
        assert order[(lit > 0.6).ravel()].mean() - order[(lit < 0.3).ravel()].mean() > 0.35


def test_an_even_place_and_light_without_warmth_are_not_sunlit() -> None:
    even, reach = np.full((3, 80, 120), 0.2, np.float32), Length(60.0, "px")
    assert not found(even, reach=reach).any()
    spot = even.copy()
    spot[:, 30:50, 40:60] = 1.0  # brighter by more than two stops, and as grey
    assert not found(spot, reach=reach).any()
    warm = spot.copy()
    warm[2, 30:50, 40:60] = 0.5
    assert found(warm, reach=reach)[32:48, 42:58].min() > 0.99
    assert found(spot, reach=reach, warmer="-4EV")[32:48, 42:58].min() > 0.99
    assert not found(warm, reach=reach, brighter="4EV").any()


@pytest.mark.parametrize("reach", [Length(5.0, "px"), Length(60.0, "px")])
def test_any_window_has_the_same_bits(reach: Length) -> None:
    light, _ = scene(0.06)
    whole = found(light, reach=reach)
    shape = Shape(*whole.shape)
    mask = Sunlit(reach=reach)
    for wanted in (Window(0, 0, 50, 70), Window(91, 63, 33, 81), Window(shape.height - 20, shape.width - 30, 20, 30)):
        window = mask.input_window(wanted, shape, {})
        tile = Tile(np.ascontiguousarray(light[:, window.rows, window.cols]), window, shape)
        made = np.array(mask.plane(CpuDevice(), tile, wanted, {}))
        assert (made.view(np.uint32) == np.ascontiguousarray(whole[wanted.rows, wanted.cols]).view(np.uint32)).all()


def test_a_reach_of_nothing_is_refused() -> None:
    with pytest.raises(ValidationError, match="needs a reach above 0"):
        Sunlit(reach=Length(0.0, "px"))
