"""From a frame's code values to linear light: pedestal, demosaicing, tone curve, coverage, way to working colour."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.mosaic import (
    DEMOSAIC_REACH_PX,
    SCRATCH_PLANES,
    Pattern,
    demosaic,
    first_red,
    ratios_as_shot,
    sensor_range,
)
from tilepipe.colour.spaces import WORKING, flat, rgb_to_xyz
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.errors import InputError
from tilepipe.formats.frame import CameraInfo, Encoding, FrameInfo
from tilepipe.formats.primaries import D65, REC2020, diagonal, to_xyz_d50
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
Nine = tuple[float, ...]
PEAKS = ("peak_red", "peak_green", "peak_blue")
VERSION = 3

TABLE8 = Kernel("decode_table8", 1, 1, params="const float* table;", source="uint8", header="decode.h")
TABLE16 = Kernel("decode_table16", 1, 1, params="const float* table;", source="uint16", header="decode.h")
SRGB = Kernel("decode_srgb", 1, 1, header="decode.h")
GAMMA = Kernel("decode_gamma", 1, 1, params="float gamma;", header="decode.h")
CURVE = Kernel("decode_curve", 1, 1, params="const float* table; int nodes;", header="decode.h")
WITHIN = Kernel("decode_within", 1, 1, header="decode.h")
COVERED = Kernel("decode_covered", 2, 1, header="decode.h")

_CODES = {"uint8": 256, "uint16": 65536}
_TABLE_KERNELS = {"uint8": TABLE8, "uint16": TABLE16}


@dataclass(frozen=True)
class FrameDecoder:
    """How one frame's code values become a frame tile: linear, pedestal subtracted, 1.0 where the frame clips.

    Colour stays in the camera's or the file's own primaries; `to_working` is the way on from there. A mosaic also gives
    the planes `peak_red`, `peak_green`, `peak_blue`: the largest sample of any colour within 2 px, because every sample
    enters every colour through demosaicing (one farther away enters by no more than a fifth of its change).
    With `with_peaks` colour frames give them too (the values themselves), so that resampling can keep their maximum.
    """

    kind: str
    dtype: str
    channels: int
    has_coverage: bool
    coverage_full: float
    encoding: Encoding
    camera: CameraInfo | None = None
    with_peaks: bool = False
    path: str = ""

    @classmethod
    def of(
        cls, info: FrameInfo, *, encoding: Encoding | None = None, response: tuple[tuple[float, ...], ...] = (),
        with_peaks: bool = False,
    ) -> FrameDecoder:
        """The decoder of an opened frame.

        `encoding` replaces what the file says; `response` (monotone tables over 0..1, one per channel or one for all,
        entry i at i/(n − 1)) replaces only its curve to linear light, as estimated from a bracket.
        """
        meaning = encoding or info.encoding
        if response:
            meaning = replace(meaning, transfer="curve", gamma=1.0, curve=response, source="estimated from the bracket")
        return cls(
            info.kind, info.dtype, info.channels, info.has_coverage, info.coverage_full, meaning, info.camera,
            with_peaks or info.kind == "mosaic", info.path,
        )

    @property
    def planes(self) -> tuple[str, ...]:
        """The planes of the tiles it gives."""
        return COLOUR + (PEAKS if self.with_peaks else ()) + ((COVERAGE,) if self.has_coverage else ())

    @property
    def colours_apart(self) -> bool:
        """True where a colour that clips says nothing about the others: linear files that come from no camera.

        A camera's colours clip beside each other, and a file's curve is only known so well: where something moved or the
        curves disagree, colours judged apart would come from different frames.
        """
        return self.kind != "mosaic" and self.camera is None and self.encoding.transfer == "linear"

    def input_window(self, wanted: Window, shape: Shape) -> Window:
        """The window of code values that `wanted` needs, cut to the picture."""
        return wanted.padded(DEMOSAIC_REACH_PX if self.kind == "mosaic" else 0).cut(shape)

    def scratch_bytes(self, wanted: Window) -> int:
        """Bytes that `run` allocates beside its input and output."""
        if self.kind == "mosaic":
            return 4 * SCRATCH_PLANES * wanted.padded(DEMOSAIC_REACH_PX).pixels
        return 4 * wanted.pixels if self.has_coverage else 0

    def facts(self) -> dict[str, Any]:
        """What of this steers the pixels, as plain JSON values, for keys."""
        camera = self.camera
        return {
            "decoder": VERSION, "kind": self.kind, "dtype": self.dtype, "channels": self.channels,
            "coverage": self.has_coverage, "encoding": self.encoding.facts(), "peaks": self.with_peaks,
            "black": list(camera.black) if camera else None, "white": camera.white if camera else None,
            "mosaic": camera.cfa_pattern if camera else None,
            "as_shot": list(camera.as_shot_neutral) if self.kind == "mosaic" and camera and camera.as_shot_neutral else None,
        }

    def run(self, device: Any, codes: Array, window: Window, picture: Shape, wanted: Window) -> Tile:
        """A frame tile of `wanted` from the code values `(channels[+ coverage], h, w)` of `window`, as read.

        `window` holds at least `input_window(wanted, picture)`.
        """
        out: Tile = device.tile(wanted, picture, self.planes)
        if self.kind == "mosaic":
            self._demosaic(device, device.upload(codes[0]), window, out)
        else:
            rows, cols = wanted.within(window)
            self._linearise(device, device.upload(codes[:, rows, cols]), out)
        return out

    def to_working(self, neutral: exact.Vector | None = None) -> Nine:
        """Frame primaries → linear Rec.2020, D65: nine numbers, row by row, white balance included.

        For a camera: with A = (XYZ → camera) · (Rec.2020 → XYZ D65), each row of A is divided by its sum, so that equal
        camera values become equal working values, and the inverse of that follows the multipliers of white balance
        (green 1): the multipliers `neutral`, else those as shot, else those that make D65 neutral. This is the usual
        derivation from a DNG's ColorMatrix (DNG specification, "Mapping camera color space to CIE XYZ space"), with the
        multipliers in place of chromatic adaptation. For a file's primaries: by way of the ICC connection space (D50,
        Bradford). Grey stays grey. Raises InputError for a camera without a colour matrix.
        """
        if self.camera is not None and self.kind != "grey":
            return flat(camera_to_working(self.camera, neutral or self.camera.as_shot_neutral, self.path))
        own, working = self.encoding.to_xyz_d50, to_xyz_d50(REC2020)
        if own is None or own == working:
            return (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
        return flat(exact.matrix_multiply(exact.matrix_inverse(working), own))

    def white_xy(self) -> tuple[float, float]:
        """Chromaticity of the light for which this frame was balanced: as shot for a camera, otherwise D65."""
        camera = self.camera
        if camera is None or camera.colour_matrix is None or camera.as_shot_neutral is None:
            return D65
        red, green, blue = camera.as_shot_neutral
        x, y, z = exact.matrix_vector(exact.matrix_inverse(camera.colour_matrix), (1.0 / red, 1.0 / green, 1.0 / blue))
        return (x / (x + y + z), y / (x + y + z))

    # ------------------------------------------------------------ mosaics
    def _demosaic(self, device: Any, samples: Array, window: Window, out: Tile) -> None:
        camera = self._sensor
        whole = out.window.padded(DEMOSAIC_REACH_PX).cut(out.picture)
        source = device.plane(samples[whole.within(window)], whole, out.picture)
        pattern = Pattern(*first_red(camera.cfa_pattern, self.path), sensor_range(camera))
        demosaic(device, source, out, camera.black, pattern, ratios_as_shot(camera))

    @property
    def _sensor(self) -> CameraInfo:
        if self.camera is None or len(self.camera.black) != 4:
            raise ValueError(f"a mosaic needs its sensor's four black levels: {self.path}")
        return self.camera

    # ------------------------------------------------------------ colour and grey
    def _linearise(self, device: Any, codes: Array, out: Tile) -> None:
        sources = [device.plane(plane, out.window, out.picture) for plane in codes]
        target = device.planes(out)
        for channel in range(3):
            index = channel if self.channels == 3 else 0
            if self.dtype in _TABLE_KERNELS:
                self._look_up(device, sources[index], target[channel], self._integer_table(channel))
            elif self.encoding.transfer == "linear":
                out.array[channel] = codes[index]
            else:
                self._curve(device, sources[index], target[channel], channel)
        if self.has_coverage:
            self._cover(device, sources[self.channels], out)
        if self.with_peaks:
            out.array[3:6] = out.array[:3]

    def _look_up(self, device: Any, source: Any, target: Any, values: Array) -> None:
        table = device.upload(values)
        device.launch(_TABLE_KERNELS[self.dtype], [source], [target], table=_address(table))

    def _curve(self, device: Any, source: Any, target: Any, channel: int) -> None:
        if self.encoding.transfer == "srgb":
            device.launch(SRGB, [source], [target])
        elif self.encoding.transfer == "gamma":
            device.launch(GAMMA, [source], [target], gamma=self.encoding.gamma)
        else:
            nodes = self._nodes(channel)
            table = device.upload(np.asarray(nodes).astype(np.float32))
            device.launch(CURVE, [source], [target], table=_address(table), nodes=len(nodes))

    def _cover(self, device: Any, source: Any, out: Tile) -> None:
        target = device.planes(out)
        if self.dtype in _TABLE_KERNELS:
            self._look_up(device, source, target[-1], _scaled_table(_CODES[self.dtype], 0.0, self.coverage_full))
        else:
            device.launch(WITHIN, [source], [target[-1]])
        for plane in target[:3]:
            device.launch(COVERED, [plane, target[-1]], [plane])

    def _nodes(self, channel: int) -> tuple[float, ...]:
        return self.encoding.curve[channel if len(self.encoding.curve) == 3 else 0]

    def _integer_table(self, channel: int) -> Array:
        codes, encoding, camera = _CODES[self.dtype], self.encoding, self.camera
        if camera is not None:
            return _scaled_table(codes, camera.black[channel if len(camera.black) >= 3 else 0], sensor_range(camera))
        if encoding.transfer == "curve":
            return _curve_table(codes, self._nodes(channel))
        return _formula_table(codes, encoding.transfer, encoding.gamma)


def camera_to_working(camera: CameraInfo, multipliers: exact.Vector | None, where: str = "") -> exact.Matrix:
    """Camera RGB → linear Rec.2020 (D65) with white balance; see `FrameDecoder.to_working`."""
    if camera.colour_matrix is None:
        raise InputError(
            "this raw frame has no colour matrix", where,
            found=f"{camera.make} {camera.model}".strip() or "unknown camera",
            next_step="state `colour_matrix` for this frame: three rows of three numbers, CIE XYZ to camera RGB",
        )
    to_camera = exact.matrix_multiply(camera.colour_matrix, rgb_to_xyz(WORKING))
    red, green, blue = (row[0] + row[1] + row[2] for row in to_camera)
    balanced = exact.matrix_multiply(diagonal((1.0 / red, 1.0 / green, 1.0 / blue)), to_camera)
    gains = multipliers or (green / red, 1.0, green / blue)
    return exact.matrix_multiply(
        exact.matrix_inverse(balanced), diagonal((gains[0] / gains[1], 1.0, gains[2] / gains[1]))
    )


def _address(table: Any) -> int:
    """Where an uploaded table lies; the caller keeps it alive until the launch returns."""
    return int(table.ctypes.data if isinstance(table, np.ndarray) else table.data.ptr)


def _float32(values: list[float]) -> Array:
    table: Array = np.asarray(values, np.float64).astype(np.float32)
    table.setflags(write=False)
    return table


@functools.lru_cache(maxsize=64)
def _scaled_table(codes: int, black: float, span: float) -> Array:
    return _float32([(code - black) / span for code in range(codes)])


@functools.lru_cache(maxsize=16)
def _formula_table(codes: int, transfer: str, gamma: float) -> Array:
    positions = [code / (codes - 1) for code in range(codes)]
    if transfer == "srgb":  # IEC 61966-2-1
        return _float32([x / 12.92 if x <= 0.04045 else exact.pow((x + 0.055) / 1.055, 2.4) for x in positions])
    return _float32(positions if transfer == "linear" else [exact.pow(x, gamma) for x in positions])


@functools.lru_cache(maxsize=64)
def _curve_table(codes: int, nodes: tuple[float, ...]) -> Array:
    """Straight lines between the nodes, in float64, at every code."""
    last = len(nodes) - 1
    values = []
    for code in range(codes):
        at = code * last / (codes - 1)
        low = min(int(at), last - 1)
        values.append(nodes[low] + (at - low) * (nodes[low + 1] - nodes[low]))
    return _float32(values)
