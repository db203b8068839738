"""The ledger survives torn lines, foreign keys and other tile sizes; a folder serves one run at a time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tilepipe.errors import StoreError
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.run.workspace import FolderWorkspace
from tilepipe.store.ledger import FolderLock, Ledger
from tilepipe.store.picture import Array, StoredPicture, chunk_for


def _begun(path: Path, key: str = "k") -> Ledger:
    return Ledger(path, key, {"tile": [256, 256]})


def _found(path: Path, key: str = "k") -> Ledger:
    """What a later run finds, closed again."""
    ledger = _begun(path, key)
    ledger.close()
    return ledger


def test_finished_tiles_are_remembered(tmp_path: Path) -> None:
    ledger = _begun(tmp_path / "l.jsonl")
    for index in (3, 1, 2):
        ledger.tile_done(index, ())
    ledger.close()
    again = _begun(tmp_path / "l.jsonl")
    assert again.finished == {1, 2, 3}
    assert not again.complete
    again.close(complete=True)
    assert _found(tmp_path / "l.jsonl").complete


@pytest.mark.parametrize("cut", range(1, 30, 4))
def test_a_torn_tail_is_dropped_and_the_rest_kept(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "l.jsonl"
    ledger = _begun(path)
    ledger.tile_done(1, ())
    ledger.close()
    ledger = _begun(path)
    ledger.tile_done(2, ())
    ledger.close()
    path.write_bytes(path.read_bytes()[:-cut])
    found = _begun(path)
    assert found.finished <= {1}
    found.tile_done(7, ())
    found.close()
    assert 7 in _found(path).finished


def test_a_flipped_bit_ends_what_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "l.jsonl"
    ledger = _begun(path)
    ledger.tile_done(1, ())
    ledger.close()
    data = bytearray(path.read_bytes())
    data[-5] ^= 1
    path.write_bytes(bytes(data))
    assert _found(path).finished == set()


def test_another_key_starts_anew(tmp_path: Path) -> None:
    ledger = _begun(tmp_path / "l.jsonl")
    ledger.tile_done(1, ())
    ledger.close()
    assert _found(tmp_path / "l.jsonl", key="other").fresh


def test_a_folder_is_held_by_one_run(tmp_path: Path) -> None:
    lock = FolderLock(tmp_path)
    with pytest.raises(StoreError, match="another run"):
        FolderLock(tmp_path)
    lock.release()
    FolderLock(tmp_path).release()


def test_a_resumed_picture_keeps_its_tiles(tmp_path: Path) -> None:
    space = FolderWorkspace(tmp_path)
    shape = Shape(700, 900)
    place = space.place("blend", "ab" * 32, shape, ("red",), "float32", Shape(256, 256))
    place.write(0, Window(0, 0, 256, 256), np.ones((1, 256, 256), np.float32))
    place.close(complete=False)
    again = space.place("blend", "ab" * 32, shape, ("red",), "float32", Shape(512, 512))
    assert again.tile == Shape(256, 256)
    assert again.finished == {0}
    assert (again.picture.read(Window(0, 0, 256, 256)) == 1).all()
    again.close(complete=False)
    space.close()


def test_tiles_of_nothing_but_zeros_are_noted_too(tmp_path: Path) -> None:
    space = FolderWorkspace(tmp_path)
    shape = Shape(256, 256)
    place = space.place("empty", "cd" * 32, shape, ("red",), "float32", Shape(128, 128))
    for index, window in enumerate(Grid(shape, 128, 128)):
        place.write(index, window, np.zeros((1, 128, 128), np.float32))
    place.close(complete=True)
    again = space.place("empty", "cd" * 32, shape, ("red",), "float32", Shape(128, 128))
    assert again.complete
    assert (again.picture.read(shape.whole) == 0).all()
    again.close(complete=False)
    space.close()


def test_windows_of_a_stored_picture_equal_the_array(tmp_path: Path) -> None:
    shape = Shape(333, 517)
    pixels = np.arange(3 * shape.pixels, dtype=np.float32).reshape(3, 333, 517)
    chunk = Shape(chunk_for(128), chunk_for(128))
    stored = StoredPicture.create(tmp_path / "p.zarr", shape, ("red", "green", "blue"), "float32", chunk)
    for window in Grid(shape, 128, 128):
        stored.write(window, pixels[:, window.rows, window.cols])
    again = StoredPicture.open(tmp_path / "p.zarr")
    for window in (shape.whole, Window(100, 130, 200, 300), Window(332, 0, 1, 517)):
        assert (again.read(window).view(np.uint32) == pixels[:, window.rows, window.cols].view(np.uint32)).all()
    assert all(path.exists() for path in again.chunk_files(shape.whole))


def test_a_damaged_store_is_told(tmp_path: Path) -> None:
    (tmp_path / "p.zarr").mkdir()
    with pytest.raises(StoreError, match="cannot be opened"):
        StoredPicture.open(tmp_path / "p.zarr")


def test_only_own_entries_are_dropped(tmp_path: Path) -> None:
    space = FolderWorkspace(tmp_path)
    (tmp_path / "IMG-1.tif").write_bytes(b"a photograph")
    (tmp_path / "holiday-2020").mkdir()
    (tmp_path / ("blended-" + "0" * 20)).mkdir()
    space.drop_unused()
    space.close()
    assert {entry.name for entry in tmp_path.iterdir()} == {"lock", "IMG-1.tif", "holiday-2020"}


def _filled(folder: Path, pixels: Array, tile: Shape) -> tuple[Array, list[int]]:
    """A picture after a run filled what was missing with `pixels`, and which tiles that were."""
    workspace = FolderWorkspace(folder)
    shape = Shape(*pixels.shape[1:])
    place = workspace.place("master", "0" * 64, shape, ("red",), "float32", tile)
    grid = Grid(shape, place.tile.height, place.tile.width)
    made = [index for index in range(len(grid)) if index not in place.finished]
    for index in made:
        place.write(index, grid[index], pixels[:, grid[index].rows, grid[index].cols])
    place.close(complete=True)
    workspace.close()
    return place.picture.read(shape.whole), made


def test_a_chunk_that_was_deleted_is_made_again_and_nothing_else(tmp_path: Path) -> None:
    pixels = np.arange(1, 1 + 1024 * 1536, dtype=np.float32).reshape(1, 1024, 1536)
    pixels[:, :512, 512:1024] = 0  # a chunk of zeros has no file, and is not missed
    tile = Shape(512, 512)
    assert _filled(tmp_path, pixels, tile)[1] == [0, 1, 2, 3, 4, 5]
    assert _filled(tmp_path, pixels, tile)[1] == []
    (folder,) = tmp_path.glob("master-*")
    (folder / "pixels.zarr" / "c" / "0" / "1" / "2").unlink()
    found, made = _filled(tmp_path, pixels, tile)
    assert made == [5]
    assert np.array_equal(found.view(np.uint32), pixels.view(np.uint32))
    assert _filled(tmp_path, pixels, tile)[1] == []
