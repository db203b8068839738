"""Coarse alignment of two reduced pictures: blocks vote for a shift and a turn, layer by layer down to the finest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device.exact import Matrix
from tilepipe.geometry import Shape, Window
from tilepipe.measure.blocks import Levels, as_block, block_sums, correlation, layers_of, peak, texture
from tilepipe.measure.fit import Block, Fit, Frame, apply, fit_best, matrix_of, with_error
from tilepipe.measure.reduced import Survey

COARSEST_PX = 200
COARSE_ERROR = 0.08  # of a layer's pixel: what a block's position misses beside noise
TURNS = tuple(0.25 * step for step in range(-8, 9))  # degrees tried at the coarsest layer
BLOCKS_ACROSS = 16  # blocks along the longer side at the coarsest layer
LAYER_BLOCKS = 160
FINEST_BLOCKS = 480
LEAST_BLOCKS = 6
BLOCK_SIDE = 32
REACH = 3
SKY = 0.25  # weight of a vote at the upper rim of the picture: chosen here
DETAIL_PX = 16  # cells of the finest layer over which detail is averaged
SURE = 16.0  # information in (layer pixel)⁻²: a block that is known to a quarter of a pixel

Float = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Coarse:
    """A matrix (fixed frame → moving frame) with the blocks of the finest layer that agree with it."""

    matrix: Matrix
    blocks: tuple[Block, ...]
    fit: Fit
    scale: int

    @property
    def sure(self) -> int:
        """Agreeing blocks that are known to a quarter of a layer's pixel in every direction."""
        least = SURE / (self.scale * self.scale)
        return sum(
            agrees and least_information(block) >= least
            for block, agrees in zip(self.blocks, self.fit.agrees, strict=True)
        )

    def spread(self, shape: Shape, limit: int) -> list[Block]:
        """Up to `limit` blocks for a closer look: agreeing ones first, the surest of each part of the picture."""
        across = 16
        parts: dict[tuple[int, int], list[tuple[bool, float, float, float, Block]]] = {}
        side = max(shape.height, shape.width) / across
        for block, agrees in zip(self.blocks, self.fit.agrees, strict=True):
            key = (int(block.y / side), int(block.x / side))
            worth = least_information(block) * block.texture
            parts.setdefault(key, []).append((not agrees, -worth, block.y, block.x, block))
        queues = [sorted(parts[key], key=lambda entry: entry[:4]) for key in sorted(parts)]
        chosen: list[Block] = []
        for rank in range(max(map(len, queues), default=0)):
            chosen += [queue[rank][4] for queue in queues if rank < len(queue)]
        return chosen[:limit]


def least_information(block: Block) -> float:
    """How well the block fixes the direction it fixes worse, px⁻²."""
    xx, xy, yy = block.information
    half = (xx - yy) / 2.0
    return (xx + yy) / 2.0 - float(np.sqrt(half * half + xy * xy))


@dataclass(frozen=True)
class Stack:
    """A frame's layers, fine to coarse, and the detail of the finest per cell: valid pixels and Σ squared gradient."""

    layers: tuple[Levels, ...]
    valid: npt.NDArray[np.int64]
    energy: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Detail:
    """How much fine detail both frames of a pair have, per cell of `cell_px` full-size pixels, 0..1.

    Votes are weighed by it: land has fine detail, drifting cloud has little, however large it is. Where cloud is as
    crisp as land only its place tells them apart: the weight falls to `SKY` from the lower to the upper rim.
    """

    share: Float
    cell_px: int

    @classmethod
    def of(cls, fixed: Stack, moving: Stack) -> Detail:
        means = [stack.energy // np.maximum(stack.valid, 1) for stack in (fixed, moving)]
        ranked = [np.sort(mean[mean > 0]) for mean in means]
        tops = [int(values[len(values) * 9 // 10]) if len(values) else 1 for values in ranked]
        shares = [np.minimum(mean, top).astype(np.float64) / top for mean, top in zip(means, tops, strict=True)]
        below = (np.arange(len(shares[0])) + 0.5) / len(shares[0])
        weight = (SKY + (1.0 - SKY) * below)[:, None]
        return cls(np.minimum(shares[0], shares[1]) * weight, fixed.layers[0].scale * DETAIL_PX)

    def over(self, window: Window, scale: int) -> float:
        """The largest share among the cells that a window of a layer touches."""
        rows, cols = self.share.shape
        top, left = window.y * scale // self.cell_px, window.x * scale // self.cell_px
        bottom, right = -(-window.y_end * scale // self.cell_px), -(-window.x_end * scale // self.cell_px)
        part = self.share[min(top, rows - 1) : bottom, min(left, cols - 1) : right]
        return float(part.max()) if part.size else 0.0


def layer_stacks(device: Any, survey: Survey) -> list[Stack]:
    """Every frame's stack."""
    stacks = []
    for frame in survey.frames:
        layers = layers_of(device, frame, survey.grid.factor, COARSEST_PX)
        n, xx, yy, _ = texture(device, layers[0], DETAIL_PX)
        stacks.append(Stack(tuple(layers), n, xx + yy))
    return stacks


def coarse_pair(
    device: Any, fixed: Stack, moving: Stack, shape: Shape, search_percent: float, model: str
) -> Coarse | None:
    """Aligns `moving` to `fixed`; None where too few blocks can be compared."""
    detail = Detail.of(fixed, moving)
    matrix = _first(device, fixed.layers[-1], moving.layers[-1], detail, shape, search_percent, model)
    if matrix is None:
        return None
    models = ("shift",) if model == "shift" else ("shift", "rotation")
    result: Coarse | None = None
    for depth in range(len(fixed.layers) - 1, -1, -1):
        layer, limit = fixed.layers[depth], LAYER_BLOCKS if depth else FINEST_BLOCKS
        blocks = _measure(device, layer, moving.layers[depth], detail, matrix, limit)
        if len(blocks) < LEAST_BLOCKS:
            continue
        scale = layer.scale
        fit = fit_best(blocks, models, shape, matrix, 1.5 * scale, 0.25 * scale)
        matrix, result = fit.matrix, Coarse(fit.matrix, tuple(blocks), fit, scale)
    return result


def _cells(fixed: Levels, side: int) -> list[Window]:
    rows, cols = fixed.shape.height // side, fixed.shape.width // side
    top, left = (fixed.shape.height - rows * side) // 2, (fixed.shape.width - cols * side) // 2
    return [Window(top + row * side, left + col * side, side, side) for row in range(rows) for col in range(cols)]


def _first(
    device: Any, fixed: Levels, moving: Levels, detail: Detail, shape: Shape, search_percent: float, model: str
) -> Matrix | None:
    """The shift and turn with which most detail agrees at the coarsest layer."""
    longer = max(fixed.shape.height, fixed.shape.width)
    side = max(longer // BLOCKS_ACROSS, 8)
    reach = max(int(longer * search_percent / 100.0 + 0.999), 2)
    turns = (0.0,) if model == "shift" else TURNS
    play = 0 if model == "shift" else int(longer / 2.0 * 0.035 * 1.2) + 1  # room for the largest turn
    surfaces = []
    for window in _cells(fixed, side):
        sums = block_sums(device, fixed, moving, window, (0, 0), reach + play)
        surface = np.maximum(correlation(sums, window.pixels), 0.0)
        surfaces.append((window, surface * surface * detail.over(window, fixed.scale)))
    return _vote(surfaces, fixed, shape, reach, play, turns) if surfaces else None


def _vote(
    surfaces: Sequence[tuple[Window, Float]], fixed: Levels, shape: Shape, reach: int, play: int, turns: Sequence[float]
) -> Matrix | None:
    frame = Frame.of(shape)
    best, found = 0.0, None
    far = np.abs(np.arange(-reach, reach + 1)) / float(reach)
    still = 1.0 - 0.02 * (far[:, None] + far[None, :])  # of almost equal answers the one that moves less
    for turn in sorted(turns, key=lambda value: (abs(value), value)):
        radians = turn * 3.141592653589793 / 180.0
        total = np.zeros((2 * reach + 1, 2 * reach + 1))
        matrix = matrix_of("rotation", frame, (0.0, 0.0, radians * frame.unit))
        for window, surface in surfaces:
            x = fixed.full(window.x + (window.width - 1) / 2.0)
            y = fixed.full(window.y + (window.height - 1) / 2.0)
            to_x, to_y = apply(matrix, x, y)
            dy, dx = round((to_y - y) / fixed.scale), round((to_x - x) / fixed.scale)
            dy, dx = min(max(dy, -play), play), min(max(dx, -play), play)
            total = total + surface[play + dy : play + dy + 2 * reach + 1, play + dx : play + dx + 2 * reach + 1]
        total = total * (still * (1.0 - 0.02 * abs(turn)))
        at = int(np.argmax(total))
        if float(total.flat[at]) > best:
            best = float(total.flat[at])
            row, col = divmod(at, 2 * reach + 1)
            move = (float((col - reach) * fixed.scale), float((row - reach) * fixed.scale))
            found = matrix_of("shift", frame, move)
            if turn:
                found = matrix_of("rotation", frame, (*move, radians * frame.unit))
    return found


def _measure(
    device: Any, fixed: Levels, moving: Levels, detail: Detail, matrix: Matrix, limit: int
) -> list[Block]:
    """Blocks of a layer, the most detailed of each part of the picture, measured around where `matrix` expects them."""
    side = min(BLOCK_SIDE, max(fixed.shape.height // 4, 8), max(fixed.shape.width // 4, 8))
    found = []
    for window in _chosen(fixed, detail, side, limit):
        y, x = fixed.full(window.y + (side - 1) / 2.0), fixed.full(window.x + (side - 1) / 2.0)
        to_x, to_y = apply(matrix, x, y)
        offset = (round((to_y - y) / fixed.scale), round((to_x - x) / fixed.scale))
        spot = peak(block_sums(device, fixed, moving, window, offset, REACH), window.pixels, offset)
        if spot is not None:
            block = as_block(spot, window, fixed, detail.over(window, fixed.scale))
            found.append(with_error(block, COARSE_ERROR * fixed.scale))
    return found


def _chosen(levels: Levels, detail: Detail, side: int, limit: int) -> list[Window]:
    """Up to `limit` cells, the most detailed of each of 16 × 12 parts of the picture in turn."""
    parts: dict[tuple[int, int], list[tuple[float, Window]]] = {}
    for window in _cells(levels, side):
        share = detail.over(window, levels.scale)
        if share > 0.0:
            key = (window.y * 12 // levels.shape.height, window.x * 16 // levels.shape.width)
            parts.setdefault(key, []).append((-share, window))
    queues = [sorted(parts[key]) for key in sorted(parts)]
    chosen: list[Window] = []
    for rank in range(max(map(len, queues), default=0)):
        chosen += [queue[rank][1] for queue in queues if rank < len(queue)]
    return chosen[:limit]
