"""The response of encoded frames: which light an in-camera code stands for, from the bracket's joint histograms.

The idea is that of Debevec and Malik (SIGGRAPH 1997): a smooth curve g with g(code in the brighter frame) −
g(code in the darker one) = the stops between them, by least squares. Here the equations come from joint histograms with
integer weights, so that their sums are exact, g is sRGB's curve plus a smooth correction, and the symmetric system is
solved by elimination in a fixed order.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact

CODES = 256
FIXED = 1 << 16  # fixed point of stops
ROUNDS = 8  # reweighting rounds; fixed, no convergence test
TOLERANCE_STOPS = 0.1  # residual at which an equation's weight has halved
# At white, times the mean weight, falling with the fourth power of the code. Chosen here on real and invented
# brackets: frames two stops apart leave a ripple of that period undetermined where the curve may bend freely.
STIFFNESS = 100000.0
LEAST_BOXES = 2000

Float = npt.NDArray[np.float64]


def srgb_light(code: float) -> float:
    """IEC 61966-2-1: linear light of an encoded value 0..1."""
    return code / 12.92 if code <= 0.04045 else exact.pow((code + 0.055) / 1.055, 2.4)


@functools.cache
def _decoded() -> tuple[float, ...]:
    return tuple(srgb_light(code / (CODES - 1)) for code in range(CODES))


@functools.cache
def code_table() -> npt.NDArray[np.int32]:
    """int32[65536]: the sRGB code 0..255 nearest to a reduced level (65535·sqrt(light))."""
    edges = [srgb_light((code + 0.5) / (CODES - 1)) for code in range(CODES - 1)]
    thresholds = np.array([int(exact.sqrt(edge) * 65535.0) + 1 for edge in edges], np.int64)
    return np.searchsorted(thresholds, np.arange(65536), side="right").astype(np.int32)


@dataclass(frozen=True)
class Response:
    """`nodes[i]`: linear light (1.0 = clipping) of the encoded value i/255; monotone, nodes[0] = 0, nodes[255] = 1.

    A decoder takes light = nodes at code·255, linearly interpolated, in place of sRGB's curve.
    """

    nodes: tuple[float, ...]

    def facts(self) -> dict[str, Any]:
        return {"axis": "encoded value, 0 to 1 in equal steps", "nodes": list(self.nodes)}

    def light_of_decoded(self, light: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Light (2^-32) of values that were decoded as sRGB (2^-32)."""
        at = np.array([int(value * 4294967296.0) for value in _decoded()], np.int64)
        upper = np.clip(np.searchsorted(at, light, side="right"), 1, CODES - 1)
        low, high = at[upper - 1].astype(np.float64), at[upper].astype(np.float64)
        nodes = np.array(self.nodes)
        share = np.minimum((light.astype(np.float64) - low) / (high - low), 1.0)
        value = nodes[upper - 1] + share * (nodes[upper] - nodes[upper - 1])
        return np.asarray(np.floor(value * 4294967295.0), np.float64).astype(np.int64)


def _trust() -> npt.NDArray[np.int64]:
    """Weight of a code: a hat that leaves out the two ends (Debevec and Malik 1997, eq. 4)."""
    code = np.arange(CODES, dtype=np.int64)
    return np.maximum(np.minimum(code - 2, CODES - 4 - code), 0)


def fit_response(joints: Sequence[npt.NDArray[np.int64]], stops: Sequence[float]) -> Response | None:
    """The response that explains joint histograms of pairs `stops` apart; None where they hold too little.

    joints: int64 (256, 256), counts by (code in the darker frame, code in the brighter one).
    """
    trust = _trust()
    weights = [joint * np.minimum(trust[:, None], trust[None, :]) for joint in joints]
    if sum(int((joint * (weight > 0)).sum()) for joint, weight in zip(joints, weights, strict=True)) < LEAST_BOXES:
        return None
    start = np.array([round(exact.log2(max(value, 1e-5)) * FIXED) for value in _decoded()], np.int64)
    targets = [round(step * FIXED) for step in stops]
    curve = start
    for _ in range(ROUNDS):
        factors = [_robust(curve, target) for target in targets]
        curve = start + _correction(start, [w * f for w, f in zip(weights, factors, strict=True)], targets)
    return _as_response(curve)


def _robust(curve: npt.NDArray[np.int64], target: int) -> npt.NDArray[np.int64]:
    """Cauchy weights 0..256 of all code pairs by their residual under `curve`."""
    residual = (curve[None, :] - curve[:, None] - target).astype(np.float64) / (FIXED * TOLERANCE_STOPS)
    return np.floor(256.0 / (1.0 + residual * residual)).astype(np.int64)


def _correction(
    start: npt.NDArray[np.int64], weights: Sequence[npt.NDArray[np.int64]], targets: Sequence[int]
) -> npt.NDArray[np.int64]:
    """The smooth correction to `start` that fits best, fixed point; integer sums up to the solution."""
    matrix = np.zeros((CODES, CODES), np.int64)
    right = np.zeros(CODES, np.int64)
    diagonal = np.arange(CODES)
    for weight, target in zip(weights, targets, strict=True):
        wanted = weight * (target - (start[None, :] - start[:, None]))
        matrix[diagonal, diagonal] += weight.sum(axis=0) + weight.sum(axis=1)
        matrix -= weight + weight.T
        right += wanted.sum(axis=0) - wanted.sum(axis=1)
    mean = max(int(matrix[diagonal, diagonal].sum()) // CODES, 1)
    system = matrix.astype(np.float64) + _bending(STIFFNESS * float(mean))
    system[CODES // 2, CODES // 2] += float(mean)  # anchors the curve's free constant
    return np.rint(solve_symmetric(system, right.astype(np.float64))).astype(np.int64)


def _bending(stiffness: float) -> Float:
    """Second differences squared: a curve may bend more in its toe than towards white."""
    bend = np.zeros((CODES, CODES))
    for i in range(1, CODES - 1):
        part = i / (CODES - 1)
        weight = stiffness * (part * part) * (part * part)
        for a, b in ((-1, 1.0), (0, -2.0), (1, 1.0)):
            for c, d in ((-1, 1.0), (0, -2.0), (1, 1.0)):
                bend[i + a, i + c] += weight * (b * d)
    return bend


def solve_symmetric(matrix: Float, right: Float) -> Float:
    """Solves a symmetric positive definite system by elimination without pivots, elementwise and in fixed order."""
    a, b = matrix.copy(), right.copy()
    size = len(b)
    for k in range(size):
        share = a[k + 1 :, k] / a[k, k]
        a[k + 1 :, k + 1 :] -= share[:, None] * a[k, k + 1 :][None, :]
        b[k + 1 :] -= share * b[k]
    for k in range(size - 1, -1, -1):
        b[k] = b[k] / a[k, k]
        b[:k] -= a[:k, k] * b[k]
    return b


def _as_response(curve: npt.NDArray[np.int64]) -> Response:
    rising = np.maximum.accumulate(curve)
    top = int(rising[-1])
    nodes = [exact.exp2((int(value) - top) / FIXED) for value in rising]
    nodes[0] = 0.0
    for code in range(1, CODES):  # strictly rising, so that the curve has an inverse
        nodes[code] = max(nodes[code], nodes[code - 1] + 1e-9)
    return Response(tuple(node / nodes[-1] for node in nodes))
