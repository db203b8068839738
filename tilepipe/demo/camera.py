"""The invented camera: true light to sensor values, with noise, saturation, a black pedestal, dirt and a mosaic."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.demo.scene import FrameSetting, Radiance, coverage, default_device, render_truth
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.exact import Matrix, Vector, matrix_inverse, matrix_multiply, matrix_vector
from tilepipe.device.kernel import Kernel
from tilepipe.geometry import Shape, Window

_NOISE = "double photon; double read; "
CAMERA_MOSAIC = Kernel(
    "camera_mosaic", ins=3, outs=1, result="uint16", header="scene_camera.h",
    params="int height; int width; double gain; double matrix[9]; " + _NOISE
    + "double black; double white; double specks; uint32_t seed;",
)
CAMERA_CODED = Kernel(
    "camera_coded", ins=3, outs=3, result="uint16", header="scene_camera.h",
    params="int height; int width; double gain; " + _NOISE
    + "double black; double white; double specks; uint32_t seed;",
)
CAMERA_LINEAR = Kernel(
    "camera_linear", ins=3, outs=3, header="scene_camera.h",
    params="int height; int width; double gain; " + _NOISE + "double specks; uint32_t seed;",
)

# Variance on a scale of 0..1 at ISO 100: photons λ_S per unit of signal, electronics λ_R (Hasinoff, Durand, Freeman,
# CVPR 2010, typical values).
PHOTON_NOISE = 3.24e-4
READ_NOISE = 4.3e-6
BLACK_LEVEL = 1024
WHITE_LEVEL = 15600  # of 14 bits, chosen here
PATTERN = "RGGB"

# XYZ (D65) → this camera's red, green, blue: invented, four decimals as a DNG states them. Every colour of Rec.2020
# gives three positive values.
XYZ_TO_CAMERA: Matrix = ((0.8500, -0.1600, -0.0700), (-0.3800, 1.2000, 0.1700), (-0.0500, 0.1400, 0.6200))
_D65_XYZ: Vector = (0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290)


@functools.cache
def scene_to_camera() -> Matrix:
    """Rec.2020 → camera colour, scaled so that white (1, 1, 1) just saturates green in the base frame."""
    matrix = matrix_multiply(XYZ_TO_CAMERA, _rec2020_to_xyz())
    scale = 1.0 / sum(matrix[1])
    rows = [(row[0] * scale, row[1] * scale, row[2] * scale) for row in matrix]
    return (rows[0], rows[1], rows[2])


def neutral() -> Vector:
    """What the camera sees of D65 white, green = 1: a DNG's AsShotNeutral."""
    red, green, blue = matrix_vector(XYZ_TO_CAMERA, _D65_XYZ)
    return (red / green, 1.0, blue / green)


def _rec2020_to_xyz() -> Matrix:
    """The matrix that ITU-R BT.2020 table 3 defines by its primaries and white."""
    corners = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
    red, green, blue = ((x / y, 1.0, (1.0 - x - y) / y) for x, y in corners)
    columns: Matrix = ((red[0], green[0], blue[0]), (red[1], green[1], blue[1]), (red[2], green[2], blue[2]))
    share = matrix_vector(matrix_inverse(columns), _D65_XYZ)
    rows = [(row[0] * share[0], row[1] * share[1], row[2] * share[2]) for row in columns]
    return (rows[0], rows[1], rows[2])


def expose_mosaic(
    radiance: Radiance, window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
) -> npt.NDArray[np.uint16]:
    """Radiance (3, h, w) → Bayer code values (h, w) uint16 in 0..15600, black at 1024, noise to both sides of it.

    Photon and read noise together are one Gaussian-like number per pixel: the sum of twelve hashed 16-bit uniforms
    (Irwin-Hall), scaled by √(λ_S·signal + λ_R).
    """
    matrix = [value for row in scene_to_camera() for value in row]
    out = _exposed(
        CAMERA_MOSAIC, radiance, window, shape, setting, device, np.uint16,
        matrix=matrix, black=float(BLACK_LEVEL), white=float(WHITE_LEVEL),
    )
    return np.asarray(out[0])


def expose_coded(
    radiance: Radiance, window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
    *, black: int = 0, white: int = 65535,
) -> npt.NDArray[np.uint16]:
    """Radiance (3, h, w) → linear Rec.2020 code values (3, h, w) uint16; noise below a black of 0 is cut there."""
    out = _exposed(
        CAMERA_CODED, radiance, window, shape, setting, device, np.uint16, black=float(black), white=float(white),
    )
    return np.asarray(out)


def expose_linear(
    radiance: Radiance, window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
) -> Radiance:
    """Radiance (3, h, w) → linear Rec.2020 float32 of the same shape, 1.0 at saturation; noise stays below zero."""
    return np.asarray(_exposed(CAMERA_LINEAR, radiance, window, shape, setting, device, np.float32))


def shoot_mosaic(window: Window, shape: Shape, setting: FrameSetting) -> npt.NDArray[np.uint16]:
    """One window of a raw frame: the truth, exposed."""
    return expose_mosaic(render_truth(window, shape, setting), window, shape, setting)


def shoot_coded(window: Window, shape: Shape, setting: FrameSetting) -> npt.NDArray[np.uint16]:
    """One window of a linear RGB frame, (h, w, 3) or with coverage as a fourth channel (h, w, 4) uint16."""
    pixels = expose_coded(render_truth(window, shape, setting), window, shape, setting)
    if not setting.options.ragged:
        return np.ascontiguousarray(pixels.transpose(1, 2, 0))
    covered = coverage(window, shape, setting) != 0
    alpha = np.where(covered, np.uint16(65535), np.uint16(0))
    return np.ascontiguousarray(np.stack([*np.where(covered, pixels, np.uint16(0)), alpha], axis=-1))


def _exposed(
    kernel: Kernel, radiance: Radiance, window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None,
    dtype: npt.DTypeLike, **params: Any,
) -> Any:
    device = device or default_device()
    out = np.empty((kernel.outs, window.height, window.width), dtype)
    device.launch(
        kernel, [device.plane(plane, window, shape) for plane in radiance],
        [device.plane(plane, window, shape) for plane in out],
        height=shape.height, width=shape.width, gain=setting.gain,
        photon=PHOTON_NOISE * setting.iso / 100.0, read=READ_NOISE * (setting.iso / 100.0) * (setting.iso / 100.0),
        specks=setting.options.specks, seed=setting.options.seed * 64 + setting.number, **params,
    )
    return out
