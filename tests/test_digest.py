"""Keys spell one value in one way; pixel digests know the picture, not the tiles."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from tilepipe.digest import (
    BLOCK_PX,
    block_digests,
    block_places,
    canonical_json,
    key_of,
    picture_digest,
    region_digest,
    region_digests,
    regions_of_blocks,
    root_digest,
)
from tilepipe.geometry import Grid, Shape, Window

SHAPE = Shape(700, 1100)


def picture(shape: Shape = SHAPE, planes: int = 3, dtype: str = "float32") -> np.ndarray:
    return np.random.default_rng(1).integers(0, 60000, (planes, shape.height, shape.width)).astype(dtype)


def blocks_of(array: np.ndarray, shape: Shape, tile_px: int) -> dict[tuple[int, int], bytes]:
    found = {}
    for window in Grid(shape, tile_px, tile_px):
        digests = block_digests(array[:, window.rows, window.cols], window, shape)
        found.update(zip(block_places(window), digests, strict=True))
    return found


def test_canonical_json_has_one_spelling():
    spelled = canonical_json({"b": (1, 2.5, None), "a": {"ü": True, "x": -0.0}})
    assert spelled == rb'{"a":{"x":"-0x0.0p+0","\u00fc":true},"b":[1,"0x1.4000000000000p+1",null]}'
    assert canonical_json({}) == b"{}"
    assert canonical_json([(), {}]) == b"[[],{}]"
    assert canonical_json({"a": 1, "b": 2}) == canonical_json({"b": 2, "a": 1})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), [{"a": -float("inf")}]])
def test_what_is_not_finite_is_refused(value: object):
    with pytest.raises(ValueError, match="not a finite number"):
        canonical_json(value)


@pytest.mark.parametrize("value", [{1: 2}, {1, 2}, b"x", np.float32(1), np.zeros(2), object()])
def test_what_json_cannot_say_is_refused(value: object):
    with pytest.raises(TypeError):
        canonical_json(value)


def test_key_is_blake2b_256_of_the_canonical_text():
    value = {"stage": "exposure", "stops": 0.5}
    expected = hashlib.blake2b(b'{"stage":"exposure","stops":"0x1.0000000000000p-1"}', digest_size=32).hexdigest()
    assert key_of(value) == expected
    assert key_of({"stops": 0.5000000000000001, "stage": "exposure"}) != expected
    assert key_of(1) != key_of(1.0) != key_of(True)


def test_a_block_is_hashed_plane_by_plane_in_little_endian():
    array = picture()
    digests = block_digests(array, SHAPE.whole, SHAPE)
    expected = hashlib.blake2b(array[:, 128:256, 0:128].astype("<f4").tobytes(), digest_size=32).digest()
    assert digests[9] == expected
    corner = hashlib.blake2b(array[:, 640:700, 1024:1100].astype("<f4").tobytes(), digest_size=32).digest()
    assert digests[-1] == corner
    assert len(digests) == 6 * 9


@pytest.mark.parametrize("dtype", ["float32", "uint16", "uint8"])
@pytest.mark.parametrize("tile_px", [128, 256, 384, 1024, 2048])
def test_tiles_do_not_change_the_root(dtype: str, tile_px: int):
    array = picture(dtype=dtype)
    regions = regions_of_blocks(blocks_of(array, SHAPE, tile_px), SHAPE)
    assert regions == region_digests(array, SHAPE.whole, SHAPE)
    assert root_digest(regions, SHAPE, 3, dtype) == picture_digest(array)


def test_a_region_hashes_its_blocks_row_by_row():
    array = picture()
    window = Window(512, 512, 188, 512)
    blocks = block_digests(array[:, window.rows, window.cols], window, SHAPE)
    regions = region_digests(array, SHAPE.whole, SHAPE)
    assert regions[4] == region_digest(blocks) == hashlib.blake2b(b"".join(blocks), digest_size=32).digest()


def test_byte_order_and_strides_do_not_matter_but_every_bit_does():
    array = picture()
    interleaved = np.ascontiguousarray(np.moveaxis(array, 0, 2))
    assert picture_digest(np.moveaxis(interleaved, 2, 0)) == picture_digest(array)
    assert picture_digest(array.astype(">f4")) == picture_digest(array)
    changed = array.copy()
    changed.view(np.uint32)[2, 699, 1099] ^= 1
    assert picture_digest(changed) != picture_digest(array)


def test_size_planes_and_dtype_enter_the_root():
    zeros = np.zeros((1, 128, 256), np.float32)
    roots = {picture_digest(zeros), picture_digest(zeros.view(np.uint32)), picture_digest(zeros.reshape(1, 256, 128)),
             picture_digest(zeros.reshape(2, 128, 128))}
    assert len(roots) == 4


@pytest.mark.parametrize("window", [
    Window(1, 0, 128, 128), Window(0, 64, 128, 128), Window(0, 0, 100, 128), Window(0, 0, 128, 0),
    Window(640, 1024, 128, 128), Window(-128, 0, 128, 128),
])
def test_windows_off_the_blocks_are_refused(window: Window):
    array = np.zeros((1, window.height, window.width), np.float32)
    with pytest.raises(ValueError, match="not aligned to 128 px"):
        block_digests(array, window, SHAPE)


def test_a_missing_block_and_a_missing_region_are_named():
    array = picture()
    blocks = blocks_of(array, SHAPE, BLOCK_PX)
    del blocks[(3, 2)]
    with pytest.raises(ValueError, match=r"block \(3, 2\)"):
        regions_of_blocks(blocks, SHAPE)
    with pytest.raises(ValueError, match="has 6 regions, not 0"):
        root_digest([], SHAPE, 3, "float32")
