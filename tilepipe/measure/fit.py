"""Fits a shift, a rotation or a homography to block displacements, robustly, in plain float64 of fixed order."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from tilepipe.device import exact
from tilepipe.device.exact import Matrix
from tilepipe.geometry import Shape

IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
MODELS = ("shift", "rotation", "homography")
FREEDOM = {"shift": 2, "rotation": 3, "homography": 8}  # parameters
SIXTY_FOURTHS = 64
CUTS = (40.0, 20.0, 12.0, 8.0, 6.0, 5.0, 4.0, 3.0, 3.0, 3.0)  # Tukey's cut per round, in standard deviations
AGREES = 3.0  # standard deviations within which a block agrees: beyond them all disagreement costs the same
SURE_SHARE, SURE_DISTANCE = 0.3, 0.845  # 30 % of a Rayleigh distribution lie within 0.845 standard deviations
LARGEST_SCALE = 1.5  # chosen here: beyond, what moves by itself would be taken for what stands still
LOWER = 0.6  # of the simpler model's cost, what a homography may leave: errors of real frames are not independent
LOOSE = 0.004  # a priori spread of a homography's parameters about a rotation, as a fraction of half the longer side


@dataclass(frozen=True)
class Block:
    """One measured block: pixel (x, y) of the fixed frame is found at (x + dx, y + dy) of the moving one.

    `information` is the inverse covariance (xx, xy, yy) of (dx, dy) in px⁻². `texture` (0..1) weighs its vote: land has
    more of it than cloud. `score` is the correlation found.
    """

    x: float
    y: float
    dx: float
    dy: float
    information: tuple[float, float, float]
    texture: float
    score: float


@dataclass(frozen=True)
class Fit:
    """A matrix (fixed pixel → moving pixel); `agrees` marks the blocks it rests on, `costs` (per block) compare models."""

    model: str
    matrix: Matrix
    agrees: tuple[bool, ...]
    residuals_px: tuple[float, ...]
    costs: tuple[float, ...]


def apply(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    """The point (x, y) through a homography."""
    (a, b, c), (d, e, f), (g, h, i) = matrix
    depth = g * x + h * y + i
    return (a * x + b * y + c) / depth, (d * x + e * y + f) / depth


def with_error(block: Block, error_px: float) -> Block:
    """The block with an independent error of `error_px` added to what its sums promise."""
    xx, xy, yy = block.information
    floor = error_px * error_px
    p, q, r = 1.0 + floor * xx, floor * xy, 1.0 + floor * yy
    determinant = p * r - q * q
    return replace(block, information=(
        (r * xx - q * xy) / determinant, (r * xy - q * yy) / determinant, (p * yy - q * xy) / determinant,
    ))


@dataclass(frozen=True)
class Frame:
    """Coordinates about the picture's centre in units of half its longer side, so that all parameters are pixels."""

    centre_x: float
    centre_y: float
    unit: float

    @classmethod
    def of(cls, shape: Shape) -> Frame:
        return cls((shape.width - 1) / 2.0, (shape.height - 1) / 2.0, max(shape.width, shape.height) / 2.0)


Parameters = tuple[float, ...]
Predict = Callable[[Frame, Parameters, float, float], tuple[float, float, list[float], list[float]]]


def _shift(frame: Frame, p: Parameters, x: float, y: float) -> tuple[float, float, list[float], list[float]]:
    return x + p[0], y + p[1], [1.0, 0.0], [0.0, 1.0]


def _rotation(frame: Frame, p: Parameters, x: float, y: float) -> tuple[float, float, list[float], list[float]]:
    u, v = x - frame.centre_x, y - frame.centre_y
    angle = p[2] / frame.unit
    cosine, sine = exact.cos(angle), exact.sin(angle)
    turned_x, turned_y = cosine * u - sine * v, sine * u + cosine * v
    return (
        frame.centre_x + turned_x + p[0], frame.centre_y + turned_y + p[1],
        [1.0, 0.0, -turned_y / frame.unit], [0.0, 1.0, turned_x / frame.unit],
    )


def _homography(frame: Frame, p: Parameters, x: float, y: float) -> tuple[float, float, list[float], list[float]]:
    u, v = (x - frame.centre_x) / frame.unit, (y - frame.centre_y) / frame.unit
    depth = 1.0 + (p[6] * u + p[7] * v) / frame.unit
    wide = (frame.unit * u + p[0] + p[2] * u + p[3] * v) / depth
    high = (frame.unit * v + p[1] + p[4] * u + p[5] * v) / depth
    i, fall_x, fall_y = 1.0 / depth, -wide / (depth * frame.unit), -high / (depth * frame.unit)
    return (
        frame.centre_x + wide, frame.centre_y + high,
        [i, 0.0, u * i, v * i, 0.0, 0.0, u * fall_x, v * fall_x],
        [0.0, i, 0.0, 0.0, u * i, v * i, u * fall_y, v * fall_y],
    )


_PREDICT: dict[str, Predict] = {"shift": _shift, "rotation": _rotation, "homography": _homography}


def matrix_of(model: str, frame: Frame, p: Parameters) -> Matrix:
    """The 3×3 matrix of a model's parameters, in pixels of the picture."""
    if model == "shift":
        return (1.0, 0.0, p[0]), (0.0, 1.0, p[1]), (0.0, 0.0, 1.0)
    if model == "rotation":
        angle = p[2] / frame.unit
        cosine, sine = exact.cos(angle), exact.sin(angle)
        inner = (cosine, -sine, p[0]), (sine, cosine, p[1]), (0.0, 0.0, 1.0)
    else:
        k = 1.0 / frame.unit
        inner = (
            (1.0 + p[2] * k, p[3] * k, p[0]), (p[4] * k, 1.0 + p[5] * k, p[1]), (p[6] * k * k, p[7] * k * k, 1.0)
        )
    forth: Matrix = (1.0, 0.0, frame.centre_x), (0.0, 1.0, frame.centre_y), (0.0, 0.0, 1.0)
    back: Matrix = (1.0, 0.0, -frame.centre_x), (0.0, 1.0, -frame.centre_y), (0.0, 0.0, 1.0)
    return scaled(exact.matrix_multiply(exact.matrix_multiply(forth, inner), back))


def scaled(matrix: Matrix) -> Matrix:
    """The same homography with 1 in its last place."""
    last = matrix[2][2]
    rows = [tuple(value / last for value in row) for row in matrix]
    return rows[0], rows[1], rows[2]  # type: ignore[return-value]


def solve(matrix: list[list[float]], right: list[float]) -> list[float]:
    """A small linear system by elimination with the largest pivot of each column (the first of equals)."""
    size = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for k in range(size):
        pivot = max(range(k, size), key=lambda row: (abs(rows[row][k]), -row))
        rows[k], rows[pivot] = rows[pivot], rows[k]
        for row in range(k + 1, size):
            share = rows[row][k] / rows[k][k]
            for col in range(k, size + 1):
                rows[row][col] -= share * rows[k][col]
    result = [0.0] * size
    for k in range(size - 1, -1, -1):
        rest = rows[k][size]
        for col in range(k + 1, size):
            rest -= rows[k][col] * result[col]
        result[k] = rest / rows[k][k]
    return result


def _distance(information: tuple[float, float, float], ex: float, ey: float) -> float:
    """Squared distance in standard deviations."""
    xx, xy, yy = information
    return xx * ex * ex + 2.0 * xy * ex * ey + yy * ey * ey


def vote(blocks: Sequence[Block], matrix: Matrix, reach_px: float) -> tuple[float, float]:
    """The displacement that `matrix` leaves: that of the block with which most texture agrees within `reach_px`."""
    rest = []
    for block in blocks:
        x, y = apply(matrix, block.x, block.y)
        rest.append((block.x + block.dx - x, block.y + block.dy - y))
    best, found = -1.0, (0.0, 0.0)
    spread = 1.0 / (reach_px * reach_px)
    wide = [with_error(block, reach_px / 2.0).information for block in blocks]
    for index in _strongest(blocks, 120):
        ax, ay = rest[index]
        total = 0.0
        for (bx, by), information, block in zip(rest, wide, blocks, strict=True):
            if _distance(information, bx - ax, by - ay) < 4.0:
                gap = ((bx - ax) * (bx - ax) + (by - ay) * (by - ay)) * spread
                total += block.texture / (1.0 + gap)
        if total > best:
            best, found = total, (ax, ay)
    return found


def _strongest(blocks: Sequence[Block], count: int) -> list[int]:
    """Indices of the blocks that fix both directions best."""
    def least(block: Block) -> float:
        xx, xy, yy = block.information
        half = (xx - yy) / 2.0
        return (xx + yy) / 2.0 - math.sqrt(half * half + xy * xy)

    return sorted(range(len(blocks)), key=lambda index: (-least(blocks[index]), index))[:count]


def fit(blocks: Sequence[Block], model: str, shape: Shape, start: Matrix, shift: tuple[float, float]) -> Fit:
    """Reweighted least squares from `start` moved by `shift` (Tukey's weights, a fixed number of rounds)."""
    frame = Frame.of(shape)
    parameters, prior = _start(model, frame, start, shift)
    begin = parameters
    scale = 1.0
    for cut in CUTS:
        distances = _distances(blocks, model, frame, parameters)
        scale = _scale(distances, blocks, cut * scale)
        parameters = _step(blocks, model, frame, parameters, begin, prior, cut * scale, distances)
    return _result(blocks, model, frame, parameters, scale)


def _start(
    model: str, frame: Frame, matrix: Matrix, shift: tuple[float, float]
) -> tuple[Parameters, list[float]]:
    """First parameters, and the information of the prior that keeps them where nothing is measured."""
    x, y = apply(matrix, frame.centre_x, frame.centre_y)
    p = [x - frame.centre_x + shift[0], y - frame.centre_y + shift[1]]
    loose = 1.0 / (frame.unit * frame.unit)
    if model == "shift":
        return tuple(p), [loose] * 2
    x1, y1 = apply(matrix, frame.centre_x + frame.unit, frame.centre_y)
    angle = exact.atan2(y1 - y, x1 - x)
    if model == "rotation":
        return (*p, angle * frame.unit), [loose] * 3
    cosine, sine = exact.cos(angle), exact.sin(angle)
    k, tight = frame.unit, 1.0 / (LOOSE * LOOSE * frame.unit * frame.unit)
    return (*p, (cosine - 1.0) * k, -sine * k, sine * k, (cosine - 1.0) * k, 0.0, 0.0), [loose] * 2 + [tight] * 6


def _distances(blocks: Sequence[Block], model: str, frame: Frame, parameters: Parameters) -> list[float]:
    predict = _PREDICT[model]
    found = []
    for block in blocks:
        x, y, _, _ = predict(frame, parameters, block.x, block.y)
        found.append(math.sqrt(_distance(block.information, block.x + block.dx - x, block.y + block.dy - y)))
    return found


def _scale(distances: Sequence[float], blocks: Sequence[Block], limit: float) -> float:
    """How much larger than promised residuals are (at least 1), by the best-agreeing part of those within `limit`.

    Not by their median: most of a picture's texture may be water, grass and cloud.
    """
    near = sorted((d, block.texture) for d, block in zip(distances, blocks, strict=True) if d <= limit)
    total = 0.0
    for _, texture in near:
        total += texture
    passed = 0.0
    for distance, texture in near:
        passed += texture
        if passed >= SURE_SHARE * total:
            return min(max(distance / SURE_DISTANCE, 1.0), LARGEST_SCALE)
    return 1.0


def _step(
    blocks: Sequence[Block], model: str, frame: Frame, parameters: Parameters, begin: Parameters,
    prior: Sequence[float], cut: float, distances: Sequence[float],
) -> Parameters:
    """One Gauss–Newton step of the weighted normal equations."""
    size, predict = len(parameters), _PREDICT[model]
    normal = [[prior[i] if i == j else 0.0 for j in range(size)] for i in range(size)]
    right = [prior[i] * (begin[i] - parameters[i]) for i in range(size)]
    for block, distance in zip(blocks, distances, strict=True):
        if distance >= cut:
            continue
        part = distance / cut
        weight = block.texture * (1.0 - part * part) * (1.0 - part * part)
        x, y, jx, jy = predict(frame, parameters, block.x, block.y)
        ex, ey = block.x + block.dx - x, block.y + block.dy - y
        xx, xy, yy = block.information
        for i in range(size):
            wx = weight * (xx * jx[i] + xy * jy[i])
            wy = weight * (xy * jx[i] + yy * jy[i])
            right[i] += wx * ex + wy * ey
            row = normal[i]
            for j in range(size):
                row[j] += wx * jx[j] + wy * jy[j]
    change = solve(normal, right)
    return tuple(value + step for value, step in zip(parameters, change, strict=True))


def _result(blocks: Sequence[Block], model: str, frame: Frame, parameters: Parameters, scale: float) -> Fit:
    predict = _PREDICT[model]
    distances = _distances(blocks, model, frame, parameters)
    agrees, residuals, costs = [], [], []
    for block, distance in zip(blocks, distances, strict=True):
        x, y, _, _ = predict(frame, parameters, block.x, block.y)
        ex, ey = block.x + block.dx - x, block.y + block.dy - y
        strength = max(block.information[0] + block.information[2], 1e-12)
        # the error seen across the block's texture: an edge says nothing of the direction along it
        residuals.append(math.sqrt(_distance(block.information, ex, ey) / strength * 2.0))
        agrees.append(distance < AGREES * scale)
        costs.append(block.texture * min(distance * distance, AGREES * AGREES))
    return Fit(model, matrix_of(model, frame, parameters), tuple(agrees), tuple(residuals), tuple(costs))


def fit_best(
    blocks: Sequence[Block], models: Sequence[str], shape: Shape, start: Matrix, reach_px: float, slack_px: float = 0.1,
) -> Fit:
    """The simplest of `models` that explains the blocks: a richer one must lower the cost by more than chance would, a
    homography to `LOWER` of it, and move some agreeing block by more than `slack_px`."""
    shift = vote(blocks, start, reach_px)
    best: Fit | None = None
    for model in models:
        found = fit(blocks, model, shape, start if best is None else best.matrix, shift if best is None else (0.0, 0.0))
        if best is None or _worth_it(best, found, blocks, slack_px):
            best = found
    assert best is not None
    return best


def _worth_it(simple: Fit, rich: Fit, blocks: Sequence[Block], slack_px: float) -> bool:
    either = [one or other for one, other in zip(simple.agrees, rich.agrees, strict=True)]
    before, after = _total(simple.costs, either), _total(rich.costs, either)  # what moves by itself decides nothing
    weight = _total([block.texture for block in blocks], rich.agrees)
    # 1 where residuals are as small as the sums promise
    typical = max(_total(rich.costs, rich.agrees) / max(2.0 * weight, 1e-12), 1.0)
    # the Bayesian information criterion: Schwarz, Annals of Statistics 6(2), 1978
    penalty = (FREEDOM[rich.model] - FREEDOM[simple.model]) * exact.log(float(2 * max(sum(either), 1)))
    if (before - after) / typical <= penalty or (rich.model == "homography" and after > LOWER * before):
        return False
    for block, agrees in zip(blocks, rich.agrees, strict=True):
        ax, ay = apply(simple.matrix, block.x, block.y)
        bx, by = apply(rich.matrix, block.x, block.y)
        if agrees and max(abs(ax - bx), abs(ay - by)) > slack_px:
            return True
    return False


def _total(values: Sequence[float], where: Sequence[bool]) -> float:
    total = 0.0
    for value, counts in zip(values, where, strict=True):
        if counts:
            total += value
    return total


def corners(shape: Shape) -> tuple[tuple[float, float], ...]:
    right, bottom = float(shape.width - 1), float(shape.height - 1)
    return (0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)


def quantised(matrix: Matrix, shape: Shape) -> tuple[Matrix, tuple[int, ...]]:
    """The homography through the four corners' displacements rounded to 1/64 px, and these (x, y, …) in 1/64 px.

    Where all four are equal the result is an exact shift.
    """
    moves: list[int] = []
    for x, y in corners(shape):
        to_x, to_y = apply(matrix, x, y)
        moves += [round((to_x - x) * SIXTY_FOURTHS), round((to_y - y) * SIXTY_FOURTHS)]
    if all(moves[index] == moves[index % 2] for index in range(8)):
        x, y = moves[0] / SIXTY_FOURTHS, moves[1] / SIXTY_FOURTHS
        return ((1.0, 0.0, x), (0.0, 1.0, y), (0.0, 0.0, 1.0)), tuple(moves)
    return through_corners(moves, shape), tuple(moves)


def through_corners(moves: Sequence[int], shape: Shape) -> Matrix:
    """The homography that moves the picture's corners by `moves` (x, y, … in 1/64 px)."""
    matrix: list[list[float]] = []
    right: list[float] = []
    frame = Frame.of(shape)
    for index, (x, y) in enumerate(corners(shape)):
        u, v = (x - frame.centre_x) / frame.unit, (y - frame.centre_y) / frame.unit
        p = u + moves[2 * index] / SIXTY_FOURTHS / frame.unit
        q = v + moves[2 * index + 1] / SIXTY_FOURTHS / frame.unit
        matrix.append([u, v, 1.0, 0.0, 0.0, 0.0, -u * p, -v * p])
        matrix.append([0.0, 0.0, 0.0, u, v, 1.0, -u * q, -v * q])
        right += [p, q]
    a, b, c, d, e, f, g, h = solve(matrix, right)
    forth: Matrix = (frame.unit, 0.0, frame.centre_x), (0.0, frame.unit, frame.centre_y), (0.0, 0.0, 1.0)
    k = 1.0 / frame.unit
    back: Matrix = (k, 0.0, -frame.centre_x * k), (0.0, k, -frame.centre_y * k), (0.0, 0.0, 1.0)
    return scaled(exact.matrix_multiply(exact.matrix_multiply(forth, ((a, b, c), (d, e, f), (g, h, 1.0))), back))


def largest_move_px(moves: Sequence[int]) -> float:
    """The largest displacement of a corner, in pixels."""
    return max(math.sqrt(moves[i] * moves[i] + moves[i + 1] * moves[i + 1]) for i in range(0, 8, 2)) / SIXTY_FOURTHS
