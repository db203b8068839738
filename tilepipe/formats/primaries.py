"""RGB → XYZ D50 matrices from chromaticities, in plain float64 arithmetic."""

from __future__ import annotations

from tilepipe.device.exact import Matrix, Vector, matrix_inverse, matrix_multiply, matrix_vector

Xy = tuple[float, float]

D65: Xy = (0.3127, 0.3290)  # ITU-R BT.709-6, table 1
PCS_WHITE: Vector = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 7.2.16
# Bradford cone matrix: ICC.1:2022, annex E.3.
BRADFORD: Matrix = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))

REC709: tuple[Xy, Xy, Xy] = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))  # ITU-R BT.709-6, table 1
REC2020: tuple[Xy, Xy, Xy] = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))  # ITU-R BT.2020-2, table 3
P3: tuple[Xy, Xy, Xy] = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))  # SMPTE RP 431-2
DCF_OPTIONAL: tuple[Xy, Xy, Xy] = ((0.640, 0.330), (0.210, 0.710), (0.150, 0.060))  # IEC 61966-2-5


def diagonal(vector: Vector) -> Matrix:
    """The matrix that scales each component."""
    return ((vector[0], 0.0, 0.0), (0.0, vector[1], 0.0), (0.0, 0.0, vector[2]))


def to_xyz_d50(primaries: tuple[Xy, Xy, Xy], white: Xy = D65) -> Matrix:
    """RGB → XYZ for the ICC profile connection space: primaries scaled to the white, then adapted by Bradford."""
    red, green, blue = (_xyz(xy) for xy in primaries)
    plain = ((red[0], green[0], blue[0]), (red[1], green[1], blue[1]), (red[2], green[2], blue[2]))
    scale = matrix_vector(matrix_inverse(plain), _xyz(white))
    return matrix_multiply(_adaptation(_xyz(white)), matrix_multiply(plain, diagonal(scale)))


def _adaptation(white: Vector) -> Matrix:
    source, target = matrix_vector(BRADFORD, white), matrix_vector(BRADFORD, PCS_WHITE)
    gains = diagonal((target[0] / source[0], target[1] / source[1], target[2] / source[2]))
    return matrix_multiply(matrix_inverse(BRADFORD), matrix_multiply(gains, BRADFORD))


def _xyz(xy: Xy) -> Vector:
    return (xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1])

