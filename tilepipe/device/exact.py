"""Elementary functions and 3×3 matrices for host scalars that reach pixels, with the same bits on every machine.

The functions are those of `kernels/exact.h` in float64; methods, ranges and worst errors stand there. Every result is
finite or NaN: an overflow gives the largest finite number, a value outside the domain gives NaN. The matrices are plain
IEEE float64 arithmetic in the order written here.
"""

from __future__ import annotations

import ctypes
import functools
import math
from collections.abc import Callable

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


@functools.cache
def _entries() -> tuple[Callable[..., None], dict[str, int]]:
    """The library's array function and the number of each name."""
    from tilepipe.device import native

    library = native.library()
    names: bytes = ctypes.CFUNCTYPE(ctypes.c_char_p)(("tilepipe_exact_names", library))()
    pointer = ctypes.POINTER(ctypes.c_double)
    form = ctypes.CFUNCTYPE(None, ctypes.c_int, pointer, pointer, pointer, ctypes.c_long)
    numbers = {name: number for number, name in enumerate(names.decode().split())}
    return form(("tilepipe_exact", library)), numbers


def _call(name: str, a: float, b: float = 0.0) -> float:
    function, numbers = _entries()
    result = ctypes.c_double()
    first, second = ctypes.c_double(a), ctypes.c_double(b)
    function(numbers[name], ctypes.byref(first), ctypes.byref(second), ctypes.byref(result), 1)
    return result.value


def exp2(x: float) -> float:
    """2**x. Worst error 0.76 units in the last place."""
    return _call("exp2", x)


def log2(x: float) -> float:
    """Logarithm to base 2; log2(0) is minus the largest finite number, x < 0 gives NaN. Worst error 0.51 units."""
    return _call("log2", x)


def pow(base: float, exponent: float) -> float:
    """base**exponent for base ≥ 0, NaN below. Worst error 1.0 units in the last place."""
    return _call("pow", base, exponent)


def cbrt(x: float) -> float:
    """Cube root with the sign of x. Worst error 0.51 units in the last place."""
    return _call("cbrt", x)


def sin(angle: float) -> float:
    """Sine of an angle in radians, |angle| ≤ 1e5, NaN beyond. Worst error 0.8 units in the last place."""
    return _call("sin", angle)


def cos(angle: float) -> float:
    """Cosine of an angle in radians, |angle| ≤ 1e5, NaN beyond. Worst error 0.8 units in the last place."""
    return _call("cos", angle)


def atan2(y: float, x: float) -> float:
    """Angle of the point (x, y) in radians, (−π, π]. Worst error 0.76 units in the last place."""
    return _call("atan2", y, x)


def exp(x: float) -> float:
    """e**x. Worst error 0.76 units in the last place."""
    return _call("exp", x)


def log(x: float) -> float:
    """Natural logarithm; log(0) is minus the largest finite number, x < 0 gives NaN. Worst error 0.51 units."""
    return _call("log", x)


def sqrt(x: float) -> float:
    """Square root, correctly rounded by IEEE 754; x < 0 gives NaN."""
    return math.sqrt(x) if x >= 0.0 else math.nan


def matrix_multiply(a: Matrix, b: Matrix) -> Matrix:
    """The product a·b; each sum runs over the inner index from 0 to 2."""
    first, second, third = (_row_times(row, b) for row in a)
    return first, second, third


def _row_times(row: Vector, b: Matrix) -> Vector:
    return (
        row[0] * b[0][0] + row[1] * b[1][0] + row[2] * b[2][0],
        row[0] * b[0][1] + row[1] * b[1][1] + row[2] * b[2][1],
        row[0] * b[0][2] + row[1] * b[1][2] + row[2] * b[2][2],
    )


def matrix_vector(m: Matrix, v: Vector) -> Vector:
    """The product m·v; each sum runs over the inner index from 0 to 2."""
    first, second, third = (row[0] * v[0] + row[1] * v[1] + row[2] * v[2] for row in m)
    return first, second, third


def matrix_inverse(m: Matrix) -> Matrix:
    """The inverse as adjugate over determinant, each entry one division.

    Raises ValueError where the determinant is 0.
    """
    (a, b, c), (d, e, f), (g, h, i) = m
    first, second, third = e * i - f * h, f * g - d * i, d * h - e * g
    determinant = a * first + b * second + c * third
    if not math.isfinite(determinant) or determinant == 0.0:
        raise ValueError(f"matrix has no inverse: its determinant is {determinant}")
    return (
        (first / determinant, (c * h - b * i) / determinant, (b * f - c * e) / determinant),
        (second / determinant, (a * i - c * g) / determinant, (c * d - a * f) / determinant),
        (third / determinant, (b * g - a * h) / determinant, (a * e - b * d) / determinant),
    )
