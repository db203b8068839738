"""Writes the files of an invented bracket into a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from tilepipe.demo.scene import SceneOptions, scene_frames
from tilepipe.demo.write_dng import write_dng
from tilepipe.demo.write_tiff import write_tiff
from tilepipe.geometry import Shape


def demo_shape(megapixels: float) -> Shape:
    """The 3:2 picture nearest to `megapixels` million pixels with even sides: 6 gives 3000×2000."""
    height = 2
    while (height + 2) * _width(height + 2) <= megapixels * 1_000_000:
        height += 2
    return Shape(height, _width(height))


def _width(height: int) -> int:
    return (3 * height // 4) * 2


def write_demo_frames(
    folder: Path, megapixels: float = 6.0, options: SceneOptions | None = None, kind: Literal["dng", "tiff"] = "dng",
    shape: Shape | None = None,
) -> list[Path]:
    """The frames of the bracket as files `frame_1.dng` …, darkest first; `shape` overrides `megapixels`."""
    folder.mkdir(parents=True, exist_ok=True)
    shape = shape or demo_shape(megapixels)
    write, ending = (write_dng, "dng") if kind == "dng" else (write_tiff, "tif")
    return [
        write(folder / f"{setting.name}.{ending}", shape, setting)
        for setting in scene_frames(shape.height, shape.width, options)
    ]
