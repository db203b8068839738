"""The command line: odd input, full disks and read-only folders end in a sentence and an exit code, never in a traceback."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from rich.console import Console

from tilepipe import cli
from tilepipe.errors import Fault, TilepipeError
from tilepipe.formats.write_pending import Pending
from tilepipe.run import receipt, recipe_run
from tilepipe.run.plan_text import plan_table
from tilepipe.run.progress import TerminalBars
from tilepipe.run.recipe_run import make_plan
from tilepipe.store import ledger, picture

RECIPE = """\
frames:
  - {file: dark.tif, light: -2EV, encoding: linear}
  - {file: bright.tif, light: 0EV, encoding: linear}
steps: [{blend: {method: radiance}}, {exposure: {stops: +0.5EV}}, display]
deliver: tiff
"""
Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the command line in this process: its exit code and all that it said."""

    def call(*words: Any) -> tuple[int, str]:
        handler = signal.getsignal(signal.SIGINT)
        monkeypatch.setattr(sys, "argv", ["tilepipe", *map(str, words)])
        try:
            cli.main()
            code = 0
        except SystemExit as ended:
            code = int(ended.code or 0)
        finally:
            signal.signal(signal.SIGINT, handler)
        said = capsys.readouterr()
        return code, said.out + said.err

    return call


def write_job(folder: Path, recipe: str = RECIPE, shape: tuple[int, int] = (40, 60)) -> Path:
    """Two invented frames, a smooth ramp seen at two exposures, and a recipe."""
    folder.mkdir(parents=True, exist_ok=True)
    ramp = np.linspace(0.02, 0.9, shape[0] * shape[1] * 3).reshape(*shape, 3)
    for name, light in (("dark", 0.25), ("bright", 1.0)):
        codes = np.rint(ramp * light * 65535).astype(np.uint16)
        tifffile.imwrite(folder / f"{name}.tif", codes, photometric="rgb")
    (folder / "job.yaml").write_text(recipe, encoding="utf-8")
    return folder / "job.yaml"


@contextmanager
def without_privileges(*readable: Path) -> Iterator[None]:
    """As a user whom permissions bind; `readable` and what is above them may be entered."""
    for place in readable:
        for folder in (place, *place.parents[:5]):
            folder.chmod(folder.stat().st_mode | 0o055)
    privileged = os.geteuid() == 0
    try:
        if privileged:
            os.seteuid(65534)
        yield
    finally:
        if privileged:
            os.seteuid(0)


def test_a_job_runs_and_is_verified(run: Run, tmp_path: Path) -> None:
    job = write_job(tmp_path / "Küste am Abend [1]")
    code, said = run("run", job)
    assert (code, "root digest" in said) == (0, True)
    told = job.parent / "out" / "job" / "job.receipt.json"
    code, said = run("verify", told, "--share", 100)
    assert (code, "all equal" in said) == (0, True)
    assert not list(told.parent.glob("verify-*"))


@pytest.mark.parametrize("shape", [(1, 1), (1, 37), (37, 1)])
def test_the_smallest_frames_run(run: Run, tmp_path: Path, shape: tuple[int, int]) -> None:
    code, said = run("run", write_job(tmp_path, shape=shape))
    assert code == 0, said


def test_a_changed_recipe_is_named_before_anything_is_computed(run: Run, tmp_path: Path) -> None:
    job = write_job(tmp_path)
    run("run", job)
    told = tmp_path / "out" / "job" / "job.receipt.json"
    job.write_text(RECIPE.replace("+0.5EV", "+0.7EV").replace("display]", "tone_curve, display]"), encoding="utf-8")
    code, said = run("verify", told)
    assert code == 2
    assert "steps.exposure.stops" in said
    assert "0.5EV, as the receipt says" in said
    job.write_text(RECIPE.replace("-2EV", "-1EV").replace("[{blend", "[match, {blend"), encoding="utf-8")
    code, said = run("verify", told)
    assert code == 2
    assert "frames[0].light" in said
    assert "match, blend, exposure, display" in said
    job.write_text(RECIPE.replace("deliver: tiff", "deliver: png"), encoding="utf-8")
    assert run("verify", told)[0] == 0  # what is delivered is not what is vouched for


def test_verify_needs_no_folder_that_can_be_written_beside_the_receipt(run: Run, tmp_path: Path) -> None:
    job = write_job(tmp_path)
    run("run", job)
    out = tmp_path / "out" / "job"
    out.chmod(0o555)
    with without_privileges(out):
        code, said = run("verify", out / "job.receipt.json", "--workers", 1)
    out.chmod(0o755)
    assert code == 0, said


@pytest.mark.parametrize(
    ("damage", "word"),
    [
        ("{", "no receipt"), ("[]", "no receipt"), ("{}", "no receipt"), ("[" * 100_000, "no receipt"),
        ('{"format": "tilepipe receipt 1"}', "result"),
    ],
)
def test_what_is_no_receipt_is_told(run: Run, tmp_path: Path, damage: str, word: str) -> None:
    path = tmp_path / "job.receipt.json"
    path.write_text(damage, encoding="utf-8")
    code, said = run("verify", path)
    assert (code, word in said, str(path) in said) == (2, True, True)


def test_a_damaged_list_of_regions_is_told(run: Run, tmp_path: Path) -> None:
    run("run", write_job(tmp_path))
    path = tmp_path / "out" / "job" / "job.receipt.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    told["result"]["regions"] = []
    path.write_text(json.dumps(told), encoding="utf-8")
    code, said = run("verify", path)
    assert (code, "one digest for each region" in said) == (4, True)


def full(*_: Any, **__: Any) -> Any:
    """The system's own refusal: /dev/full has no room, ever."""
    Path("/dev/full").write_bytes(b"x")


PLACES = {
    "a working picture": (picture.StoredPicture, "write"),
    "a working picture's beginning": (picture.StoredPicture, "create"),
    "the ledger": (ledger.Ledger, "_append"),
    "what is remembered": (recipe_run.FolderWorkspace, "remember"),
    "the receipt": (receipt, "Pending"),
    "the lock": (recipe_run, "FolderWorkspace"),
}


@pytest.mark.parametrize("place", PLACES)
def test_a_full_disk_is_a_sentence_wherever_it_is_met(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    job = write_job(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(*PLACES[place], full)
        code, said = run("run", job)
    assert (code, "disk is full" in said, "Traceback" in said) == (2, True, False)
    code, said = run("run", job)  # and the next run goes on
    assert code == 0, said


def test_a_refusal_inside_the_stores_codecs_is_a_sentence(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> Any:
        raise RuntimeError("i/o error: No space left on device (os error 28)")

    monkeypatch.setattr(picture.StoredPicture, "write", refuse)
    code, said = run("run", write_job(tmp_path))
    assert (code, "disk is full" in said) == (2, True)


def test_used_up_memory_is_a_sentence(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> Any:
        raise MemoryError("Unable to allocate 9 GiB")

    monkeypatch.setattr(recipe_run, "deliver_all", refuse)
    code, said = run("run", write_job(tmp_path))
    assert (code, "memory is used up" in said, "--memory" in said) == (2, True, True)


def test_an_unknown_fault_is_not_hidden(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise RuntimeError("a fault of the program")

    monkeypatch.setattr(recipe_run, "deliver_all", fail)
    with pytest.raises(RuntimeError, match="a fault of the program"):
        run("run", write_job(tmp_path))


def test_new_says_when_there_is_no_bracket(run: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.dng").write_text("a text", encoding="utf-8")
    code, said = run("new", tmp_path)
    assert (code, "no bracket was found" in said) == (2, True)
    (tmp_path / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    code, said = run("new", tmp_path)
    assert (code, "left out" in said, "broken.png" in said) == (2, True, True)
    assert not list(tmp_path.glob("*.yaml"))


def test_files_that_only_claim_to_be_pictures_are_told(run: Run, tmp_path: Path) -> None:
    write_job(tmp_path)
    (tmp_path / "notes.dng").write_text("a text", encoding="utf-8")
    (tmp_path / "empty.TIF").write_bytes(b"")
    code, said = run("new", tmp_path)
    assert (code, "(2 frames)" in said) == (0, True)
    assert "notes.dng: this kind of file is not known" in said
    assert "empty.TIF: this file is empty" in said


ODD: list[tuple[list[str], str]] = [
    (["plan", "."], "name a recipe in this folder: `job.yaml`, `tabs.yaml`"),
    (["plan", "empty"], "`tilepipe new FOLDER`"),
    (["plan", "nothere.yaml"], "no such file"),
    (["run", "dark.tif"], "is a picture, not a recipe"),
    (["plan", "tabs.yaml"], "with spaces"),
    (["run", "job.yaml", "--memory", "0B"], "too little"),
    (["run", "job.yaml", "--device", "abacus"], "this is no device"),
    (["run", "job.yaml", "--set", "nonsense"], "steps.ID.PARAMETER=VALUE"),
    (["run", "job.yaml", "--work", "job.yaml"], "not a folder"),
    (["run", "job.yaml", "--out", "job.yaml/out"], "not a folder"),
    (["demo", "dark.tif"], "is a file"),
    (["verify", "empty"], "cannot be read"),
    (["verify", "empty", "--share", "nan"], "no share of the picture"),
    (["proof", "job.yaml", "--at", "900,900"], "outside the picture"),
    (["new", "nothere"], "does not exist"),
    (["stages", "nothing"], "is not a stage"),
]


@pytest.mark.parametrize(("words", "sentence"), ODD, ids=lambda value: " ".join(value) if isinstance(value, list) else "")
def test_odd_words_end_in_a_sentence(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], sentence: str
) -> None:
    write_job(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "tabs.yaml").write_text("frames: dark.tif\nsteps:\n\t- display\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    code, said = run(*words)
    assert (code, sentence in said) == (2, True), said


def test_a_fault_that_several_frames_share_is_told_once() -> None:
    fault = Fault("is wrong", "here")
    assert str(TilepipeError(faults=[fault, fault])) == "here: is wrong"


def test_a_proof_that_does_not_fit_names_its_own_folder(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = write_job(tmp_path)
    monkeypatch.setattr(Pending, "commit", full)
    code, said = run("proof", job)
    assert (code, "disk is full" in said, "with --out" in said) == (2, True, True), said
    assert not list((tmp_path / "out" / "job").iterdir())


def test_a_file_name_that_is_no_text_is_told(run: Run, tmp_path: Path) -> None:
    write_job(tmp_path)
    (tmp_path / "job.yaml").unlink()
    os.rename(tmp_path / "dark.tif", os.fsencode(tmp_path) + b"/d\xff.tif")
    code, said = run("new", tmp_path)
    assert (code, "rename the file" in said) == (2, True)


def test_a_users_folder_is_never_replaced_by_a_file(run: Run, tmp_path: Path) -> None:
    job = write_job(tmp_path)
    kept = tmp_path / "out" / "job" / "master.tif" / "precious"
    kept.parent.mkdir(parents=True)
    kept.write_text("of the user", encoding="utf-8")
    code, said = run("run", job)
    assert (code, "a folder has the name of this file" in said) == (2, True)
    assert kept.read_text(encoding="utf-8") == "of the user"


def test_a_damaged_working_folder_is_told_or_made_anew(run: Run, tmp_path: Path) -> None:
    job = write_job(tmp_path)
    assert run("run", job)[0] == 0
    work = tmp_path / "work" / "job"
    for content in ("garbage", "[]", '{"key": 1}'):
        for path in work.glob("*.json"):
            path.write_text(content, encoding="utf-8")
        assert run("run", job)[0] == 0
    (chunk,) = (path for path in work.glob("result-*/pixels.zarr/c/**/*") if path.is_file())
    chunk.write_bytes(chunk.read_bytes()[:10])
    (tmp_path / "out" / "job" / "master.tif").unlink()
    code, said = run("run", job)
    assert (code, "the working picture is damaged" in said, "delete this folder" in said) == (2, True, True), said


def test_new_leaves_single_frames_out(run: Run, tmp_path: Path) -> None:
    write_job(tmp_path)
    (tmp_path / "job.yaml").unlink()
    tifffile.imwrite(tmp_path / "other.tif", np.zeros((9, 9, 3), np.uint8), photometric="rgb")
    code, said = run("new", tmp_path)
    assert code == 0
    assert "(2 frames)" in said
    assert "1 frame that belongs to no bracket" in said
    assert "kept" in run("new", tmp_path)[1]


def test_new_in_a_read_only_folder_is_a_sentence(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "card"
    write_job(folder)
    (folder / "job.yaml").unlink()
    folder.chmod(0o555)
    with without_privileges(folder):
        code, said = run("new", folder)
    folder.chmod(0o755)
    assert (code, "cannot be written" in said, "copy the frames" in said) == (2, True, True)
    assert not list(folder.glob("*.yaml"))


def test_brackets_in_names_and_warnings_are_shown_as_they_are() -> None:
    out = io.StringIO()
    bars = TerminalBars(Console(file=out, force_terminal=True, width=200))
    with bars:
        bars({"event": "pass", "time": 0.0, "name": "write [bold]a[/b].tif", "tiles": 2, "done": 0})
        bars({"event": "tile", "time": 1.0, "tiles": 2, "done": 1})
        bars({"event": "warning", "time": 2.0, "text": "[/x] deliver[0] is odd", "next_step": "look at [it]"})
    shown = out.getvalue()
    assert "write [bold]a[/b].tif" in shown
    assert "[/x] deliver[0] is odd" in shown
    assert "next: look at [it]" in shown


def test_a_plan_shows_its_name_as_it_is(tmp_path: Path) -> None:
    from tilepipe import load_recipe

    job = write_job(tmp_path)
    job = job.rename(tmp_path / "a [bold]b[x].yaml")
    recipe = load_recipe(job)
    out = io.StringIO()
    Console(file=out, width=200).print(plan_table(make_plan(recipe), recipe))
    assert "plan of a [bold]b[x]" in out.getvalue()


def test_a_folder_without_locks_is_not_another_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno
    import fcntl

    def refuse(*_: Any) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(ledger.StoreError, match="cannot be locked"):
        ledger.FolderLock(tmp_path)


def test_cores_and_memory_are_told_on_other_systems(monkeypatch: pytest.MonkeyPatch) -> None:
    from tilepipe.device import cores

    here = receipt.peak_bytes()
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    assert cores.usable_cores() == (os.cpu_count() or 1)
    monkeypatch.setattr(sys, "platform", "darwin")
    assert receipt.peak_bytes() < here / 512  # getrusage(2) there counts bytes


SLOW = """
import sys, time
from tilepipe import cli
from tilepipe.run import engine
from tilepipe.run.execute import Execution

def slow(self, finish=True):
    def work(index):
        print("begun", flush=True)
        time.sleep(60)
    self.engine.run_bag("slow", [0], work)

Execution.run = slow
cli.main()
"""


def test_a_second_interrupt_ends_it_at_once(tmp_path: Path) -> None:
    """Tiles in flight may take a minute: who asks twice does not wait for them."""
    words = [sys.executable, "-c", SLOW, "run", str(write_job(tmp_path)), "--json"]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    while "begun" not in process.stdout.readline():
        assert process.poll() is None
    time.sleep(0.5)  # until the engine waits for its task: an interrupt amid the start of a thread leaves it unjoined
    process.send_signal(signal.SIGINT)
    time.sleep(0.5)
    assert process.poll() is None
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=10)
    assert process.returncode == 130
    assert said.strip() == "tilepipe: stopped at once"


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path) -> None:
    words = f"{sys.executable} -m tilepipe.cli stages --schema | head -c 10; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", words], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
