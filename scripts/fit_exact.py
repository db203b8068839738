"""Fits the polynomial coefficients of tilepipe/kernels/exact.h and prints them with the fit error reached.

Each fit minimises the largest weighted error by reweighted least squares (Lawson 1961) on Chebyshev points in 80-digit
arithmetic. Coefficients are rounded to the working type from the lowest power up, and the rest is fitted again.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from mpmath import atan, ceil, cos, exp, log, lu_solve, matrix, mp, mpf, pi, power, sin, sqrt

mp.dps = 80
Function = Callable[[mpf], mpf]


def solve(points: list[mpf], values: list[mpf], scale: list[mpf], powers: list[int], rounds: int) -> list[mpf]:
    """Coefficients of `powers` that bring max |scale·(Σ c·x^p − value)| over `points` close to its minimum."""
    rows = [[s * x**p for p in powers] for x, s in zip(points, scale, strict=True)]
    target = [s * v for v, s in zip(values, scale, strict=True)]
    weight = [mpf(1)] * len(points)
    found: list[mpf] = []
    best, best_worst = found, mpf("inf")
    for _ in range(rounds):
        n = len(powers)
        normal, right = matrix(n, n), matrix(n, 1)
        for i in range(n):
            for j in range(i, n):
                normal[i, j] = normal[j, i] = sum(w * r[i] * r[j] for w, r in zip(weight, rows, strict=True))
            right[i] = sum(w * r[i] * t for w, r, t in zip(weight, rows, target, strict=True))
        found = list(lu_solve(normal, right))
        error = [abs(sum(c * a for c, a in zip(found, r, strict=True)) - t) for r, t in zip(rows, target, strict=True)]
        worst = max(error)
        if worst < best_worst:
            best, best_worst = found, worst
        if worst == 0:
            break
        weight = [w * e for w, e in zip(weight, error, strict=True)]
        total = sum(weight)
        weight = [w / total + mpf(10) ** -30 for w in weight]
    return best


def fit(name: str, target: Function, weight: Function, low: mpf, high: mpf, degree: int, kind: type) -> None:
    """Print the coefficients c of Σ c[p]·x^p ≈ target(x) on [low, high], lowest power first."""
    count = 6 * (degree + 1)
    points = [(low + high) / 2 + (high - low) / 2 * cos((2 * i + 1) * pi / (2 * count)) for i in range(count)]
    values, scale = [target(x) for x in points], [weight(x) for x in points]
    fixed: list[mpf] = []
    for first in range(degree + 1):
        rest = [v - sum(c * x**p for p, c in enumerate(fixed)) for x, v in zip(points, values, strict=True)]
        found = solve(points, rest, scale, list(range(first, degree + 1)), 30 if first == 0 else 8)
        fixed.append(mpf(float(kind(str(found[0])))))
    error = max(abs(s * (sum(c * x**p for p, c in enumerate(fixed)) - v))
                for x, v, s in zip(points, values, scale, strict=True))
    print(f"{name}: error 2^{float(log(error, 2)):.1f}")
    for c in fixed:
        print(f"    {show(c, kind)}")


def show(value: mpf, kind: type) -> str:
    return f"{float(value):.9g}f" if kind is np.float32 else repr(float(value))


def parts(name: str, value: mpf, bits: list[int], kind: type) -> None:
    """Print `value` as a sum: one part per entry of `bits` of at most that many bits, then the rounded rest."""
    print(name)
    for width in bits:
        step = power(2, ceil(log(abs(value), 2)) - width)
        part = mp.nint(value / step) * step
        print(f"    {show(part, kind)}")
        value -= part
    print(f"    {show(mpf(float(kind(str(value)))), kind)}")


def main(wanted: str = "") -> None:
    f32, f64 = np.float32, np.float64
    tiny, e_most = mpf(10) ** -12, mpf("0.1023")
    ln2, root = log(2), sqrt(2)
    edge = (root - 1) / (root + 1)
    fits: list[tuple[str, Function, Function, mpf, mpf, int, type]] = [
        ("exp2_f: (2^r - 1 - r ln 2)/r^2", lambda r: (2**r - 1 - r * ln2) / r**2, lambda r: r**2 / 2**r,
         mpf("-0.5"), mpf("0.5"), 4, f32),
        ("log2_f: (log2(1+f) - f/ln 2)/f^2", lambda f: (log(1 + f) / ln2 - f / ln2) / f**2,
         lambda f: f**2 * ln2 / log(1 + f), 1 / root - 1, root - 1, 9, f32),
        ("pow_f: (log2((1+s)/(1-s)) - 2s/ln 2 - 2s^3/(3 ln 2))/s^5, in s^2",
         lambda z: (log((1 + sqrt(z)) / (1 - sqrt(z))) - 2 * sqrt(z) - 2 * sqrt(z) ** 3 / 3) / ln2 / sqrt(z) ** 5,
         lambda z: z**2 * ln2 / 2, tiny, edge**2, 2, f32),
        ("cbrt_f: ((1-e)^(-1/3) - 1)/e", lambda e: ((1 - e) ** (mpf(-1) / 3) - 1) / e, lambda e: e,
         -e_most, e_most, 3, f32),
        ("cbrt_d: ((1-e)^(-1/3) - 1)/e", lambda e: ((1 - e) ** (mpf(-1) / 3) - 1) / e, lambda e: e,
         -e_most, e_most, 3, f64),
        ("atan2_f: (atan q - q)/q^3, in q^2", lambda z: (atan(sqrt(z)) - sqrt(z)) / sqrt(z) ** 3,
         lambda z: sqrt(z) ** 3 / atan(sqrt(z)), tiny, mpf("0.4201") ** 2, 5, f32),
        ("exp_d: (e^t - 1 - t)/t^2", lambda t: (exp(t) - 1 - t) / t**2, lambda t: t**2 / exp(t),
         mpf("-0.3467"), mpf("0.3467"), 10, f64),
        ("log_d: (ln((1+s)/(1-s)) - 2s - 2s^3/3)/s^5, in s^2",
         lambda z: (log((1 + sqrt(z)) / (1 - sqrt(z))) - 2 * sqrt(z) - 2 * sqrt(z) ** 3 / 3) / sqrt(z) ** 5,
         lambda z: z**2 / 2, tiny, edge**2, 7, f64),
        ("sin_d: (sin r - r)/r^3, in r^2", lambda z: (sin(sqrt(z)) - sqrt(z)) / sqrt(z) ** 3,
         lambda z: sqrt(z) ** 3 / sin(sqrt(z)), tiny, mpf("0.7856") ** 2, 5, f64),
        ("cos_d: (cos r - 1 + r^2/2)/r^4, in r^2", lambda z: (cos(sqrt(z)) - 1 + z / 2) / z**2,
         lambda z: z**2 / cos(sqrt(z)), tiny, mpf("0.7856") ** 2, 5, f64),
        ("atan2_d: (atan q - q)/q^3, in q^2", lambda z: (atan(sqrt(z)) - sqrt(z)) / sqrt(z) ** 3,
         lambda z: sqrt(z) ** 3 / atan(sqrt(z)), tiny, mpf("0.2405") ** 2, 8, f64),
    ]
    for entry in fits:
        if entry[0].startswith(wanted):
            fit(*entry)
    parts("ln 2 float, 12 bits + rest", ln2, [12], f32)
    parts("1/ln 2 float, 12 bits + rest", 1 / ln2, [12], f32)
    parts("2/ln 2 float, 12 bits + rest", 2 / ln2, [12], f32)
    parts("2/(3 ln 2) float, 12 bits + rest", 2 / (3 * ln2), [12], f32)
    parts("pi/2 float", pi / 2, [24], f32)
    parts("pi/4 float", pi / 4, [24], f32)
    parts("pi float", pi, [24], f32)
    parts("ln 2, 26 bits + rest", ln2, [26], f64)
    parts("ln 2, 32 bits + rest", ln2, [32], f64)
    parts("1/ln 2, 53 bits + rest", 1 / ln2, [53], f64)
    parts("2/3, 26 bits + rest", mpf(2) / 3, [26], f64)
    parts("pi/2, 33 + 33 + 33 bits + rest", pi / 2, [33, 33, 33], f64)
    parts("pi/2, 53 bits + rest", pi / 2, [53], f64)
    parts("pi, 53 bits + rest", pi, [53], f64)
    parts("pi/4, 53 bits + rest", pi / 4, [53], f64)
    parts("atan 1/2, 53 bits + rest", atan(mpf("0.5")), [53], f64)
    print("2/pi\n   ", float(2 / pi))


if __name__ == "__main__":
    main(*sys.argv[1:])
