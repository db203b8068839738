"""Opens scene-linear pictures: OpenEXR and Radiance HDR, decoded all at once."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import OpenEXR

from tilepipe.errors import InputError
from tilepipe.formats import meaning
from tilepipe.formats.frame import Alpha, Encoding, Exposure, FrameInfo
from tilepipe.formats.primaries import to_xyz_d50
from tilepipe.formats.source import UprightFrame, decode_bytes, whole_frame
from tilepipe.formats.upright import upright_shape
from tilepipe.geometry import Shape

Array = npt.NDArray[Any]
_CHANNELS = (("R", "G", "B"), ("Y",))
# First axis and sign, second axis and sign of a Radiance resolution line → orientation (Radiance, "File Formats").
_ORIENTATIONS = {
    ("-Y", "+X"): 1, ("-Y", "-X"): 2, ("+Y", "-X"): 3, ("+Y", "+X"): 4,
    ("+X", "-Y"): 5, ("-X", "-Y"): 6, ("-X", "+Y"): 7, ("+X", "+Y"): 8,
}
_LONGEST_HEADER = 1 << 16


def open_hdr(
    path: str, *, encoding: Encoding | str | None = None, exposure: Exposure | None = None, alpha: Alpha | None = None
) -> UprightFrame:
    """Opens an OpenEXR or Radiance file; InputError for what cannot be a frame."""
    with open(path, "rb") as file:
        radiance = file.read(2) == b"#?"
    opened = _radiance(path) if radiance else _openexr(path, alpha)
    stored, names, orientation = opened.stored, opened.names, opened.orientation
    if min(stored.height, stored.width) < 1:
        raise _damaged(path, f"a picture of {stored}")
    info = FrameInfo(
        path=path, shape=upright_shape(stored, orientation), kind="colour" if "R" in names else "grey", dtype="float32",
        channels=3 if "R" in names else 1, has_coverage="A" in names,
        encoding=meaning.chosen(encoding, opened.encoding, "float32", path), exposure=exposure,
        orientation=orientation, camera=None, tiled=False, timestamp=None, bytes_on_disk=os.path.getsize(path),
        facts_for_key=opened.facts, notes=opened.notes,
        decode_bytes=decode_bytes(4 * len(names) * stored.pixels, opened.beside_bytes),
    )
    return whole_frame(info, opened.decode)


@dataclass(frozen=True)
class _Opened:
    stored: Shape
    names: tuple[str, ...]
    orientation: int
    encoding: Encoding
    decode: Callable[[], Array]
    facts: dict[str, Any]
    beside_bytes: int
    notes: tuple[str, ...] = ()


def _openexr(path: str, alpha: Alpha | None) -> _Opened:
    try:
        with OpenEXR.File(path, header_only=True) as file:
            header, parts = dict(file.header()), len(file.parts)
            channels = {channel.name: channel for channel in header["channels"]}
    except Exception as error:  # the library raises bare RuntimeError, ValueError and its own kinds
        raise _damaged(path, str(error)) from error
    names = _exr_channels(path, channels)
    notes = [f"{parts} parts; the first is used"] if parts > 1 else []
    if "A" in names and alpha == "ignore":
        names = tuple(name for name in names if name != "A")
        notes.append("the alpha channel is ignored, as stated")
    first, last = header["dataWindow"]
    stored = Shape(int(last[1] - first[1]) + 1, int(last[0] - first[0]) + 1)
    facts = {"format": "openexr", "decoder": f"OpenEXR {OpenEXR.__version__}", "alpha": alpha}
    beside_bytes = 4 * len(channels) * stored.pixels  # the library's own copy of all channels, at most in float32
    return _Opened(
        stored, names, 1, _exr_encoding(header), lambda: _decode_exr(path, names), facts, beside_bytes, tuple(notes)
    )


def _exr_channels(path: str, found: dict[str, Any]) -> tuple[str, ...]:
    whole = {name for name, channel in found.items() if channel.xSampling == channel.ySampling == 1}
    for names in _CHANNELS:
        if whole.issuperset(names) and not (names == ("Y",) and {"RY", "BY"} & found.keys()):
            return names + ("A",) * ("A" in whole)
    raise InputError(
        "this OpenEXR file has no plain picture", path, found=f"channels {', '.join(sorted(found))}",
        allowed="R, G, B or Y, each at full size, and A", next_step="save it as plain RGB",
    )


def _exr_encoding(header: dict[str, Any]) -> Encoding:
    """Linear; primaries from the attribute `chromaticities`, else BT.709 as the OpenEXR documentation says."""
    stated = header.get("chromaticities")
    if stated is None:
        return meaning.linear("OpenEXR: linear, primaries assumed BT.709")
    numbers = [float(value) for value in np.ravel(stated)]
    red, green, blue, white = zip(numbers[::2], numbers[1::2], strict=True)
    return Encoding("linear", "OpenEXR chromaticities", "OpenEXR: linear", to_xyz_d50((red, green, blue), white))


def _decode_exr(path: str, names: tuple[str, ...]) -> Array:
    try:
        with OpenEXR.File(path, separate_channels=True) as file:
            channels = file.channels()
            pixels = np.empty((len(names), *channels[names[0]].pixels.shape), np.float32)
            for plane, name in zip(pixels, names, strict=True):
                plane[...] = channels[name].pixels
    except Exception as error:  # as above
        raise _damaged(path, str(error)) from error
    if "A" in names:
        _refuse_partial_alpha(path, pixels[-1])
    return pixels


def _refuse_partial_alpha(path: str, alpha: Array) -> None:
    partial = (alpha != 0.0) & (alpha != 1.0)
    if partial.any():
        y, x = divmod(int(np.flatnonzero(partial)[0]), alpha.shape[1])
        raise InputError(
            "an alpha that is neither 0 nor 1 cannot be used as coverage: OpenEXR multiplies the colours by it", path,
            found=f"{int(np.count_nonzero(partial))} such pixels, the first at y={y}, x={x}: {float(alpha[y, x]):g}",
            allowed="alpha 0 or 1", next_step="save it without partial alpha, or state `alpha: ignore` for this frame",
        )


def _radiance(path: str) -> _Opened:
    """Reads the header of a Radiance picture (Radiance, "File Formats")."""
    with open(path, "rb") as file:
        head = file.read(_LONGEST_HEADER)
    text, _, rest = head.partition(b"\n\n")
    words = rest.partition(b"\n")[0].decode("latin-1").split()
    variables = dict(line.split("=", 1) for line in text.decode("latin-1").splitlines() if "=" in line)
    if len(words) != 4 or (words[0], words[2]) not in _ORIENTATIONS or not (words[1] + words[3]).isdigit():
        raise _damaged(path, f"resolution line {' '.join(words)!r}")
    if variables.get("FORMAT", "32-bit_rle_rgbe") != "32-bit_rle_rgbe":
        raise InputError(
            "this kind of Radiance picture cannot be read", path, found=variables["FORMAT"],
            allowed="32-bit_rle_rgbe", next_step="save it as RGB",
        )
    stored, orientation = Shape(int(words[1]), int(words[3])), _ORIENTATIONS[(words[0], words[2])]
    stated = " ".join(f"{name}={variables[name].strip()}" for name in ("EXPOSURE", "COLORCORR") if name in variables)
    start = len(text) + 2 + len(rest.partition(b"\n")[0]) + 1
    notes = (f"values are as stored; the header states {stated}",) if stated else ()
    return _Opened(
        stored, ("R", "G", "B"), orientation, _radiance_encoding(variables),
        lambda: _decode_radiance(path, start, stored), {"format": "radiance"}, 2 * os.path.getsize(path), notes,
    )


def _radiance_encoding(variables: dict[str, str]) -> Encoding:
    numbers = [float(word) for word in variables.get("PRIMARIES", "").split() if word.replace(".", "", 1).isdigit()]
    if len(numbers) != 8 or min(numbers) <= 0.0:
        return meaning.linear("Radiance: linear, primaries assumed BT.709")
    red, green, blue, white = zip(numbers[::2], numbers[1::2], strict=True)
    return Encoding("linear", "Radiance primaries", "Radiance: linear", to_xyz_d50((red, green, blue), white))


def _decode_radiance(path: str, start: int, stored: Shape) -> Array:
    """RGB = mantissa · 2^(e − 136), 0 where e is 0: exact in float32."""
    with open(path, "rb") as file:
        content = file.read()
    plain = f"#?RADIANCE\nFORMAT=32-bit_rle_rgbe\n\n-Y {stored.height} +X {stored.width}\n".encode()
    try:
        pixels = imagecodecs.rgbe_decode(plain + content[start:])
    except (imagecodecs.RgbeError, ValueError) as error:
        raise _damaged(path, str(error)) from error
    return np.moveaxis(pixels, -1, 0)


def _damaged(path: str, reason: str) -> InputError:
    return InputError(
        "this picture cannot be read", path, found=reason or "the file is cut short", allowed="a complete file",
        next_step="copy or export the file again",
    )
