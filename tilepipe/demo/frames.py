"""Writes the files of an invented bracket into a folder."""

from __future__ import annotations

from pathlib import Path

from tilepipe.demo.scene import SceneOptions, scene_frames
from tilepipe.demo.write_dng import write_dng
from tilepipe.demo.write_tiff import write_tiff
from tilepipe.errors import InputError
from tilepipe.geometry import Shape


def demo_shape(megapixels: float) -> Shape:
    """The 3:2 picture nearest to `megapixels` million pixels with even sides: 6 gives 3000×2000."""
    height = 2
    while (height + 2) * _width(height + 2) <= megapixels * 1_000_000:
        height += 2
    return Shape(height, _width(height))


def _width(height: int) -> int:
    return (3 * height // 4) * 2


_WRITERS = {"dng": (write_dng, "dng"), "tiff": (write_tiff, "tif")}


def write_demo_frames(
    folder: Path, megapixels: float = 6.0, options: SceneOptions | None = None, kind: str = "dng",
    shape: Shape | None = None,
) -> list[Path]:
    """The frames of the bracket as files `frame_1.dng` …, darkest first.

    `kind` is `dng` (raw, one frame's mosaic in memory) or `tiff` (linear Rec.2020, a few tiles in memory); `shape`
    overrides `megapixels`. Raises InputError for another kind.
    """
    if kind not in _WRITERS:
        raise InputError("frames of this kind are not made", found=kind, allowed=", ".join(_WRITERS))
    write, ending = _WRITERS[kind]
    folder.mkdir(parents=True, exist_ok=True)
    shape = shape or demo_shape(megapixels)
    return [
        write(folder / f"{setting.name}.{ending}", shape, setting)
        for setting in scene_frames(shape.height, shape.width, options)
    ]
