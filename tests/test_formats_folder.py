"""A folder falls into the bracket sets a photographer made, dark to bright."""

from __future__ import annotations

import struct
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest

from tilepipe.errors import InputError
from tilepipe.formats.folder import BracketSet, find_brackets

START = datetime(2024, 5, 6, 18, 0, 0)


def write_frame(
    path: Path, seconds: tuple[int, int] | None, at: float = 0.0, *, f_number: int = 80, iso: int = 100,
    model: str = "Invented One", level: int = 100, size: tuple[int, int] = (8, 12),
) -> None:
    """A small JPEG with an Exif block; `at` seconds after the start, f-number in tenths."""
    moment = START + timedelta(seconds=at)
    entries: list[tuple[int, int, Any]] = [(272, 2, model)]
    if seconds:
        entries += [(33434, 5, seconds), (33437, 5, (f_number, 10)), (34855, 3, iso)]
        entries += [(36867, 2, moment.strftime("%Y:%m:%d %H:%M:%S")), (37521, 2, f"{moment.microsecond // 10000:02d}")]
    body = b"Exif\0\0" + directory(entries)
    pixels = np.full((*size, 3), level, np.uint8)
    content = bytes(imagecodecs.jpeg8_encode(pixels))
    path.write_bytes(content[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + content[2:])


def directory(entries: list[tuple[int, int, Any]]) -> bytes:
    """A big-endian TIFF structure with one directory."""
    head, table, tail = b"MM\0*\0\0\0\x08", struct.pack(">H", len(entries)), b""
    for code, kind, value in entries:
        content = {
            2: lambda v: v.encode() + b"\0", 3: lambda v: struct.pack(">H", v), 5: lambda v: struct.pack(">2I", *v)
        }[kind](value)
        count = len(content) if kind == 2 else 1
        place = content.ljust(4, b"\0")
        if len(content) > 4:
            place = struct.pack(">I", 8 + 2 + 12 * len(entries) + 4 + len(tail))
            tail += content
        table += struct.pack(">HHI", code, kind, count) + place
    return head + table + b"\0\0\0\0" + tail


def names(found: list[BracketSet]) -> list[list[str]]:
    return [[Path(frame.path).stem for frame in group.frames] for group in found]


def test_sets_end_at_a_pause(tmp_path: Path) -> None:
    for index, (seconds, at) in enumerate([((1, 60), 0), ((1, 250), 2), ((1, 15), 4), ((1, 30), 90), ((1, 8), 92.5)]):
        write_frame(tmp_path / f"frame{index}.jpg", seconds, at)
    assert names(find_brackets(tmp_path)) == [["frame1", "frame0", "frame2"], ["frame3", "frame4"]]
    assert names(find_brackets(tmp_path, gap_seconds=100)) == [["frame1", "frame0", "frame3", "frame2", "frame4"]]


def test_sets_end_where_an_exposure_comes_again(tmp_path: Path) -> None:
    for index in range(6):
        write_frame(tmp_path / f"frame{index}.jpg", ((1, 60), (1, 250), (1, 15))[index % 3], index)
    assert names(find_brackets(tmp_path)) == [["frame1", "frame0", "frame2"], ["frame4", "frame3", "frame5"]]


def test_the_shutter_time_is_no_pause(tmp_path: Path) -> None:
    for index, (seconds, at) in enumerate([((30, 1), 0), ((8, 1), 35), ((60, 1), 50), ((2, 1), 130)]):
        write_frame(tmp_path / f"frame{index}.jpg", seconds, at)
    assert names(find_brackets(tmp_path)) == [["frame3", "frame1", "frame0", "frame2"]]


def test_cameras_and_sizes_are_kept_apart(tmp_path: Path) -> None:
    write_frame(tmp_path / "a.jpg", (1, 60), 0)
    write_frame(tmp_path / "b.jpg", (1, 15), 1)
    write_frame(tmp_path / "c.jpg", (1, 8), 1, model="Invented Two")
    write_frame(tmp_path / "d.jpg", (1, 4), 2, size=(8, 16))
    assert names(find_brackets(tmp_path)) == [["a", "b"], ["c"], ["d"]]


def test_light_counts_not_time_alone(tmp_path: Path) -> None:
    write_frame(tmp_path / "a.jpg", (1, 60), 0, f_number=80, iso=400)
    write_frame(tmp_path / "b.jpg", (1, 30), 1, f_number=160, iso=100)
    found = find_brackets(tmp_path)
    assert names(found) == [["b", "a"]]
    lights = [frame.exposure.relative_light for frame in found[0].frames if frame.exposure]
    assert lights == pytest.approx([100 / 30 / 256, 400 / 60 / 64])


def test_slow_hands_with_differing_exposures_are_one_set(tmp_path: Path) -> None:
    for index, seconds in enumerate([(1, 60), (1, 15), (1, 4)]):
        write_frame(tmp_path / f"frame{index}.jpg", seconds, 100 * index)
    found = find_brackets(tmp_path)
    assert names(found) == [["frame0", "frame1", "frame2"]]
    assert "100 s" in found[0].reason


def test_frames_without_exposures_are_ordered_by_brightness(tmp_path: Path) -> None:
    for name, level in (("frame2", 90), ("frame10", 20), ("frame1", 200)):
        write_frame(tmp_path / f"{name}.jpg", None, level=level)
    found = find_brackets(tmp_path)
    assert names(found) == [["frame10", "frame2", "frame1"]]
    assert "no exposures" in found[0].reason


def test_what_is_no_frame(tmp_path: Path) -> None:
    refused: list[InputError] = []
    write_frame(tmp_path / "good.jpg", (1, 60))
    (tmp_path / "broken.jpg").write_bytes((tmp_path / "good.jpg").read_bytes()[:200])
    (tmp_path / "words.txt").write_text("no picture")
    (tmp_path / "inner").mkdir()
    assert names(find_brackets(tmp_path, on_refused=refused.append)) == [["good"]]
    assert [Path(error.faults[0].where).name for error in refused] == ["broken.jpg"]
    with pytest.raises(InputError, match="folder"):
        find_brackets(tmp_path / "absent")
