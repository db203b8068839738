"""Every kind of mask on every device, tile size and lie of the base frame: the same bits, and those of its version.

`TILEPIPE_STORE_DIGESTS=1` stores the digests of new cases; a changed one is stored only with a new version number.
"""

from __future__ import annotations

import functools
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image as PillowImage

from tilepipe.device import exact, native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.gpu import GpuDevice, device_count
from tilepipe.device.selftest import hashed
from tilepipe.device.tile import Tile
from tilepipe.digest import key_of
from tilepipe.errors import DeviceError
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.masks.image import Image
from tilepipe.masks.mask import Mask, all_masks

STORED = Path(__file__).with_name("mask_digests.json")
STORE_VARIABLE = "TILEPIPE_STORE_DIGESTS"
SHAPE = Shape(71, 93)
BASE = Shape(120, 160)
TILES = (17, 40)
LIES = {
    "same": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "turned": ((0.98, -0.199, -9.0), (0.199, 0.98, -30.5), (0.0, 0.0, 1.0)),
    "reduced": ((0.37, 0.0, 3.0), (0.0, 0.37, 2.0), (0.0, 0.0, 1.0)),
    "seen aslant": ((0.9, 0.05, -12.0), (-0.04, 0.8, 5.0), (0.0004, -0.0003, 1.0)),
}
FACTS: dict[str, Any] = {  # invented; what a run would have measured or found
    "frames": [{"light": 0.25, "clip": 1.0}, {"light": 1.0, "clip": 1.0}],
    "maps": {
        name: {"array": (hashed(12 * 16, name) % np.uint64(3)).reshape(12, 16).astype(np.uint8)}
        for name in ("moved",)
    },
}
CASES: dict[str, list[dict[str, Any]]] = {
    "luminance": [{"from": "-3EV", "to": "1EV"}, {"to": "-2EV", "soft": "0EV"}],
    "chroma": [{"from": 0.05, "to": 0.3}],
    "hue": [{"at": "120deg", "reach": "70deg"}],
    "clipped": [{}, {"above": "-1EV", "soft": "2EV"}],
    "gradient": [{"full": [0.1, 0.2], "nothing": [0.7, 0.9]}, {"full": [0.5, 0.5], "nothing": [0.5, 0.5001]}],
    "ellipse": [{"centre": [0.5, 0.4], "width": "70px", "height": "40%", "turn": "33deg", "soft": "7px"},
                {"centre": [0.3, 0.6], "width": "60px", "height": "9px"}],
    "polygon": [{"points": [[0.1, 0.15], [0.45, 0.3], [0.8, 0.05], [0.62, 0.5], [0.93, 0.9], [0.5, 0.68], [0.2, 0.95]]},
                {"points": [[0.2, 0.2], [0.8, 0.25], [0.4, 0.4], [0.5, 0.9]], "soft": "11px"}],
    "stroke": [{"points": [[0.1, 0.2], [0.4, 0.75, 0.6], [0.7, 0.3, 1.0, 0.5], [0.9, 0.8]], "radius": "9px"},
               {"points": [[0.1, 0.5], [0.9, 0.45]], "radius": "8%", "hardness": 1.0}],
    "image": [{"file": "grey.png"}],
    "moved": [{}, {"groups": [2]}],
    "sunlit": [{}, {"reach": "30px", "warmer": "-4EV"}],
    "all_of": [{}], "any_of": [{}], "none_of": [{}],
    "feather": [{"reach": "4px"}, {"reach": "25px"}],
    "follow_edges": [{"reach": "5px"}, {"reach": "19px", "contrast": "1EV"}],
}


@functools.cache
def whole() -> Tile:
    count = 3 * SHAPE.pixels
    even = (hashed(count, "mask picture") >> np.uint64(40)).astype(np.float64) / 16777216.0
    y, x = np.mgrid[: SHAPE.height, : SHAPE.width]
    pixels = np.where(2 * x + y > 110, 1.1, 0.03) * (0.3 + even.reshape(3, SHAPE.height, SHAPE.width)) - 0.01
    pixels[:, 3:9, 50:61] = 17.0
    return Tile(pixels.astype(np.float32), SHAPE.whole, SHAPE)


def given(device: Any, window: Window) -> Tile:
    """The picture's `window` amid NaN, so that a read beyond it shows."""
    array = np.full((3, window.height + 6, window.width + 10), np.nan, np.float32)
    array[:, 3:-3, 5:-5] = whole().cut(window).array
    return Tile(device.upload(array)[:, 3:-3, 5:-5], window, SHAPE)


def made(kind: str, values: dict[str, Any], folder: Path) -> Mask:
    mask = all_masks()[kind].model_validate_json(json.dumps(values), strict=True)
    if isinstance(mask, Image):
        codes = (hashed(240 * 320, "grey") >> np.uint64(56)).astype(np.uint8).reshape(240, 320)
        PillowImage.fromarray(codes).save(folder / "grey.png")
        return mask.found_in(folder)
    if mask.inner == "none":
        return mask
    inner = [made(name, CASES[name][0], folder) for name in ("polygon", "luminance", "stroke")]
    return mask.made_of(*(inner if mask.inner == "many" else inner[:1]))


class ByLaunches:
    """A CPU that offers what a GPU offers: no drivers."""

    def __init__(self, device: CpuDevice) -> None:
        self.name = f"{device.name} by launches"
        for method in ("empty", "tile", "plane", "planes", "launch", "upload", "download"):
            setattr(self, method, getattr(device, method))


@functools.cache
def devices() -> tuple[Any, ...]:
    found = [CpuDevice(variant) for variant in native.built_variants()]
    try:
        gpus = [GpuDevice(index) for index in range(min(device_count(), 1))]
    except DeviceError:
        gpus = []
    return (*found, ByLaunches(found[0]), *gpus)


def computed(mask: Mask, device: Any, tile_px: int) -> Any:
    made = np.full((SHAPE.height, SHAPE.width), np.nan, np.float32)
    for wanted in Grid(SHAPE, tile_px, tile_px):
        tile = given(device, mask.input_window(wanted, SHAPE, FACTS))
        made[wanted.rows, wanted.cols] = device.download(mask.plane(device, tile, wanted, FACTS))
    return made


def differences(mask: Mask, first: Any) -> list[str]:
    found = []
    for device in devices():
        for tile_px in TILES:
            other = computed(mask, device, tile_px)
            if (other.view(np.uint32) != first.view(np.uint32)).any():
                found.append(f"{device.name}, tiles {tile_px}: {int((other != first).sum())} pixels differ")
    return found


def test_every_kind_has_a_case():
    assert set(CASES) == set(all_masks())


@pytest.mark.parametrize("kind", list(CASES))
def test_a_mask_has_the_same_bits_everywhere(kind: str, tmp_path: Path):
    stored = json.loads(STORED.read_text(encoding="utf-8")) if STORED.exists() else {}
    for number, values in enumerate(CASES[kind]):
        mask = made(kind, values, tmp_path)
        lies = LIES if mask.source in ("placed", "found", "joined") else {"same": LIES["same"]}
        for name, matrix in lies.items():
            located = mask.located(BASE, matrix)
            first = computed(located, devices()[0], max(SHAPE.height, SHAPE.width))
            assert ((first >= 0.0) & (first <= 1.0)).all()
            assert len(np.unique(first)) > 1, f"{kind} {number} {name} does nothing"
            assert differences(located, first) == []
            found = {"version": _versions(mask), "digest": key_of({"bits": first.astype("<f4").tobytes().hex()})}
            _compare(stored, f"{kind} {number} {name}", found)
    if os.environ.get(STORE_VARIABLE):
        STORED.write_text(json.dumps(dict(sorted(stored.items())), indent=1) + "\n", encoding="utf-8")


def _versions(mask: Mask) -> list[int]:
    """Its own, and those of the masks that it is made of."""
    return [mask.version, *(version for inner in mask.masks for version in _versions(inner))]


def _compare(stored: dict[str, Any], case: str, found: dict[str, Any]) -> None:
    known = stored.get(case)
    if known is not None and known["version"] == found["version"]:
        assert known == found, f"{case}: other bits than its version stands for: raise `version`"
    else:
        assert os.environ.get(STORE_VARIABLE), f"{case}: no digest of this version is stored; set {STORE_VARIABLE}=1"
        stored[case] = found


def test_keys_hold_where_a_placed_mask_lies_and_not_where_a_file_does(tmp_path: Path):
    polygon = made("polygon", CASES["polygon"][0], tmp_path)
    keys = {key_of(polygon.located(BASE, matrix).parameters()) for matrix in LIES.values()}
    assert len(keys) == len(LIES)
    (tmp_path / "other").mkdir()
    one, other = made("image", {"file": "grey.png"}, tmp_path), made("image", {"file": "grey.png"}, tmp_path / "other")
    assert key_of(one.located(BASE).parameters()) == key_of(other.located(BASE).parameters())


# ---------------------------------------------------------------- proofs
@pytest.mark.parametrize("kind", ["polygon", "stroke", "ellipse", "gradient", "image"])
def test_a_proof_of_a_sixteenth_is_the_mean_of_the_full_size(kind: str, tmp_path: Path):
    full, device = Shape(960, 1280), CpuDevice()
    small = Shape(60, 80)
    to_small = ((1 / 16, 0.0, 0.5 / 16 - 0.5), (0.0, 1 / 16, 0.5 / 16 - 0.5), (0.0, 0.0, 1.0))
    for values in CASES[kind]:
        mask = made(kind, values, tmp_path)
        tiles = [Tile(np.zeros((3, s.height, s.width), np.float32), s.whole, s) for s in (full, small)]
        at_full = mask.located(full).plane(device, tiles[0], full.whole, {}).astype(np.float64)
        proof = mask.located(full, to_small).plane(device, tiles[1], small.whole, {})
        mean = at_full.reshape(60, 16, 80, 16).mean((1, 3))
        assert np.abs(proof - mean).max() < 1e-5, "1/255 is asked for"


def test_a_scale_is_that_of_the_middle():
    located = made_of_scale(0.25)
    assert located.lie(SHAPE).scale == pytest.approx(4.0)
    assert located.lie(SHAPE).samples == 4


def made_of_scale(scale: float) -> Mask:
    mask = all_masks()["clipped"].model_validate({})
    return mask.located(BASE, exact.matrix_multiply(((scale, 0.0, 0.0), (0.0, scale, 0.0), (0.0, 0.0, 1.0)), LIES["same"]))
