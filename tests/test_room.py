"""Room on the disks: asked of every file system that is written to, less what lies there already."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tilepipe import load_recipe, make_plan, run_plan
from tilepipe.demo.frames import write_demo_frames
from tilepipe.device.memory import usable_memory_bytes
from tilepipe.errors import PlanError
from tilepipe.geometry import Grid, Shape
from tilepipe.run import room
from tilepipe.run.recipe_run import Settings
from tilepipe.run.workspace import FolderWorkspace, missing_bytes

RECIPE = """\
frames: frames/*.tif
steps:
  - match
  - blend: {method: radiance}
  - display
deliver:
  - {kind: tiff, name: master}
  - {kind: png, name: small, long_side: 100px}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented bracket of four TIFF frames of 0.09 MP and its recipe."""
    place = tmp_path_factory.mktemp("room")
    write_demo_frames(place / "frames", shape=Shape(240, 360), kind="tiff")
    (place / "job.yaml").write_text(RECIPE, encoding="utf-8")
    return place


def _settings(folder: Path, name: str) -> Settings:
    return Settings(work=folder / name / "work", out=folder / name / "out", workers=1, device="cpu")


def _free(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    monkeypatch.setattr(room.shutil, "disk_usage", lambda path: SimpleNamespace(free=count))


def test_a_disk_too_small_is_refused_before_anything_is_written(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _free(monkeypatch, 1 << 20)
    for act in (make_plan, run_plan):
        with pytest.raises(PlanError, match="disk is too small") as caught:
            act(load_recipe(folder / "job.yaml"), _settings(folder, "small"))
        assert "1 MiB free" in caught.value.faults[0].found
    assert not (folder / "small").exists()


def test_what_lies_there_already_needs_no_room(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = _settings(folder, "again")
    path = run_plan(load_recipe(folder / "job.yaml"), settings)
    _free(monkeypatch, 1 << 20)
    assert run_plan(load_recipe(folder / "job.yaml"), settings) == path


def test_the_folder_of_the_deliverables_is_asked_too(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two file systems, invented: there is room for the working pictures, and none for the files."""
    whole, settings = os.stat, _settings(folder, "apart")
    assert settings.out is not None
    settings.out.mkdir(parents=True)
    out = str(settings.out)

    def stat(path: Any, **given: Any) -> Any:
        if str(path) == out and not given:
            return SimpleNamespace(st_dev=-1)
        return whole(path, **given)

    monkeypatch.setattr(room, "os", SimpleNamespace(stat=stat))
    monkeypatch.setattr(
        room.shutil, "disk_usage", lambda path: SimpleNamespace(free=1000 if str(path) == out else 1 << 40)
    )
    with pytest.raises(PlanError, match="disk is too small") as caught:
        make_plan(load_recipe(folder / "job.yaml"), settings)
    (fault,) = caught.value.faults
    assert fault.where == out
    assert "--out" in fault.next_step


def test_half_a_picture_needs_the_other_half(tmp_path: Path) -> None:
    shape = Shape(256, 256)
    space = FolderWorkspace(tmp_path)
    place = space.place("made", "ab" * 32, shape, ("red",), "float32", Shape(128, 128))
    for index, window in list(enumerate(Grid(shape, 128, 128)))[:2]:
        place.write(index, window, np.ones((1, 128, 128), np.float32))
    place.close(complete=False)
    space.close()
    size = shape.pixels * 4
    assert size * 0.45 < missing_bytes(tmp_path, {"made": size}) <= size // 2
    assert missing_bytes(tmp_path, {"made": size, "other": 7}) - missing_bytes(tmp_path, {"made": size}) == 7


def _groups(root: Path, text: str, limits: dict[str, str]) -> Path:
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/self/cgroup").write_text(text, encoding="utf-8")
    for name, value in limits.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(value + "\n", encoding="ascii")
    return root


def test_memory_is_what_the_control_groups_leave(tmp_path: Path) -> None:
    """Invented trees in the layout of Linux's Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst."""
    plain = usable_memory_bytes(tmp_path / "none")
    assert plain > 1 << 28
    new = {"sys/fs/cgroup/memory.max": "max", "sys/fs/cgroup/a/memory.max": "200000000", "sys/fs/cgroup/a/b/memory.max": "max"}
    assert usable_memory_bytes(_groups(tmp_path / "new", "0::/a/b\n", new)) == 200_000_000
    unlimited = {"sys/fs/cgroup/memory.max": "max"}
    assert usable_memory_bytes(_groups(tmp_path / "free", "0::/\n", unlimited)) == plain
    inside = {"sys/fs/cgroup/memory.max": "100000000"}  # a container sees its own group at the top
    assert usable_memory_bytes(_groups(tmp_path / "inside", "0::/elsewhere\n", inside)) == 100_000_000
    first = "sys/fs/cgroup/memory"
    old = {f"{first}/c/memory.limit_in_bytes": "150000000", f"{first}/memory.limit_in_bytes": str(1 << 63)}
    assert usable_memory_bytes(_groups(tmp_path / "old", "5:cpu,cpuacct:/\n4:memory:/c\n", old)) == 150_000_000


def test_no_memory_at_all_is_not_the_default(folder: Path) -> None:
    with pytest.raises(PlanError, match="does not fit"):
        make_plan(load_recipe(folder / "job.yaml"), Settings(memory_bytes=0, workers=1))
    assert Settings(workers=1).wish().memory_bytes == usable_memory_bytes() // 2
