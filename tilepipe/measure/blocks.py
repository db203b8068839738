"""Finds where blocks of one frame lie in another: exact integer sums at whole-pixel shifts, a parabola between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import Tile
from tilepipe.geometry import Shape, Window
from tilepipe.measure.fit import Block
from tilepipe.measure.reduced import ReducedFrame, trust_planes

REDUCED = Kernel("align_reduced", 2, 2, source="uint16", result="uint16", header="align.h")
FULL = Kernel("align_full", 5, 2, params="int covered; float clip;", result="uint16", header="align.h")
SMOOTH = Kernel("align_smooth", 2, 2, 2, 1, source="uint16", result="uint16", header="align.h")
HALF = Kernel("align_half", 2, 2, 1, 2, source="uint16", result="uint16", header="align.h")
TEXTURE = Kernel(
    "align_texture", 0, 4, params="Plane level; Plane valid; int cell;", source="uint16", result="int64",
    header="align.h",
)
SUMS = Kernel(
    "align_sums", 0, 6,
    params="Plane fixed; Plane fixed_valid; Plane moving; Plane moving_valid; "
           "int top; int left; int height; int width; int dy; int dx;",
    source="uint16", result="int64", header="align.h",
)

CLIP = 0.95  # full-size pixels above are left out: they are on the way into clipping
SMOOTHED_PX = 2  # reach of the smoothing
ALIKE = 8.0  # neighbouring pixels of a smoothed level that count as one independent sample: chosen here
LEAST_SHARE = 0.3  # of a block's pixels must be valid in both frames

Array = npt.NDArray[Any]
Float = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Levels:
    """A smoothed picture of uint16 levels and a plane that marks what is valid; a pixel is `scale` full-size ones."""

    level: Array
    valid: Array
    window: Window
    shape: Shape
    scale: int

    def planes(self, device: Any) -> tuple[PlaneArgument, PlaneArgument]:
        return device.plane(self.level, self.window, self.shape), device.plane(self.valid, self.window, self.shape)

    def full(self, at: float) -> float:
        """The full-size coordinate of a coordinate of this picture."""
        return at * self.scale + (self.scale - 1) / 2.0

    def own(self, at: float) -> float:
        """The coordinate in this picture of a full-size coordinate."""
        return (at - (self.scale - 1) / 2.0) / self.scale


def _pair(device: Any, shape: Shape) -> Array:
    return device.empty((2, shape.height, shape.width), np.uint16)  # type: ignore[no-any-return]


def _launch(
    device: Any, kernel: Kernel, source: Array, window: Window, shape: Shape, out: Array, to: Window, outer: Shape
) -> None:
    device.launch(
        kernel, [device.plane(plane, window, shape) for plane in source],
        [device.plane(plane, to, outer) for plane in out],
    )


def layers_of(device: Any, frame: ReducedFrame, factor: int, coarsest_px: int) -> list[Levels]:
    """The reduced frame, smoothed, and its halvings until the longer side is at most `coarsest_px`; fine to coarse."""
    shape = Shape(*frame.level.shape)
    source = _pair(device, shape)
    source[0], source[1] = device.upload(frame.level), device.upload(frame.state)
    plain = _pair(device, shape)
    _launch(device, REDUCED, source, shape.whole, shape, plain, shape.whole, shape)
    found = [_smoothed(device, plain, shape, factor)]
    scale = factor
    while max(shape.height, shape.width) > coarsest_px:
        half = shape.halved()
        out = _pair(device, half)
        _launch(device, HALF, plain, shape.whole, shape, out, half.whole, half)
        plain, shape, scale = out, half, 2 * scale
        found.append(_smoothed(device, plain, shape, scale))
    return found


def _smoothed(device: Any, plain: Array, shape: Shape, scale: int) -> Levels:
    out = _pair(device, shape)
    _launch(device, SMOOTH, plain, shape.whole, shape, out, shape.whole, shape)
    return Levels(out[0], out[1], shape.whole, shape, scale)


def levels_of(device: Any, tile: Tile, window: Window) -> Levels:
    """Smoothed full-size levels of `window`, from a tile that holds 2 px more on each side, cut to the picture."""
    green, peaks, coverage, covered = trust_planes(device, tile)
    plain = _pair(device, tile.window.shape)
    device.launch(
        FULL, [green, *peaks, coverage], [device.plane(plane, tile.window, tile.picture) for plane in plain],
        covered=int(covered), clip=CLIP,
    )
    out = _pair(device, window.shape)
    _launch(device, SMOOTH, plain, tile.window, tile.picture, out, window, tile.picture)
    return Levels(out[0], out[1], window, tile.picture, 1)


def texture(device: Any, levels: Levels, cell: int) -> npt.NDArray[np.int64]:
    """int64 `(4, y, x)` per cell: valid pixels, Σgx², Σgy², Σgx·gy."""
    shape = Shape(-(-levels.shape.height // cell), -(-levels.shape.width // cell))
    sums = device.empty((4, shape.height, shape.width), np.int64)
    level, valid = levels.planes(device)
    outs = [device.plane(part, shape.whole, shape) for part in sums]
    device.launch(TEXTURE, [], outs, level=level, valid=valid, cell=cell)
    return np.array(device.download(sums))


def block_sums(
    device: Any, fixed: Levels, moving: Levels, block: Window, offset: tuple[int, int], reach: int
) -> npt.NDArray[np.int64]:
    """int64 `(6, 2·reach+1, 2·reach+1)`: count, Σa, Σb, Σa², Σb², Σab for shifts `offset` (y, x) ± reach."""
    side = Shape(2 * reach + 1, 2 * reach + 1)
    sums = device.empty((6, side.height, side.width), np.int64)
    a, valid_a = fixed.planes(device)
    b, valid_b = moving.planes(device)
    device.launch(
        SUMS, [], [device.plane(part, side.whole, side) for part in sums],
        fixed=a, fixed_valid=valid_a, moving=b, moving_valid=valid_b, top=block.y, left=block.x, height=block.height,
        width=block.width, dy=offset[0] - reach, dx=offset[1] - reach,
    )
    return np.array(device.download(sums))


def correlation(sums: npt.NDArray[np.int64], pixels: int) -> Float:
    """Correlation per shift from exact sums, −1 where too little is valid or nothing varies."""
    n, a, b, aa, bb, ab = sums
    both, first, second = n * ab - a * b, n * aa - a * a, n * bb - b * b
    usable = (n >= LEAST_SHARE * pixels) & (first > 0) & (second > 0)
    product = np.where(usable, first, 1).astype(np.float64) * np.where(usable, second, 1).astype(np.float64)
    return np.where(usable, both.astype(np.float64) / np.sqrt(product), -1.0)


def peak(
    sums: npt.NDArray[np.int64], pixels: int, offset: tuple[int, int]
) -> tuple[float, float, tuple[float, float, float], float] | None:
    """(dy, dx, information (xx, xy, yy), correlation) at the best shift; None where it is on the rim or no peak."""
    surface = correlation(sums, pixels)
    reach = surface.shape[0] // 2
    y, x = divmod(int(np.argmax(surface)), surface.shape[1])
    if not (0 < y < 2 * reach and 0 < x < 2 * reach) or surface[y, x] <= 0.2:
        return None
    near = [[float(value) for value in row] for row in surface[y - 1 : y + 2, x - 1 : x + 2]]
    if min(min(row) for row in near) <= -1.0:
        return None
    step = _parabola(near)
    if step is None:
        return None
    move_x, move_y, bend = step
    top = near[1][1]
    weight = float(sums[0, y, x]) / ALIKE * top / max(1.0 - top * top, 1e-4)
    information = (bend[0] * weight, bend[1] * weight, bend[2] * weight)
    return offset[0] + y - reach + move_y, offset[1] + x - reach + move_x, information, top


def _parabola(near: Sequence[Sequence[float]]) -> tuple[float, float, tuple[float, float, float]] | None:
    """The top of the parabola through 3 × 3 correlations: (x, y, −second derivatives xx, xy, yy)."""
    middle = near[1][1]
    slope_x, slope_y = (near[1][2] - near[1][0]) / 2.0, (near[2][1] - near[0][1]) / 2.0
    xx, yy = 2.0 * middle - near[1][2] - near[1][0], 2.0 * middle - near[2][1] - near[0][1]
    xy = -(near[2][2] + near[0][0] - near[0][2] - near[2][0]) / 4.0
    if xx <= 0.0 or yy <= 0.0:
        return None
    ridge = 0.001 * (xx + yy)
    limit = 0.98 * np.sqrt(xx * yy)
    xy = float(min(max(xy, -limit), limit))
    p, r = xx + ridge, yy + ridge
    determinant = p * r - xy * xy
    x, y = (r * slope_x - xy * slope_y) / determinant, (p * slope_y - xy * slope_x) / determinant
    return min(max(x, -1.0), 1.0), min(max(y, -1.0), 1.0), (xx, xy, yy)


def as_block(
    found: tuple[float, float, tuple[float, float, float], float], block: Window, levels: Levels, weight: float
) -> Block:
    """A peak in a layer's pixels as a block in full-size pixels."""
    dy, dx, (xx, xy, yy), score = found
    s = levels.scale
    y, x = levels.full(block.y + (block.height - 1) / 2.0), levels.full(block.x + (block.width - 1) / 2.0)
    return Block(x, y, dx * s, dy * s, (xx / (s * s), xy / (s * s), yy / (s * s)), weight, score)
