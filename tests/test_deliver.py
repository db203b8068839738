"""Deliverables read the same in other libraries, are whole or absent, and know no tiles, workers or interruptions."""

from __future__ import annotations

import dataclasses
import errno
import io
import os
import signal
import subprocess
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
import pyvips
import tifffile
import zarr
from ome_zarr_models.v05 import Image as OmeImage
from PIL import Image, ImageCms

from tilepipe.colour.deliverable import encode_tile, icc_profile
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.digest import picture_digest
from tilepipe.errors import PlanError, StoreError
from tilepipe.formats import open_frame, write_png, write_tiff
from tilepipe.formats.frame import Encoding, Exposure, FrameInfo
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.geometry import Shape
from tilepipe.plan.costs import DELIVER_PLANE_BYTES
from tilepipe.recipe.deliver import Deliverable, Jpeg, LinearTiff, OmeZarr, Png, Tiff
from tilepipe.recipe.model import Recipe
from tilepipe.run import deliver_proof, deliver_source
from tilepipe.run.deliver import check_deliverables, deliver_all, file_bytes, reduced_bytes
from tilepipe.run.digests import picture_digests
from tilepipe.run.engine import Engine
from tilepipe.run.workspace import PIXELS, FolderWorkspace, MemoryWorkspace
from tilepipe.stages.resize import Resize
from tilepipe.store.picture import MemoryPicture, StoredPicture
from tilepipe.store.pyramid_store import halved_tile
from tilepipe.units import Length

SHAPE = Shape(700, 1100)
SPACES = ("srgb", "display-p3", "rec2020", "romm")
INFO = FrameInfo(
    path="/no/such/frame.dng", shape=SHAPE, kind="colour", dtype="uint16", channels=3, has_coverage=False,
    encoding=Encoding("linear", "rec2020", "invented"), exposure=Exposure(1 / 125, 8.0, 200.0), orientation=1,
    camera=None, tiled=True, timestamp=datetime(2024, 9, 21, 18, 52, 10), bytes_on_disk=1, facts_for_key={},
    make="Invented", model="Landscape 1", lens="Wide 24 mm",
)


Run = SimpleNamespace  # what delivering asks of a run: the finished picture, its key, the base frame, the means


def light(shape: Shape, covered: bool, scale: float = 1.0) -> MemoryPicture:
    """Invented: smooth colour with a little noise, within and a little beyond 0..1; coverage with a ragged corner."""
    random = np.random.default_rng(2)
    y, x = np.mgrid[: shape.height, : shape.width].astype(np.float32)
    waves = [np.sin(y / (37 + 20 * k)) * np.cos(x / (53 - 9 * k)) for k in range(3)]
    planes = np.stack(waves) * 0.52 + 0.5 + random.normal(0, 0.004, (3, *y.shape))
    planes = planes.astype(np.float32) * np.float32(scale)
    if not covered:
        return MemoryPicture(planes, COLOUR)
    share = np.clip((x + y - 150) / 4, 0, 1)[None]
    return MemoryPicture(np.concatenate([np.where(share > 0, planes, 0), share]), (*COLOUR, COVERAGE))


@pytest.fixture(scope="module")
def device() -> CpuDevice:
    return CpuDevice()


@pytest.fixture
def make_run(tmp_path: Path, device: CpuDevice) -> Iterator[Callable[..., Run]]:
    engines: list[Engine] = []

    def make(shape: Shape = SHAPE, covered: bool = False, workers: int = 2, workspace: Any = None) -> Run:
        engines.append(Engine(workers))
        pictures = {"result": light(shape, covered), "linear": light(shape, covered, 4.0)}
        keys = {name: f"{name} {shape} {covered}" for name in pictures}
        return Run(
            pictures=pictures, keys=keys, plan=SimpleNamespace(result="result", linear="linear"), facts={"base": 0},
            feeds=[SimpleNamespace(info=INFO)], engine=engines[-1], workspace=workspace or MemoryWorkspace(),
            device=device,
        )

    yield make
    for engine in engines:
        engine.stop()


def recipe(*items: Deliverable) -> Recipe:
    return Recipe(name="invented", folder=Path("/"), deliver=items)


def delivered(run: Run, out: Path, *items: Deliverable) -> list[dict[str, Any]]:
    return deliver_all(run, recipe(*items), out)


def codes_of(run: Run, item: Deliverable) -> Any:
    """The values that the file must hold, `(height, width, planes)`, coded in one piece."""
    picture = run.pictures["result"]
    tile = Tile(picture.array, picture.shape.whole, picture.shape, picture.planes)
    return np.asarray(encode_tile(run.device, tile, item.space, item.bits)).transpose(1, 2, 0)


def by_vips(path: Path, **options: Any) -> Any:
    return pyvips.Image.new_from_file(str(path), **options).numpy()


def by_cv2(path: Path) -> Any:
    pixels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return pixels[..., [2, 1, 0, 3][: pixels.shape[2]]]


def profile_name(content: bytes) -> str:
    """LittleCMS opens the profile (through Pillow)."""
    return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(content))).strip()


@pytest.mark.parametrize("covered", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_tiff(make_run: Any, tmp_path: Path, bits: int, covered: bool) -> None:
    """Pixels by libvips, OpenCV and tifffile; profile by LittleCMS; tags by tifffile; the frame reader of our own."""
    run, item = make_run(covered=covered), Tiff(bits=bits, space="display-p3")  # type: ignore[arg-type]
    (told,) = delivered(run, tmp_path, item)
    path, expected = tmp_path / "master.tif", codes_of(run, item)
    assert (by_vips(path) == expected).all()
    # OpenCV lets libtiff multiply 8-bit colour by its alpha: equal where the picture is wholly covered.
    whole = expected[..., -1] == 255 if covered and bits == 8 else np.ones(expected.shape[:2], bool)
    assert (by_cv2(path)[whole] == expected[whole]).all()
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        assert (page.asarray() == expected).all()
        assert [level.shape[:2] for level in page.pages] == [(350, 550), (175, 275)]
        for number, level in enumerate(page.pages):
            assert (level.asarray() == by_vips(path, subifd=number)).all()
        assert file.is_bigtiff
        assert page.tags[34675].value == icc_profile("display-p3")
        assert page.tags[34665].value["ExposureTime"] == (1, 125)
        assert (page.tags[271].value, page.tags[272].value) == ("Invented", "Landscape 1")
    assert profile_name(icc_profile("display-p3"))
    assert told == {
        "name": "master", "path": "master.tif", "kind": "tiff", "bytes": path.stat().st_size, "space": "display-p3",
        "bits": bits, "height": 700, "width": 1100, "checked": True,
        "digest": picture_digest(np.ascontiguousarray(expected.transpose(2, 0, 1))),
    }
    frame = open_frame(path)
    assert (frame.read(SHAPE.whole) == expected.transpose(2, 0, 1)).all()
    assert (frame.info.has_coverage, frame.info.exposure.seconds, frame.info.model) == (covered, 1 / 125, "Landscape 1")
    frame.close()


@pytest.mark.parametrize("covered", [False, True])
def test_linear_tiff(make_run: Any, tmp_path: Path, covered: bool) -> None:
    """Scene-linear float32, bit by bit, by libvips, OpenCV and tifffile."""
    run = make_run(covered=covered)
    (told,) = delivered(run, tmp_path, LinearTiff())
    path, expected = tmp_path / "linear.tif", run.pictures["linear"].array
    bits = expected.transpose(1, 2, 0).copy().view(np.uint32)
    assert (by_vips(path).view(np.uint32) == bits).all()
    assert (by_cv2(path).copy().view(np.uint32) == bits).all()
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        assert (page.asarray().view(np.uint32) == bits).all()
        assert page.tags[34675].value == icc_profile("rec2020", linear=True)
        assert "scene-linear" in page.description
        assert len(page.pages) == 2
    assert (told["kind"], told["bits"], told["digest"]) == ("linear-tiff", 32, picture_digest(expected))


@pytest.mark.parametrize("shape", [Shape(1, 1), Shape(3, 1700), Shape(513, 17), Shape(512, 512)], ids=str)
def test_small_and_narrow_pictures(make_run: Any, tmp_path: Path, shape: Shape) -> None:
    """By libvips, levels and all; ome-zarr-models opens the folder."""
    run, items = make_run(shape, covered=True), (Tiff(), LinearTiff(), Png(), Jpeg(), OmeZarr())
    delivered(run, tmp_path, *items)
    assert (by_vips(tmp_path / "master.tif") == codes_of(run, items[0])).all()
    assert (by_vips(tmp_path / "proof.png") == codes_of(run, items[2])).all()
    with tifffile.TiffFile(tmp_path / "linear.tif") as file:
        for number, level in enumerate(file.pages.first.pages or ()):
            assert (level.asarray() == by_vips(tmp_path / "linear.tif", subifd=number)).all()
    OmeImage.from_zarr(zarr.open_group(str(tmp_path / "master.ome.zarr"), mode="r"))


@pytest.mark.parametrize("space", SPACES)
def test_spaces(make_run: Any, tmp_path: Path, space: str) -> None:
    """Every space codes its own values and embeds its own profile, which LittleCMS opens."""
    run, items = make_run(Shape(60, 80)), (Tiff(space=space), Png(space=space), LinearTiff(space=space))  # type: ignore[arg-type]
    assert [told["space"] for told in delivered(run, tmp_path, *items)] == [space] * 3
    assert (by_vips(tmp_path / "master.tif") == codes_of(run, items[0])).all()
    image = pyvips.Image.new_from_file(str(tmp_path / "proof.png"))
    assert image.get("icc-profile-data") == icc_profile(space)
    with tifffile.TiffFile(tmp_path / "linear.tif") as file:
        assert file.pages.first.tags[34675].value == icc_profile(space, linear=True)
    for linear in (False, True):
        assert profile_name(icc_profile(space, linear=linear))


@pytest.mark.parametrize("covered", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_png(make_run: Any, tmp_path: Path, monkeypatch: Any, bits: int, covered: bool) -> None:
    """Written in several bands: by libpng, libspng, libvips, OpenCV and Pillow."""
    monkeypatch.setattr(deliver_proof, "BAND_PX", 1100 * 256)
    run, item = make_run(covered=covered), Png(bits=bits)  # type: ignore[arg-type]
    (told,) = delivered(run, tmp_path, item)
    path, expected = tmp_path / "proof.png", codes_of(run, item)
    content = path.read_bytes()
    assert content.count(b"IDAT") >= 3
    others = [imagecodecs.spng_decode(content)] if bits == 8 or covered else []  # its wrapper knows no 16-bit RGB
    for pixels in (imagecodecs.png_decode(content), by_vips(path), by_cv2(path), *others):
        assert pixels.dtype == expected.dtype
        assert (pixels == expected).all()
    with Image.open(path) as image:
        assert image.info["icc_profile"] == icc_profile("srgb")
        assert image.getexif()[272] == "Landscape 1"
        if bits == 8:
            assert (np.asarray(image) == expected).all()
    assert told["digest"] == picture_digest(np.ascontiguousarray(expected.transpose(2, 0, 1)))


def test_jpeg(make_run: Any, tmp_path: Path) -> None:
    """Pixels by libvips and Pillow; the profile and the tags by Pillow; close to the coded values."""
    run, item = make_run(covered=True), Jpeg(quality=95)
    (told,) = delivered(run, tmp_path, item)
    path, expected = tmp_path / "proof.jpg", codes_of(run, item)[..., :3]
    pixels = by_vips(path)
    with Image.open(path) as image:
        assert (np.asarray(image) == pixels).all()
        assert image.info["icc_profile"] == icc_profile("srgb")
        assert image.getexif().get_ifd(34665)[33437] == 8
        assert image.info["jfif_version"]
    assert told["digest"] == picture_digest(np.ascontiguousarray(pixels.transpose(2, 0, 1)))
    assert np.mean((pixels.astype(float) - expected) ** 2) < 255**2 / 10**4.2  # 42 dB, chosen for this smooth picture


@pytest.mark.parametrize("covered", [False, True])
def test_smaller_proofs(make_run: Any, tmp_path: Path, covered: bool) -> None:
    """The longer side is as asked, never enlarged; light is reduced, by halves to twice the size, then resized."""
    run = make_run(Shape(700, 1100), covered)
    items = (Png(bits=16, long_side=Length(250, "px")), Jpeg(name="large", long_side=Length(5000, "px")))
    told = delivered(run, tmp_path, *items)
    assert [(one["height"], one["width"]) for one in told] == [(159, 250), (700, 1100)]
    picture = run.pictures["result"]
    half = halved_tile(run.device, Tile(picture.array, SHAPE.whole, SHAPE, picture.planes))
    stage = Resize(long_side=Length(250, "px"))
    tile = stage.run(run.device, half, Shape(159, 250).whole, {})
    expected = np.asarray(encode_tile(run.device, tile, "srgb", 16)).transpose(1, 2, 0)
    assert (imagecodecs.png_decode((tmp_path / "proof.png").read_bytes()) == expected).all()


def test_reduced_proofs_keep_the_light(make_run: Any, tmp_path: Path) -> None:
    """A checkerboard of single pixels, black and white, becomes half the light, not half the code (IEC 61966-2-1)."""
    run = make_run()
    board = ((np.arange(700)[:, None] + np.arange(1100)) % 2).astype(np.float32)
    run.pictures["result"] = MemoryPicture(np.stack([board] * 3), COLOUR)
    delivered(run, tmp_path, Png(long_side=Length(300, "px")))
    half_light = 255 * (1.055 * 0.5 ** (1 / 2.4) - 0.055)
    assert abs(by_vips(tmp_path / "proof.png").astype(float) - half_light).max() <= 2


@pytest.mark.parametrize("covered", [False, True])
def test_ome_zarr(make_run: Any, tmp_path: Path, covered: bool) -> None:
    """Described as ome-zarr-models demands; read by zarr's own codecs instead of those that wrote it."""
    shape = Shape(2100, 700)
    run, item = make_run(shape, covered=covered), OmeZarr(space="rec2020")
    (told,) = delivered(run, tmp_path, item)
    folder, expected = tmp_path / "master.ome.zarr", codes_of(run, item).transpose(2, 0, 1)
    described = OmeImage.from_zarr(zarr.open_group(str(folder), mode="r")).ome_attributes
    sizes = [data.coordinateTransformations[0].scale for data in described.multiscales[0].datasets]
    assert sizes == [[1, 1, 1], [1, 2, 2], [1, 4, 4], [1, 8, 8]]
    assert [(axis.name, axis.type) for axis in described.multiscales[0].axes] == [
        ("c", "channel"), ("y", "space"), ("x", "space"),
    ]
    with zarr.config.set({"codec_pipeline.path": "zarr.core.codec_pipeline.BatchedCodecPipeline"}):
        group = zarr.open_group(str(folder), mode="r")
        array = group["0"]
        assert (array.shards, array.chunks, array.dtype) == ((len(expected), 2048, 1024), (1, 256, 512), np.uint16)
        assert (array[:] == expected).all()
        assert [group[str(level)].shape[1:] for level in range(4)] == [(2100, 700), (1050, 350), (525, 175), (263, 88)]
    own = dict(group.attrs["tilepipe"])
    root = picture_digests(run.engine, run.pictures["result"])[1]
    assert (own["space"], own["result_root"]) == ("rec2020", root)
    assert told["digest"] == picture_digest(np.ascontiguousarray(expected))
    files = [file for file in folder.rglob("*") if file.is_file()]
    assert told["bytes"] == sum(file.stat().st_size for file in files)


def test_levels_are_reduced_light_not_codes(make_run: Any, tmp_path: Path) -> None:
    run, item = make_run(), Tiff()
    delivered(run, tmp_path, item)
    a, b, c, d = (run.pictures["result"].array[:, y::2, x::2] for y in (0, 1) for x in (0, 1))
    half = Shape(350, 550)
    tile = Tile(((a + b) + (c + d)) * np.float32(0.25), half.whole, half)
    expected = np.asarray(encode_tile(run.device, tile, "srgb", 16)).transpose(1, 2, 0)
    assert (by_vips(tmp_path / "master.tif", subifd=0) == expected).all()


def test_files_know_no_workers_and_no_tasks(make_run: Any, tmp_path: Path, monkeypatch: Any) -> None:
    """Byte for byte the same with one worker, two, and tasks of other sizes."""
    kept = {}
    for name, workers in (("one", 1), ("two", 2)):
        if name == "two":
            monkeypatch.setattr(deliver_proof.Reduction, "read_tile", (128, 384))
            monkeypatch.setattr(deliver_source, "TASK_PX", 512)
        out = tmp_path / name
        folder = FolderWorkspace(tmp_path / f"work-{name}")
        run = make_run(Shape(1030, 2100), covered=True, workers=workers, workspace=folder)
        told = delivered(run, out, Tiff(), LinearTiff(), Png(long_side=Length(900, "px")), OmeZarr())
        folder.close()
        files = {path.relative_to(out): path.read_bytes() for path in out.rglob("*") if path.is_file()}
        kept[name] = (told, files)
    assert kept["one"] == kept["two"]


def test_digests(make_run: Any) -> None:
    run = make_run(Shape(1300, 2500), covered=True)
    picture = run.pictures["result"]
    regions, root = picture_digests(run.engine, picture)
    assert root == picture_digest(picture.array)
    assert len(regions) == 3 * 5


ALL = (Tiff(), LinearTiff(), Png(), Jpeg(), OmeZarr())


@pytest.mark.parametrize("item", ALL, ids=lambda item: item.kind)
def test_interrupted_writing_leaves_what_was_there(
    make_run: Any, tmp_path: Path, monkeypatch: Any, item: Deliverable
) -> None:
    final = tmp_path / item.file_name
    final.write_bytes(b"an older one")
    calls: list[int] = []

    def interrupted(*_: Any) -> Any:
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return original(*_)

    original = deliver_source.Source.codes
    monkeypatch.setattr(deliver_source.Source, "codes", interrupted)
    monkeypatch.setattr(deliver_proof, "BAND_PX", 1100 * 128)
    with pytest.raises(KeyboardInterrupt):
        delivered(make_run(), tmp_path, item)
    assert [path.name for path in tmp_path.iterdir()] == [item.file_name]
    assert final.read_bytes() == b"an older one"
    monkeypatch.undo()
    delivered(make_run(), tmp_path, item)
    assert [path.name for path in tmp_path.iterdir()] == [item.file_name]
    assert final.is_dir() == (item.kind == "ome-zarr")


def test_what_a_killed_run_left_is_replaced(make_run: Any, tmp_path: Path) -> None:
    (tmp_path / ".master.tif.part").write_bytes(b"half")
    (tmp_path / ".master.ome.zarr.part" / "0").mkdir(parents=True)
    (tmp_path / "master.ome.zarr" / "0" / "old").mkdir(parents=True)
    delivered(make_run(Shape(40, 50)), tmp_path, Tiff(), OmeZarr())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["master.ome.zarr", "master.tif"]
    assert not (tmp_path / "master.ome.zarr" / "0" / "old").exists()


def test_a_file_that_reads_back_differently_is_refused(make_run: Any, tmp_path: Path, monkeypatch: Any) -> None:
    segment, band = write_tiff.TiffForm.segment, write_png.packed_band

    def other_segment(form: Any, codes: Any, picture: Shape) -> bytes:
        changed = codes.copy()
        changed[0, 3, 5] ^= 1
        return segment(form, changed, picture)

    def other_band(form: Any, codes: Any, *, last: bool) -> Any:
        changed = codes.copy()
        changed[1, 0, 0] ^= 1
        return band(form, changed, last=last)

    monkeypatch.setattr(write_tiff.TiffForm, "segment", other_segment)
    monkeypatch.setattr(write_png, "packed_band", other_band)
    for item, what in ((Tiff(), "tile"), (Png(), "block")):
        with pytest.raises(StoreError, match=rf"reads back differently[\s\S]*{what}"):
            delivered(make_run(Shape(40, 50)), tmp_path, item)
        assert not list(tmp_path.iterdir())


def test_files_of_an_earlier_run_are_kept(make_run: Any, tmp_path: Path) -> None:
    """The same pixels to the same place: nothing is written; a file that was touched is written anew."""
    workspace, items = MemoryWorkspace(), (Tiff(), Png(), OmeZarr())
    first = delivered(make_run(workspace=workspace), tmp_path, *items)
    stamps = {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    assert delivered(make_run(workspace=workspace), tmp_path, *items) == first
    assert {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == stamps
    (tmp_path / "proof.png").write_bytes(b"something else")
    assert delivered(make_run(workspace=workspace), tmp_path, *items) == first
    assert (tmp_path / "proof.png").stat().st_size == first[1]["bytes"]
    assert delivered(make_run(workspace=workspace), tmp_path, Tiff(bits=8))[0]["bits"] == 8


def test_a_folder_is_written_anew_when_anything_in_it_was_touched(make_run: Any, tmp_path: Path) -> None:
    workspace, shards = MemoryWorkspace(), tmp_path / "master.ome.zarr" / "0" / "c" / "0" / "0"
    first = delivered(make_run(workspace=workspace), tmp_path, OmeZarr())
    shard = shards / "0"
    good, begun = shard.read_bytes(), shard.stat().st_ino
    assert delivered(make_run(workspace=workspace), tmp_path, OmeZarr()) == first
    assert shard.stat().st_ino == begun
    for spoil in (lambda: shard.write_bytes(bytes(len(good))), shard.unlink, lambda: (shards / "more").write_bytes(b"x")):
        spoil()
        assert delivered(make_run(workspace=workspace), tmp_path, OmeZarr()) == first
        assert shard.read_bytes() == good
        assert not (shards / "more").exists()


def test_a_file_is_written_anew_when_the_shot_is_told_otherwise(make_run: Any, tmp_path: Path) -> None:
    workspace = MemoryWorkspace()
    delivered(make_run(workspace=workspace), tmp_path, Tiff())
    run = make_run(workspace=workspace)
    run.feeds = [SimpleNamespace(info=dataclasses.replace(INFO, model="Landscape 2"))]
    delivered(run, tmp_path, Tiff())
    with tifffile.TiffFile(tmp_path / "master.tif") as file:
        assert file.pages.first.tags["Model"].value == "Landscape 2"


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    """The system's own refusal: /dev/full has no room, ever."""
    with pytest.raises(PlanError, match="disk is full") as caught, writing_to(tmp_path / "master.tif"):
        Path("/dev/full").write_bytes(b"x")
    assert "--out" in caught.value.faults[0].next_step
    wrapped = RuntimeError(f"No space left on device (os error {errno.ENOSPC})")
    with pytest.raises(PlanError, match="disk is full"), writing_to(tmp_path):
        raise wrapped
    with pytest.raises(RuntimeError, match="another"), writing_to(tmp_path):
        raise RuntimeError("another")


LIMITED = """
import resource, sys
from pathlib import Path
from tilepipe.errors import PlanError
from tilepipe.formats.write_pending import Pending, writing_to
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
final = Path(sys.argv[1])
try:
    with writing_to(final), Pending(final) as pending:
        pending.path.write_bytes(bytes(200_000))
        pending.commit()
except PlanError as error:
    print(error)
"""


def test_a_file_that_may_not_grow_is_told_and_removed(tmp_path: Path) -> None:
    final = tmp_path / "master.tif"
    done = subprocess.run([sys.executable, "-c", LIMITED, str(final)], capture_output=True, text=True, check=True)
    assert "does not allow a file of this size" in done.stdout
    assert str(final) in done.stdout
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_read_only_is_told(make_run: Any, tmp_path: Path) -> None:
    """As a user without privileges: nothing is written, the message names the folder."""
    out = tmp_path / "out"
    out.mkdir()
    out.chmod(0o555)
    for folder in (tmp_path, *tmp_path.parents[:3]):
        folder.chmod(folder.stat().st_mode | 0o055)
    run, privileged = make_run(Shape(40, 50)), os.geteuid() == 0
    try:
        if privileged:
            os.seteuid(65534)
        with pytest.raises(PlanError, match="cannot be written") as caught:
            delivered(run, out, Tiff())
    finally:
        if privileged:
            os.seteuid(0)
    assert "--out" in caught.value.faults[0].next_step
    assert str(out) in caught.value.faults[0].where
    assert not list(out.iterdir())


def test_exchanging_folders_puts_the_old_one_back(tmp_path: Path, monkeypatch: Any) -> None:
    final = tmp_path / "master.ome.zarr"
    final.mkdir()
    (final / "old").write_text("kept")
    replace, calls = os.replace, []

    def failing(source: Any, target: Any) -> None:
        calls.append(target)
        if len(calls) == 2:
            raise OSError(errno.EIO, "invented")
        replace(source, target)

    with Pending(final) as pending:
        pending.path.mkdir()
        monkeypatch.setattr(os, "replace", failing)
        with pytest.raises(OSError, match="invented"):
            pending.commit()
    assert [path.name for path in tmp_path.iterdir()] == [final.name]
    assert (final / "old").read_text() == "kept"


def test_what_is_too_large_is_said_before() -> None:
    wide = Shape(1000, 70_000)
    faults = check_deliverables(recipe(Tiff(), Jpeg(), Png(), OmeZarr()), wide)
    assert [fault.where for fault in faults] == ["deliver[1]"]
    assert "65535" in faults[0].allowed
    assert not check_deliverables(recipe(Jpeg(long_side=Length(4096, "px"))), wide)
    (fault,) = check_deliverables(recipe(Jpeg()), Shape(10_000, 10_000), memory_bytes=1 << 30)
    assert "MiB" in fault.found
    assert not check_deliverables(recipe(Jpeg()), Shape(4000, 6000), memory_bytes=1 << 30)


def test_room_on_disk_is_enough(make_run: Any, tmp_path: Path) -> None:
    items = (Tiff(), LinearTiff(), Png(), OmeZarr())
    folder = FolderWorkspace(tmp_path / "work")
    told = delivered(make_run(covered=True, workspace=folder), tmp_path, *items)
    folder.close()
    for one, item in zip(told, items, strict=True):
        assert one["bytes"] <= file_bytes(item, SHAPE, 4)
    copies = reduced_bytes(recipe(*items), SHAPE, 4, "result", "linear")
    made = [path for path in (tmp_path / "work").iterdir() if path.is_dir()]
    assert {path.name.rpartition("-")[0] for path in made} == set(copies)
    pixels = sum(StoredPicture.open(path / PIXELS).shape.pixels * 16 for path in made)
    assert pixels == sum(copies.values())


class Endless:
    """A picture of any size that is made as it is read and holds nothing."""

    planes = COLOUR

    def __init__(self, shape: Shape) -> None:
        self.shape = shape

    def read(self, window: Any) -> Any:
        rows = np.arange(window.y, window.y_end, dtype=np.float32)[None, :, None] / self.shape.height
        return np.broadcast_to(rows, (3, window.height, window.width)).copy()


def test_memory_does_not_grow_with_the_picture(make_run: Any, tmp_path: Path) -> None:
    """What Python and numpy hold at most stays within what a worker is stated to take, far below the picture's size."""
    shape = Shape(3072, 4096)
    folder = FolderWorkspace(tmp_path / "work")
    run = make_run(Shape(2, 2), workers=1, workspace=folder)
    run.pictures = {"result": Endless(shape), "linear": Endless(shape)}
    tracemalloc.start()
    items = (Tiff(), LinearTiff(space="srgb"), Png(), Png(name="small", long_side=Length(500, "px")), OmeZarr())
    delivered(run, tmp_path / "out", *items)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    folder.close()
    assert peak < 3 * DELIVER_PLANE_BYTES < shape.pixels * 12


SLOW = """
import signal
import sys
import time
from pathlib import Path
from types import SimpleNamespace
import numpy as np
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import COLOUR
from tilepipe.recipe.deliver import Tiff
from tilepipe.recipe.model import Recipe
from tilepipe.run.deliver_source import Source
from tilepipe.run.engine import Engine
from tilepipe.run.workspace import MemoryWorkspace
from tilepipe.store.picture import MemoryPicture
from tilepipe.formats.write_exif import ShotTags
from tilepipe.run import deliver

def slowly(self, item, tile, codes=Source.codes):
    print("writing", flush=True)
    time.sleep(0.2)
    return codes(self, item, tile)

signal.signal(signal.SIGINT, signal.default_int_handler)  # a background job of a shell inherits it ignored
Source.codes = slowly
deliver.shot_tags = lambda info: ShotTags()
picture = MemoryPicture(np.full((3, 4096, 2048), 0.5, np.float32), COLOUR)
try:
    with Engine(2) as engine:
        run = SimpleNamespace(
            pictures={"result": picture}, keys={"result": "x"}, plan=SimpleNamespace(result="result", linear="result"),
            facts={"base": 0}, feeds=[SimpleNamespace(info=None)], engine=engine, workspace=MemoryWorkspace(),
            device=CpuDevice(),
        )
        deliver.deliver_all(run, Recipe(name="x", folder=Path("/"), deliver=(Tiff(),)), Path(sys.argv[1]))
except KeyboardInterrupt:
    print("stopped", flush=True)
"""


def test_ctrl_c_leaves_no_half_file(tmp_path: Path) -> None:
    """A process of its own gets the signal while it writes: it ends by it, and the older file is still there."""
    final = tmp_path / "master.tif"
    final.write_bytes(b"an older one")
    command = [sys.executable, "-c", SLOW, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert "writing" in process.stdout.readline()
        assert (tmp_path / ".master.tif.part").exists()
        process.send_signal(signal.SIGINT)
        told = process.stdout.read()
    assert "stopped" in told
    assert [path.name for path in tmp_path.iterdir()] == ["master.tif"]
    assert final.read_bytes() == b"an older one"
