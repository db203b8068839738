"""Halos of every way to join frames: none where frames are joined in scene light, those of exposure fusion as they are.

Measure after Hessel and Morel (arXiv 1808.09411), noise-free steps of 2 to 8 stops: `scripts/show_halo.py` prints the table.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

SIZE = (128, 256)


def _script() -> Any:
    spec = importlib.util.spec_from_file_location("show_halo", Path(__file__).parent.parent / "scripts" / "show_halo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


show_halo = _script()
PATTERNS = {pattern.name: pattern for pattern in show_halo.patterns(SIZE)}


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("method", ["radiance", "masks"])
def test_frames_joined_in_scene_light_keep_their_plateaus(name: str, method: str) -> None:
    """At most 2 % of the step at every radius, also where one frame is 0.1 stops off."""
    found = show_halo.halos(PATTERNS[name], method)
    assert len(found) == 7
    assert max(found) <= 0.02


@pytest.mark.parametrize(("method", "low", "high"), [("fusion", 0.05, 0.20), ("extended_fusion", 0.05, 0.15)])
def test_the_fusions_halos_are_what_is_stated(method: str, low: float, high: float) -> None:
    """Two frames 2 to 8 stops apart, full depth; the extended form's paper claims less (Hessel and Morel, WACV 2020)."""
    names = [name for name in PATTERNS if name.startswith("2 frames") and "off" not in name]
    largest = [max(show_halo.halos(PATTERNS[name], method)) for name in names]
    assert len(largest) == 4
    assert low <= min(largest) <= max(largest) <= high


def test_the_extended_form_has_less_halo_where_fusion_has_much() -> None:
    for name in ("2 frames, 2 EV apart", "2 frames, 4 EV apart", "−3, 0, +3 EV, a step of 4 EV"):
        usual, extended = (max(show_halo.halos(PATTERNS[name], method)) for method in ("fusion", "extended_fusion"))
        assert usual > 0.1
        assert extended < 0.8 * usual


def test_a_frame_that_disagrees_shows_in_the_measure() -> None:
    """The measure sees what it must see: half a stop off gives more than the agreeing frames' nothing."""
    pattern = PATTERNS["2 frames, 4 EV apart, 0.1 EV off"]
    agreeing, worse = (show_halo.Pattern("", pattern.lights, 4, pattern.left, SIZE, off) for off in (0.0, 0.5))
    assert max(show_halo.halos(agreeing, "masks")) < 1e-5 < 0.01 < max(show_halo.halos(worse, "masks"))
