"""What a deliverable tells of the shot: a small set of Exif tags carried over from the base frame."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from tilepipe import __version__
from tilepipe.errors import TilepipeError
from tilepipe.formats import exif
from tilepipe.formats.frame import FrameInfo
from tilepipe.formats.write_directory import SHORT, Entry, numbers, rationals, text, tiff_block, undefined

EXIF_POINTER = 34665
SOFTWARE = f"tilepipe {__version__}"
MAKE, MODEL, ORIENTATION, SOFTWARE_TAG = 271, 272, 274, 305
EXPOSURE_TIME, F_NUMBER, ISO_SPEED, EXIF_VERSION, TAKEN, SUB_SECONDS = 33434, 33437, 34855, 36864, 36867, 37521
FOCAL_LENGTH, COLOUR_SPACE, LENS_MODEL = 37386, 40961, 42036
_LARGEST_DENOMINATOR = 1_000_000
_FITS = 1 << 32


@dataclass(frozen=True)
class ShotTags:
    """Tags of the shot: `camera` belongs into a file's first directory, `shot` into its Exif directory (Exif 2.32)."""

    camera: tuple[Entry, ...] = ()
    shot: tuple[Entry, ...] = ()

    def first_directory(self) -> list[Entry]:
        """What the first directory says: the camera, that the picture is upright, and who wrote it."""
        return [*self.camera, numbers(ORIENTATION, SHORT, 1), text(SOFTWARE_TAG, SOFTWARE)]

    def exif_directory(self, space: str) -> list[Entry]:
        """The Exif directory, with its word on colour: 1 for sRGB, 65535 for all else (Exif 2.32, ColorSpace)."""
        return [*self.shot, numbers(COLOUR_SPACE, SHORT, 1 if space == "srgb" else 65535)]

    def block(self, space: str) -> bytes:
        """A whole Exif structure, for JPEG and PNG."""
        return tiff_block(self.first_directory(), {EXIF_POINTER: self.exif_directory(space)})


def shot_tags(info: FrameInfo) -> ShotTags:
    """The tags of a frame that its deliverables carry on: camera, lens, exposure, moment; nothing that was assumed.

    The file's own tags are taken as they are, where it has them in a TIFF structure; else what was understood of it.
    """
    tags = _own_tags(info.path)
    camera = [text(tag, value) for tag, value in ((MAKE, info.make), (MODEL, info.model)) if value]
    shot = [undefined(EXIF_VERSION, b"0232"), *_exposure(info, tags), *_moment(info), *_lens(info, tags)]
    return ShotTags(tuple(camera), tuple(sorted(shot)))


def _own_tags(path: str) -> exif.Tags:
    try:
        return exif.read_file(path)
    except (OSError, ValueError, TilepipeError):
        return {}


def _exposure(info: FrameInfo, tags: exif.Tags) -> list[Entry]:
    own = [entry for tag in (EXPOSURE_TIME, F_NUMBER) if (entry := _fraction(tag, tags.get(tag)))]
    speed = tags.get(ISO_SPEED)
    if isinstance(speed, tuple) and speed and isinstance(speed[0], int) and 0 < speed[0] < 65536:
        own.append(numbers(ISO_SPEED, SHORT, speed[0]))
    known = {entry.tag for entry in own}
    understood = info.exposure
    if understood is None or "by hand" in understood.note:
        return own
    if EXPOSURE_TIME not in known and understood.seconds > 0:
        own.append(_ratio(EXPOSURE_TIME, understood.seconds))
    if F_NUMBER not in known and "f-number" not in understood.note:
        own.append(_ratio(F_NUMBER, understood.f_number))
    if ISO_SPEED not in known and "ISO" not in understood.note and 1 <= understood.iso < 65536:
        own.append(numbers(ISO_SPEED, SHORT, round(understood.iso)))
    return own


def _moment(info: FrameInfo) -> list[Entry]:
    if info.timestamp is None:
        return []
    entries = [text(TAKEN, info.timestamp.strftime("%Y:%m:%d %H:%M:%S"))]
    if info.timestamp.microsecond:
        entries.append(text(SUB_SECONDS, f"{info.timestamp.microsecond:06d}".rstrip("0")))
    return entries


def _lens(info: FrameInfo, tags: exif.Tags) -> list[Entry]:
    entries = [entry for entry in (_fraction(FOCAL_LENGTH, tags.get(FOCAL_LENGTH)),) if entry]
    own = tags.get(LENS_MODEL)
    name = own.strip() if isinstance(own, str) else ""
    lens, focal = info.lens, ""
    if lens.endswith(" mm"):
        lens, _, focal = lens.removesuffix(" mm").rpartition(" ")
    if name or lens:
        entries.append(text(LENS_MODEL, name or lens))
    if not any(entry.tag == FOCAL_LENGTH for entry in entries) and focal:
        entries.append(_ratio(FOCAL_LENGTH, float(focal)))
    return entries


def _fraction(tag: int, value: Any) -> Entry | None:
    """A rational tag of the file as it stands there."""
    pair = value[0] if isinstance(value, tuple) and value else None
    if not isinstance(pair, tuple) or not (0 < pair[0] < _FITS and 0 < pair[1] < _FITS):
        return None
    return rationals(tag, (pair[0], pair[1]))


def _ratio(tag: int, value: float) -> Entry:
    fraction = Fraction(value).limit_denominator(_LARGEST_DENOMINATOR)
    return rationals(tag, (min(fraction.numerator, _FITS - 1), fraction.denominator))
