"""Opens TIFF and BigTIFF pictures of 8 or 16 bits or 32-bit floats, read by windows wherever the file allows."""

from __future__ import annotations

import os
import struct

from tifffile import TiffFile, TiffFileError, TiffPage

from tilepipe.errors import InputError
from tilepipe.formats import exif, meaning
from tilepipe.formats.frame import Alpha, Encoding, Exposure, FrameInfo, Kind, coverage_full
from tilepipe.formats.lookup import through_lookup
from tilepipe.formats.meaning import LookupProfile
from tilepipe.formats.segments import SegmentReader
from tilepipe.formats.source import UprightFrame, decode_bytes, whole_frame
from tilepipe.formats.upright import upright_shape
from tilepipe.geometry import Shape

_COLOURS = {0: "inverted grey (WhiteIsZero)", 3: "palette", 4: "transparency mask", 5: "CMYK", 8: "CIELab", 9: "ICCLab",
            10: "ITULab"}
_DTYPES = {"uint8": "uint8", "uint16": "uint16", "float16": "float32", "float32": "float32"}
_JPEG = (6, 7)
# What tifffile raises for damaged files, found by damaging some thousands at random.
_DAMAGE = (TiffFileError, OSError, ArithmeticError, IndexError, KeyError, TypeError, ValueError, struct.error)
_ASSOCIATED, _UNASSOCIATED = 1, 2


def open_tiff(
    path: str, *, encoding: Encoding | str | None = None, exposure: Exposure | None = None, alpha: Alpha | None = None
) -> UprightFrame:
    """Opens the first full-size page; InputError for what cannot be a frame."""
    try:
        with TiffFile(path) as file:  # the segments are read through a file of their own
            return _open(path, file, encoding, exposure, alpha)
    except _DAMAGE as error:
        raise _unreadable(path, str(error)) from error


def _open(
    path: str, file: TiffFile, encoding: Encoding | str | None, exposure: Exposure | None, alpha: Alpha | None
) -> UprightFrame:
    page, notes = _full_page(path, file)
    _refuse_unusable(path, page)
    colour, extra, extra_note = _samples(path, page, alpha)
    dtype = _dtype(path, page)
    chosen = (*range(colour), *(() if extra is None else (extra,)))
    shot = exif.shot_facts(exif.read_file(path))
    profile = page.tags.valueof(34675) or b""
    found = meaning.found(profile, colour, dtype, shot.colour_space, path, stated=encoding is not None)
    meant = meaning.chosen(encoding, found, dtype, path)
    reader = _complete_reader(path, page, chosen, dtype)
    stored = Shape(page.imagelength, page.imagewidth)
    kind: Kind = "colour" if colour == 3 else "grey"
    info = FrameInfo(
        path=path, shape=upright_shape(stored, shot.orientation), kind=kind, dtype=dtype, channels=colour,
        has_coverage=extra is not None, coverage_full=coverage_full(dtype),
        encoding=meant, exposure=exposure or shot.exposure,
        orientation=shot.orientation, camera=None, tiled=reader.by_windows, timestamp=shot.timestamp,
        bytes_on_disk=os.path.getsize(path), facts_for_key={"format": "tiff", "alpha": alpha},
        make=shot.make, model=shot.model, lens=shot.lens,
        thread_bytes=reader.thread_bytes if reader.small_segments else 0,
        decode_bytes=decode_bytes(reader.thread_bytes if reader.small_segments else 2 * reader.segment_bytes),
        notes=tuple(note for note in (*notes, extra_note) if note),
    )
    return _frame(info, reader, stored, found if encoding is None else None)


def _complete_reader(path: str, page: TiffPage, chosen: tuple[int, ...], dtype: str) -> SegmentReader:
    reader = SegmentReader(path, page, chosen, dtype)
    try:
        missing = (reader.missing_bytes(), "bytes"), (reader.missing_segments(), "strips or tiles")
        if found := " and ".join(f"{count} {what}" for count, what in missing if count):
            raise _unreadable(path, f"the file is cut short: {found} are missing")
    except BaseException:
        reader.close()
        raise
    return reader


def _frame(
    info: FrameInfo, reader: SegmentReader, stored: Shape, found: Encoding | LookupProfile | None
) -> UprightFrame:
    if reader.small_segments:
        frame = UprightFrame(info, reader.read, reader.close)
    else:
        frame = whole_frame(info, lambda: reader.read(stored.whole), reader.close)
    return through_lookup(frame, found) if isinstance(found, LookupProfile) else frame


def _full_page(path: str, file: TiffFile) -> tuple[TiffPage, list[str]]:
    """The first page that is neither a reduced copy nor a mask (TIFF 6.0, NewSubfileType)."""
    pages = [file.pages[index].aspage() for index in range(len(file.pages))]
    full = [page for page in pages if not page.subfiletype & 5 and page.imagelength and page.imagewidth]
    if not full:
        raise _unreadable(path, "no picture in it")
    return full[0], [f"{len(full)} full-size pages; the first is used"] * (len(full) > 1)


def _refuse_unusable(path: str, page: TiffPage) -> None:
    colours = _COLOURS.get(int(page.photometric))
    if page.photometric == 6 and page.compression not in _JPEG:
        colours = "YCbCr without JPEG compression"
    if colours or int(page.photometric) not in (1, 2, 6):
        raise InputError(
            "this kind of colour cannot be a frame", path, found=colours or f"photometric {int(page.photometric)}",
            allowed="RGB or grey", next_step="convert it to RGB, 8 or 16 bits or 32-bit float, and save it as TIFF",
        )
    if page.imagedepth != 1:
        raise InputError("a volume cannot be a frame", path, found=f"{page.imagedepth} layers", allowed="one layer")


def _dtype(path: str, page: TiffPage) -> str:
    found = None if page.dtype is None else page.dtype.name
    whole_bits = page.dtype is not None and page.bitspersample == page.dtype.itemsize * 8
    if found not in _DTYPES or not whole_bits:
        raise InputError(
            "this kind of number cannot be read", path, found=f"{page.bitspersample} bits, {found or 'unknown'}",
            allowed="8 or 16 bits unsigned, 16 or 32-bit float", next_step="save it as 16-bit or 32-bit float TIFF",
        )
    return _DTYPES[found]


def _samples(path: str, page: TiffPage, alpha: Alpha | None) -> tuple[int, int | None, str]:
    """How many colour samples, which sample is the coverage, and a note."""
    colour = 3 if page.photometric in (2, 6) else 1
    extras = tuple(int(kind) for kind in page.extrasamples) or (0,) * max(0, page.samplesperpixel - colour)
    if page.samplesperpixel - len(extras) != colour:
        raise InputError(
            "unusual samples in a pixel", path, found=f"{page.samplesperpixel}, {len(extras)} of them no colours",
            allowed="1 or 3 colours and one alpha", next_step="save it as RGB with at most one alpha channel",
        )
    if not extras or alpha == "ignore":
        return colour, None, "the extra samples are ignored, as stated" if extras else ""
    if _UNASSOCIATED in extras:
        note = "only the alpha of the extra samples is used" if len(extras) > 1 else ""
        return colour, colour + extras.index(_UNASSOCIATED), note
    if alpha == "coverage":
        return colour, colour, "the extra sample is taken as coverage, as stated"
    raise _unclear_alpha(path, _ASSOCIATED in extras)


def _unclear_alpha(path: str, associated: bool) -> InputError:
    found = "associated alpha: colours multiplied by it" if associated else "a channel that does not say what it is"
    return InputError(
        "the fourth channel cannot be used as it is", path, found=found,
        allowed="unassociated alpha (ExtraSamples 2), read as coverage",
        next_step="save with unassociated alpha, or state `alpha: coverage` (right for an alpha that is 0 or full "
        "everywhere) or `alpha: ignore`",
    )


def _unreadable(path: str, reason: str) -> InputError:
    return InputError(
        "this TIFF cannot be read", path, found=reason, allowed="a complete TIFF or BigTIFF file",
        next_step="copy or export the file again",
    )


