"""RGB → XYZ D50 matrices from chromaticities, in plain float64 arithmetic."""

from __future__ import annotations

Row3 = tuple[float, float, float]
Matrix3 = tuple[Row3, Row3, Row3]
Xy = tuple[float, float]

D65: Xy = (0.3127, 0.3290)  # ITU-R BT.709-6, table 1
PCS_WHITE: Row3 = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 7.2.16
# Bradford cone matrix: ICC.1:2022, annex E.3.
BRADFORD: Matrix3 = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))

REC709: tuple[Xy, Xy, Xy] = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))  # ITU-R BT.709-6, table 1
REC2020: tuple[Xy, Xy, Xy] = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))  # ITU-R BT.2020-2, table 3
P3: tuple[Xy, Xy, Xy] = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))  # SMPTE RP 431-2
DCF_OPTIONAL: tuple[Xy, Xy, Xy] = ((0.640, 0.330), (0.210, 0.710), (0.150, 0.060))  # IEC 61966-2-5


def multiply(left: Matrix3, right: Matrix3) -> Matrix3:
    """left · right."""
    rows = [tuple(_dot(row, tuple(other[col] for other in right)) for col in range(3)) for row in left]
    return (rows[0], rows[1], rows[2])  # type: ignore[return-value]


def apply(matrix: Matrix3, vector: Row3) -> Row3:
    """matrix · vector."""
    return (_dot(matrix[0], vector), _dot(matrix[1], vector), _dot(matrix[2], vector))


def diagonal(vector: Row3) -> Matrix3:
    return ((vector[0], 0.0, 0.0), (0.0, vector[1], 0.0), (0.0, 0.0, vector[2]))


def inverse(matrix: Matrix3) -> Matrix3:
    """The inverse by cofactors; raises ZeroDivisionError for a singular matrix."""
    (a, b, c), (d, e, f), (g, h, i) = matrix
    first, second, third = e * i - f * h, f * g - d * i, d * h - e * g
    determinant = a * first + b * second + c * third
    return (
        (first / determinant, (c * h - b * i) / determinant, (b * f - c * e) / determinant),
        (second / determinant, (a * i - c * g) / determinant, (c * d - a * f) / determinant),
        (third / determinant, (b * g - a * h) / determinant, (a * e - b * d) / determinant),
    )


def to_xyz_d50(primaries: tuple[Xy, Xy, Xy], white: Xy = D65) -> Matrix3:
    """RGB → XYZ for the ICC profile connection space: primaries scaled to the white, then adapted by Bradford."""
    columns = tuple(_xyz(xy) for xy in primaries)
    plain: Matrix3 = tuple(tuple(column[row] for column in columns) for row in range(3))  # type: ignore[assignment]
    scale = apply(inverse(plain), _xyz(white))
    return multiply(_adaptation(_xyz(white)), multiply(plain, diagonal(scale)))


def _adaptation(white: Row3) -> Matrix3:
    source, target = apply(BRADFORD, white), apply(BRADFORD, PCS_WHITE)
    gains = diagonal((target[0] / source[0], target[1] / source[1], target[2] / source[2]))
    return multiply(inverse(BRADFORD), multiply(gains, BRADFORD))


def _xyz(xy: Xy) -> Row3:
    return (xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1])


def _dot(left: tuple[float, ...], right: tuple[float, ...]) -> float:
    return left[0] * right[0] + left[1] * right[1] + left[2] * right[2]
