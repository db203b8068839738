"""What tests of finishing stages share: a stage run on pixels as pictures have them."""

from __future__ import annotations

from typing import Any

import numpy as np

from tilepipe.device.cpu import CpuDevice
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape
from tilepipe.stages.stage import Stage


def made(device: CpuDevice, stage: Stage, pixels: Any) -> Any:
    """The stage's result on pixels `(y, x, 3)`, as float64."""
    planar = np.ascontiguousarray(np.asarray(pixels, np.float32).transpose(2, 0, 1))
    shape = Shape(*planar.shape[1:])
    return stage.run(device, Tile(planar, shape.whole, shape), shape.whole, {}).array.transpose(1, 2, 0).astype(np.float64)
