"""Writes everything that a recipe asks to be delivered, each under a temporary name, checked, then put in place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tilepipe.digest import key_of
from tilepipe.errors import Fault, PlanError
from tilepipe.formats.write_exif import ShotTags, shot_tags
from tilepipe.formats.write_jpeg import LARGEST_PX as LARGEST_JPEG_PX
from tilepipe.formats.write_pending import Pending, writing_to
from tilepipe.formats.write_png import LARGEST_PX as LARGEST_PNG_PX
from tilepipe.geometry import Shape
from tilepipe.recipe.deliver import Deliverable
from tilepipe.recipe.model import Recipe
from tilepipe.run.deliver_ome_zarr import write_ome_zarr_folder
from tilepipe.run.deliver_proof import Reduction, write_jpeg_file, write_png_file
from tilepipe.run.deliver_source import Source, copy_name, reduced_levels
from tilepipe.run.deliver_tiff import write_tiff
from tilepipe.run.deliver_written import Written
from tilepipe.run.digests import result_digests
from tilepipe.store.pyramid_store import SMALLEST_PX, level_count

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution

VERSION = 1  # of the files; a change writes every file anew
PROOFS = ("png", "jpeg")  # kinds that may be smaller than the picture and hold no levels
WRITERS: dict[str, Callable[[Source, Deliverable, Path], Written]] = {
    "ome-zarr": write_ome_zarr_folder, "tiff": write_tiff, "linear-tiff": write_tiff, "png": write_png_file,
    "jpeg": write_jpeg_file,
}


def deliver_all(run: Execution, recipe: Recipe, out: Path) -> list[dict[str, Any]]:
    """Writes a recipe's deliverables into `out` and tells of each: its path, size, colour space and digest.

    A file that an earlier run has put in place from the same pixels and that nobody has touched since is kept.
    Raises PlanError for what a person can mend (a full disk, a folder that is read-only), StoreError where a file
    reads back differently.
    """
    faults = check_deliverables(recipe, run.pictures[run.plan.result].shape)
    if faults:
        raise PlanError(faults=faults)
    with writing_to(out):
        out.mkdir(parents=True, exist_ok=True)
    return [_deliver(run, item, index, out) for index, item in enumerate(recipe.deliver)]


def check_deliverables(recipe: Recipe, shape: Shape, memory_bytes: int | None = None) -> list[Fault]:
    """What of the deliverables cannot be written from a picture of this size; empty when all can.

    `memory_bytes`: what the run may use; a JPEG file is the one kind that is coded as a whole.
    """
    faults: list[Fault] = []
    for index, item in enumerate(recipe.deliver):
        faults += _too_large(f"deliver[{index}]", item, shape, memory_bytes)
    return faults


def _too_large(where: str, item: Deliverable, shape: Shape, memory_bytes: int | None) -> list[Fault]:
    size = Reduction.of(item, shape).shape
    written = max(size.height, size.width)
    largest = {"jpeg": LARGEST_JPEG_PX, "png": LARGEST_PNG_PX}.get(item.kind)
    if largest is not None and written > largest:
        return [Fault(
            f"{item.kind} files cannot be this large", where,
            f"{written} px on the longer side", f"at most {largest} px",
            f"state a smaller size, e.g. `long_side: {min(largest, 16384)}px`, or deliver a `tiff`",
        )]
    needed = jpeg_bytes(item, shape)
    if memory_bytes is not None and needed > memory_bytes // 2:
        return [Fault(
            "this jpeg file does not fit into the memory of the run", where, f"{needed >> 20} MiB needed",
            f"at most half of the memory, {memory_bytes >> 21} MiB",
            "state a smaller size, e.g. `long_side: 8192px`, deliver a `png` or `tiff`, or raise --memory",
        )]
    return []


def file_bytes(item: Deliverable, shape: Shape, planes: int) -> int:
    """Room for a deliverable of a picture of this size, as if nothing packed."""
    pixels = Reduction.of(item, shape).shape.pixels if item.kind in PROOFS else shape.pixels * 4 // 3
    return pixels * planes * item.bits // 8


def reduced_bytes(recipe: Recipe, shape: Shape, planes: int, result: str, linear: str) -> dict[str, int]:
    """Room for the reduced copies of the pictures `result` and `linear` in the working folder, by the copies' names."""
    levels: dict[str, int] = {}
    for item in recipe.deliver:
        name = linear if item.kind == "linear-tiff" else result
        levels[name] = max(levels.get(name, 0), _level_count(item, shape))
    return {
        copy_name(name, level): shape.halved(level).pixels * planes * 4
        for name, count in levels.items() for level in range(1, count + 1)
    }


def _level_count(item: Deliverable, shape: Shape) -> int:
    return Reduction.of(item, shape).level if item.kind in PROOFS else level_count(shape, SMALLEST_PX)


def jpeg_bytes(item: Deliverable, shape: Shape) -> int:
    """Memory that a JPEG file takes while it is coded and checked: its pixels twice and the file; 0 for other kinds."""
    if item.kind != "jpeg":
        return 0
    return 9 * Reduction.of(item, shape).shape.pixels


def _deliver(run: Execution, item: Deliverable, index: int, out: Path) -> dict[str, Any]:
    name = run.plan.linear if item.kind == "linear-tiff" else run.plan.result
    final = out / item.file_name
    shot = shot_tags(run.feeds[int(run.facts["base"])].info)
    key = key_of({
        "deliver": VERSION, "picture": run.keys[name], "item": item.model_dump(mode="json"), "to": str(final.resolve()),
        "tags": shot.block(item.space).hex(),
    })
    told = run.workspace.recall(f"deliver-{index}", key)
    if told is not None and told["stamp"] == _stamp(final):
        return dict(told["facts"])
    if final.is_dir() and item.kind != "ome-zarr":
        raise PlanError(
            "a folder has the name of this file", str(final), next_step="move it away, or give the deliverable another `name`"
        )
    with writing_to(final), Pending(final) as pending:
        try:
            written = WRITERS[item.kind](_source(run, item, name, shot), item, pending.path)
        except BaseException:
            run.engine.stop()  # tiles in flight end before what they write to is removed
            raise
        pending.commit()
    facts = _facts(item, written, final.relative_to(out))
    run.workspace.remember(f"deliver-{index}", key, {"stamp": _stamp(final), "facts": facts})
    return facts


def _source(run: Execution, item: Deliverable, name: str, shot: ShotTags) -> Source:
    shape = run.pictures[name].shape
    root = result_digests(run)[1] if item.kind == "ome-zarr" else ""
    return Source(run, reduced_levels(run, name, _level_count(item, shape)), shot, root)


def _stamp(path: Path) -> list[Any] | None:
    """Tells one state of a file, or of a folder and every file in it, from another; None where there is nothing.

    Nothing is read: a file is known by its place on the disk, its size and the moment of its last change.
    """
    try:
        inside = sorted(path.rglob("*")) if path.is_dir() else []
        states = {each.relative_to(path).as_posix(): _state(each) for each in (path, *inside)}
    except OSError:
        return None
    return [_state(path), key_of(states)]


def _state(path: Path) -> list[int]:
    status = path.lstat()
    return [status.st_ino, status.st_size, status.st_mtime_ns]


def _facts(item: Deliverable, written: Written, path: Path) -> dict[str, Any]:
    return {
        "name": item.name, "path": path.as_posix(), "kind": item.kind, "bytes": written.file_bytes, "space": item.space,
        "bits": item.bits, "height": written.shape.height, "width": written.shape.width, "digest": written.digest,
        "checked": True,
    }


__all__: Sequence[str] = ("check_deliverables", "deliver_all", "file_bytes", "jpeg_bytes", "reduced_bytes")
