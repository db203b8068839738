"""The whole job on a small invented bracket of raw frames: same bits, resume after kills, verify, windows, faults."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tilepipe import load_recipe, run_plan, verify
from tilepipe.demo.frames import write_demo_frames
from tilepipe.device import native
from tilepipe.errors import InputError, PlanError, StoreError, VerifyError
from tilepipe.geometry import Shape
from tilepipe.run.proof import reduced_proof
from tilepipe.run.recipe_run import Settings
from tilepipe.run.window import window_proof

RECIPE = """\
frames: frames/*.dng
steps:
  - match
  - align
  - blend: {method: radiance}
  - exposure: {stops: +0.5EV}
  - local_contrast: {range: 0.5, detail: 1.15}
  - display
deliver:
  - {kind: tiff, name: master}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bracket of four raw frames of 0.5 MP and its recipe."""
    place = tmp_path_factory.mktemp("job")
    write_demo_frames(place / "frames", shape=Shape(578, 866))
    (place / "job.yaml").write_text(RECIPE, encoding="utf-8")
    return place


def _receipt(folder: Path, name: str, **settings: Any) -> dict[str, Any]:
    """Runs the job in a working folder of its own and reads its receipt."""
    own = Settings(work=folder / name / "work", out=folder / name / "out", **settings)
    path = run_plan(load_recipe(folder / "job.yaml"), own)
    told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return told


@pytest.fixture(scope="module")
def first(folder: Path) -> dict[str, Any]:
    return _receipt(folder, "first", tile_px=1024, level=2, workers=1)


@pytest.mark.parametrize(("tile", "level", "workers"), [(256, 6, 2), (384, 3, 1), (2048, 4, 2)])
def test_tiles_levels_and_workers_give_one_root(
    folder: Path, first: dict[str, Any], tile: int, level: int, workers: int
) -> None:
    told = _receipt(folder, f"tile-{tile}", tile_px=tile, level=level, workers=workers)
    assert told["result"]["root"] == first["result"]["root"]
    assert told["result"]["regions"] == first["result"]["regions"]
    assert told["deliverables"][0]["digest"] == first["deliverables"][0]["digest"]


@pytest.mark.parametrize("variant", native.built_variants())
def test_every_instruction_set_gives_one_root(folder: Path, first: dict[str, Any], variant: str) -> None:
    environment = {**os.environ, native.VARIANT_VARIABLE: variant}
    told = _run_outside(folder, f"variant-{variant}", environment)
    assert told["result"]["root"] == first["result"]["root"]
    assert variant in told["device"]


@pytest.mark.skipif(sys.platform != "linux", reason="the tunables of glibc")
def test_host_mathematics_of_other_processors_give_one_root(folder: Path, first: dict[str, Any]) -> None:
    environment = {
        **os.environ, "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX512F,-AVX2_Usable,-FMA_Usable",
        "NPY_DISABLE_CPU_FEATURES": "AVX512F AVX512CD AVX512_SKX AVX2 FMA3", "OPENBLAS_CORETYPE": "Nehalem",
    }
    told = _run_outside(folder, "old", environment)
    assert told["result"]["root"] == first["result"]["root"]


def _run_outside(folder: Path, name: str, environment: dict[str, str], workers: int = 2) -> dict[str, Any]:
    """The same job as a process of its own."""
    done = subprocess.run(_words(folder, name, workers), env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told: dict[str, Any] = json.loads((folder / name / "out" / "job.receipt.json").read_text(encoding="utf-8"))
    return told


def _words(folder: Path, name: str, workers: int = 2) -> list[str]:
    place = folder / name
    return [
        sys.executable, "-m", "tilepipe.cli", "run", str(folder / "job.yaml"), "--work", str(place / "work"),
        "--out", str(place / "out"), "--workers", str(workers), "--tile", "128", "--json",
    ]


def test_a_run_killed_again_and_again_gives_one_root(folder: Path, first: dict[str, Any]) -> None:
    chance = random.Random(5)
    kills = 0
    while kills < 6:
        child = subprocess.Popen(_words(folder, "killed"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(chance.uniform(0.8, 2.5))
        if child.poll() is not None:
            break
        child.send_signal(signal.SIGKILL)
        child.wait()
        kills += 1
    assert kills >= 1
    told = _run_outside(folder, "killed", dict(os.environ))
    assert told["result"]["root"] == first["result"]["root"]
    assert not list((folder / "killed" / "out").glob("*.part"))


def test_an_interrupt_leaves_a_state_to_go_on_from(folder: Path, first: dict[str, Any]) -> None:
    child = subprocess.Popen(_words(folder, "stopped"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout is not None
    for line in child.stdout:
        if '"blend"' in line and '"tile"' in line:
            child.send_signal(signal.SIGINT)
            break
    _, told = child.communicate()
    assert child.returncode == 130, told
    assert "goes on from here" in told
    assert _run_outside(folder, "stopped", dict(os.environ))["result"]["root"] == first["result"]["root"]


def test_a_later_change_keeps_what_does_not_depend_on_it(folder: Path) -> None:
    settings = Settings(work=folder / "edit" / "work", out=folder / "edit" / "out", tile_px=256)
    recipe = folder / "job.yaml"
    run_plan(load_recipe(recipe), settings)
    events: list[dict[str, Any]] = []
    run_plan(load_recipe(recipe, sets=["steps.local_contrast.detail=1.3"]), settings, events.append)
    done = {event["name"]: event["done"] == event["tiles"] for event in events if event["event"] == "pass"}
    assert done["blend"]
    assert not done["local_contrast-up"]
    assert "survey" not in done


def test_verify_accepts_a_true_receipt_and_names_a_false_region(folder: Path, first: dict[str, Any]) -> None:
    path = folder / "first" / "out" / "job.receipt.json"
    checked = verify(path, share_percent=100, settings=Settings(tile_px=256))
    assert checked.equal == checked.regions == len(first["result"]["regions"])
    told = json.loads(path.read_text(encoding="utf-8"))
    told["result"]["regions"][1] = "00" * 32
    false = path.with_name("false.receipt.json")
    false.write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(VerifyError, match="354×512\\+512\\+0"):
        verify(false, share_percent=100)


def test_a_window_has_the_bits_of_the_run(folder: Path, first: dict[str, Any]) -> None:
    settings = Settings(work=folder / "window" / "work", out=folder / "window" / "out", tile_px=256)
    path = window_proof(load_recipe(folder / "job.yaml"), settings, (0, 0), (600, 530))
    told = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    assert told["regions"] == {str(index): digest for index, digest in enumerate(first["result"]["regions"])}
    with pytest.raises(InputError, match="outside"):
        window_proof(load_recipe(folder / "job.yaml"), settings, (9000, 0), (10, 10))


def test_a_proof_is_made_of_reduced_frames(folder: Path) -> None:
    settings = Settings(work=folder / "proof" / "work", out=folder / "proof" / "out")
    assert reduced_proof(load_recipe(folder / "job.yaml"), settings, 300).stat().st_size > 1000


def test_a_folder_in_use_is_refused(folder: Path) -> None:
    from tilepipe.store.ledger import FolderLock

    lock = FolderLock(folder / "busy" / "work")
    with pytest.raises(StoreError, match="another run"):
        _receipt(folder, "busy")
    lock.release()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_refused_before_the_work(folder: Path) -> None:
    place = folder / "locked"
    place.mkdir()
    place.chmod(0o555)
    with pytest.raises(PlanError, match="nothing can be written"):
        _receipt(folder, "locked")


def test_frames_of_different_sizes_are_refused(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder / "frames", tmp_path / "frames")
    write_demo_frames(tmp_path / "other", shape=Shape(200, 300))
    shutil.copy(tmp_path / "other" / "frame_1.dng", tmp_path / "frames" / "frame_9.dng")
    (tmp_path / "job.yaml").write_text(RECIPE, encoding="utf-8")
    with pytest.raises(InputError, match="different sizes"):
        run_plan(load_recipe(tmp_path / "job.yaml"), Settings(work=tmp_path / "work", out=tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_too_little_memory_is_refused_and_nothing_written(folder: Path) -> None:
    with pytest.raises(PlanError, match="does not fit"):
        _receipt(folder, "tiny", memory_bytes=64 << 20)
    assert not (folder / "tiny").exists()
