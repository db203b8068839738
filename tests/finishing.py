"""What tests of finishing share: a stage run on pixels as pictures have them, a small job in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from tilepipe.demo.frames import write_demo_frames
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape
from tilepipe.stages.stage import Stage


def made(device: CpuDevice, stage: Stage, pixels: Any) -> Any:
    """The stage's result on pixels `(y, x, 3)`, as float64."""
    planar = np.ascontiguousarray(np.asarray(pixels, np.float32).transpose(2, 0, 1))
    shape = Shape(*planar.shape[1:])
    return stage.run(device, Tile(planar, shape.whole, shape), shape.whole, {}).array.transpose(1, 2, 0).astype(np.float64)


def job_in(folder: Path, recipe: str) -> Path:
    """The folder with four TIFF frames of the invented scene, 360×240 px, in `frames` and a recipe `job.yaml`."""
    write_demo_frames(folder / "frames", shape=Shape(240, 360), kind="tiff")
    (folder / "job.yaml").write_text(recipe, encoding="utf-8")
    return folder
