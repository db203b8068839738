"""Opens any picture a photographer brings, by what its first bytes are."""

from __future__ import annotations

import os
from pathlib import Path

from tilepipe.device.exact import Matrix
from tilepipe.errors import InputError
from tilepipe.formats.frame import Alpha, Encoding, Exposure, Frame

ALLOWED = "camera raw (DNG and others), TIFF, BigTIFF, PNG, JPEG, OpenEXR, Radiance HDR"
# First bytes of raw files that are no TIFF structure of version 42: offset, bytes.
_RAW_STARTS = (
    (0, b"FUJIFILMCCD-RAW"), (4, b"ftypcrx "), (0, b"IIRO"), (0, b"IIRS"), (0, b"MMOR"), (0, b"IIU\0"),
    (6, b"HEAPCCDR"), (0, b"FOVb"), (0, b"\0MRM"),
)
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_RASTER_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff")
_LINEAR_STARTS = (b"\x76\x2f\x31\x01", b"#?")
_RAW_SUFFIXES = frozenset({
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".iiq", ".kdc", ".mef", ".mos", ".mrw",
    ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f",
})
_SUFFIXES = _RAW_SUFFIXES | {".tif", ".tiff", ".png", ".jpg", ".jpeg", ".exr", ".hdr"}


def open_frame(
    path: str | Path, *, encoding: Encoding | str | None = None, exposure: Exposure | float | None = None,
    colour_matrix: Matrix | None = None, alpha: Alpha | None = None, check: bool = True,
) -> Frame:
    """Opens one frame; nothing but its description is decoded, save that a raw file is unpacked once to `check` it.

    `encoding`: what the code values mean where the file is wrong or silent ("linear", "srgb", "gamma 2.2").
    `exposure`: an Exposure, or relative light t·ISO/N² as a number, in place of the file's.
    `colour_matrix`: XYZ → camera RGB for a raw file that has none. `alpha`: what an unclear fourth channel is.
    Raises InputError for whatever cannot be a frame.
    """
    where = os.fspath(path)
    start = _first_bytes(where)
    light = Exposure.stated(float(exposure)) if isinstance(exposure, (int, float)) else exposure
    if light is not None and not light.relative_light > 0.0:
        raise InputError(
            "an exposure must be more than nothing", where, found=f"{light.relative_light:g}", allowed="above 0",
            next_step="state relative light as t·ISO/N², e.g. 0.25",
        )
    if _is_raw(where, start):
        from tilepipe.formats.raw import open_raw

        return open_raw(where, encoding=encoding, exposure=light, colour_matrix=colour_matrix, check=check)
    if start.startswith(_TIFF_STARTS):
        from tilepipe.formats.tiff import open_tiff

        return open_tiff(where, encoding=encoding, exposure=light, alpha=alpha)
    if start.startswith(_RASTER_STARTS):
        from tilepipe.formats.raster import open_raster

        return open_raster(where, encoding=encoding, exposure=light, alpha=alpha)
    if start.startswith(_LINEAR_STARTS):
        from tilepipe.formats.hdr import open_hdr

        return open_hdr(where, encoding=encoding, exposure=light, alpha=alpha)
    raise _unknown(where, start)


def named_as_picture(path: str | Path) -> bool:
    """True for a file whose name ends like a picture's, whatever is in it."""
    return Path(path).suffix.lower() in _SUFFIXES


def is_picture(path: str | Path) -> bool:
    """True for a file whose first bytes are those of a kind that `open_frame` knows."""
    with open(path, "rb") as file:
        start = file.read(64)
    raw = any(start[at : at + len(mark)] == mark for at, mark in _RAW_STARTS)
    return raw or start.startswith((*_TIFF_STARTS, *_RASTER_STARTS, *_LINEAR_STARTS))


def _first_bytes(path: str) -> bytes:
    try:
        with open(path, "rb") as file:
            start = file.read(64)
    except OSError as error:
        raise InputError(
            "this file cannot be opened", path, found=error.strerror or str(error), allowed="a readable file",
            next_step="check the path and its permissions",
        ) from error
    if not start:
        raise InputError(
            "this file is empty", path, found="0 bytes", allowed=ALLOWED, next_step="copy it from the card again"
        )
    return start


def _is_raw(path: str, start: bytes) -> bool:
    if any(start[at : at + len(mark)] == mark for at, mark in _RAW_STARTS):
        return True
    if not start.startswith(_TIFF_STARTS):
        return False
    from tilepipe.formats.dng import looks_raw

    return Path(path).suffix.lower() in _RAW_SUFFIXES or looks_raw(path)


def _unknown(path: str, start: bytes) -> InputError:
    headerless = Path(path).suffix.lower() in _RAW_SUFFIXES
    step = "sensor data without a header cannot be read: convert it to DNG" if headerless else "export it as TIFF"
    return InputError(
        "this kind of file is not known", path, found=f"first bytes {start[:8].hex(' ')}", allowed=ALLOWED,
        next_step=step,
    )
