"""Finds the bracket sets in a folder: frames of one camera and size, close in time, of differing exposure."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from tilepipe.errors import InputError
from tilepipe.formats.frame import FrameInfo
from tilepipe.formats.opening import is_picture, named_as_picture, open_frame
from tilepipe.formats.source import bands

GAP_SECONDS = 30.0  # chosen here: a hand changes a dial in less, a new subject takes more
_SAME_LIGHT = 1.09  # a step below an eighth of a stop is the same exposure set twice; chosen here


@dataclass(frozen=True)
class BracketSet:
    """Frames that belong together, dark to bright, and why."""

    frames: tuple[FrameInfo, ...]
    reason: str


def find_brackets(
    folder: str | Path, *, gap_seconds: float = GAP_SECONDS, on_refused: Callable[[InputError], None] | None = None
) -> list[BracketSet]:
    """The bracket sets among the pictures of a folder, in order of time; a lone frame is a set of one.

    A set ends where the pause to the next frame, without its shutter time, is longer than `gap_seconds`, where camera,
    lens or size change, or where an exposure comes again. Frames that cannot be opened go to `on_refused`.
    A raw file hides the other pictures of its name. Raises InputError when the folder cannot be read.
    """
    frames = _without_copies(_opened(_pictures(Path(folder)), on_refused))
    alike: dict[tuple[object, ...], list[FrameInfo]] = {}
    for frame in frames:
        alike.setdefault((frame.shape, frame.kind, frame.make, frame.model, frame.lens), []).append(frame)
    return [found for group in alike.values() for found in _sets(group, gap_seconds)]


def _sets(frames: list[FrameInfo], gap_seconds: float) -> list[BracketSet]:
    if any(frame.exposure is None for frame in frames):
        dark_to_bright = tuple(sorted(frames, key=_brightness))
        return [BracketSet(dark_to_bright, "no exposures in the files: same size, in order of brightness")]
    if any(frame.timestamp is None for frame in frames):
        runs, reason = _split(frames, _repeats), "same camera and size, in order of names"
    else:
        frames = sorted(frames, key=lambda frame: frame.timestamp or datetime.min)
        runs = _split(frames, lambda run, frame: _pause(run[-1], frame) > gap_seconds or _repeats(run, frame))
        reason = f"same camera and size, pauses up to {gap_seconds:g} s"
        if len(runs) > 1 and all(len(run) == 1 for run in runs) and len(_split(frames, _repeats)) == 1:
            longest = max(_pause(one, other) for one, other in pairwise(frames))
            runs, reason = [frames], f"same camera and size, all exposures differ, pauses up to {longest:.0f} s"
    return [BracketSet(tuple(sorted(run, key=_light)), reason) for run in runs]


def _split(
    frames: list[FrameInfo], ends: Callable[[list[FrameInfo], FrameInfo], bool]
) -> list[list[FrameInfo]]:
    runs: list[list[FrameInfo]] = []
    for frame in frames:
        if not runs or ends(runs[-1], frame):
            runs.append([])
        runs[-1].append(frame)
    return runs


def _repeats(run: list[FrameInfo], frame: FrameInfo) -> bool:
    light = _light(frame)
    return any(light < _light(other) * _SAME_LIGHT and _light(other) < light * _SAME_LIGHT for other in run)


def _pause(one: FrameInfo, other: FrameInfo) -> float:
    """Seconds between two frames; cameras note the start or the end of an exposure, so one shutter time is left out."""
    assert one.timestamp
    assert other.timestamp
    shutter = max(frame.exposure.seconds if frame.exposure else 0.0 for frame in (one, other))
    return max(0.0, (other.timestamp - one.timestamp).total_seconds() - shutter)


def _light(frame: FrameInfo) -> float:
    return frame.exposure.relative_light if frame.exposure else 0.0


def _brightness(frame: FrameInfo) -> int:
    """The exact sum of all code values; 0 for float pictures, which then stay in order of names."""
    if frame.dtype == "float32":
        return 0
    opened = open_frame(frame.path, check=False)
    try:
        return sum(int(np.sum(opened.read(band), dtype=np.int64)) for band in bands(frame))
    finally:
        opened.close()


def _pictures(folder: Path) -> list[Path]:
    try:
        files = [path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
        return sorted((path for path in files if named_as_picture(path) or is_picture(path)), key=_natural)
    except OSError as error:
        raise InputError(
            "this folder cannot be read", str(folder), found=error.strerror or str(error), allowed="a readable folder",
            next_step="check the path and its permissions",
        ) from error


def _natural(path: Path) -> list[tuple[int, str]]:
    """Names by their numbers: 2 before 10."""
    parts = re.split(r"(\d+)", path.name.lower())
    return [(int(part), "") if part.isdigit() else (0, part) for part in parts]


def _opened(paths: Iterable[Path], on_refused: Callable[[InputError], None] | None) -> list[FrameInfo]:
    found = []
    for path in paths:
        try:
            frame = open_frame(path, check=False)
        except InputError as error:
            if on_refused is not None:
                on_refused(error)
            continue
        found.append(frame.info)
        frame.close()
    return found


def _without_copies(frames: list[FrameInfo]) -> list[FrameInfo]:
    raw = {Path(frame.path).stem for frame in frames if frame.camera is not None}
    return [frame for frame in frames if frame.camera is not None or Path(frame.path).stem not in raw]
