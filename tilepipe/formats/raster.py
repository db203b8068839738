"""Opens PNG and JPEG pictures, whose pixels can only be decoded all at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt

from tilepipe.formats import exif, meaning
from tilepipe.formats.blocks import Blocks, damaged
from tilepipe.formats.frame import Alpha, Encoding, Exposure, FrameInfo, Kind, coverage_full
from tilepipe.formats.jpeg import jpeg_blocks
from tilepipe.formats.lookup import through_lookup
from tilepipe.formats.meaning import LookupProfile
from tilepipe.formats.png import PNG_START, png_blocks
from tilepipe.formats.source import UprightFrame, decode_bytes, whole_frame
from tilepipe.formats.upright import upright_shape

Array = npt.NDArray[Any]


def open_raster(
    path: str, *, encoding: Encoding | str | None = None, exposure: Exposure | None = None, alpha: Alpha | None = None
) -> UprightFrame:
    """Opens a PNG or JPEG; InputError for palette, CMYK and damaged files."""
    with open(path, "rb") as file:
        content = file.read()
    blocks = png_blocks(path, content) if content.startswith(PNG_START) else jpeg_blocks(path, content)
    shot = exif.shot_facts(exif.read_tags(blocks.exif))
    dtype = f"uint{blocks.bits}"
    stated = encoding is not None
    found: Encoding | LookupProfile
    if blocks.own_encoding is not None and not blocks.profile:
        found = blocks.own_encoding
    else:
        found = meaning.found(blocks.profile, blocks.channels, dtype, shot.colour_space, path, stated=stated)
    covered = blocks.has_alpha and alpha != "ignore"
    kind: Kind = "colour" if blocks.channels == 3 else "grey"
    facts: dict[str, Any] = {"format": blocks.form, "alpha": alpha}
    if blocks.form == "jpeg":
        facts["decoder"] = imagecodecs.jpeg8_version()
    info = FrameInfo(
        path=path, shape=upright_shape(blocks.stored, shot.orientation), kind=kind, dtype=dtype,
        channels=blocks.channels, has_coverage=covered, coverage_full=coverage_full(dtype),
        encoding=meaning.chosen(encoding, found, dtype, path), exposure=exposure or shot.exposure,
        orientation=shot.orientation, camera=None, tiled=False, timestamp=shot.timestamp, bytes_on_disk=len(content),
        facts_for_key=facts, decode_bytes=decode_bytes(_picture_bytes(blocks), len(content)),
        make=shot.make, model=shot.model, lens=shot.lens,
        notes=("the alpha channel is ignored, as stated",) if blocks.has_alpha and not covered else (),
    )
    frame = whole_frame(info, _decoder(path, blocks.form, info.planes))
    return through_lookup(frame, found) if isinstance(found, LookupProfile) and not stated else frame


def _picture_bytes(blocks: Blocks) -> int:
    return blocks.stored.pixels * (blocks.channels + blocks.has_alpha) * blocks.bits // 8


def _decoder(path: str, form: str, planes: int) -> Callable[[], Array]:
    def decode() -> Array:
        with open(path, "rb") as file:
            content = file.read()
        try:
            pixels = imagecodecs.png_decode(content) if form == "png" else imagecodecs.jpeg8_decode(content)
        except (imagecodecs.PngError, imagecodecs.Jpeg8Error, ValueError) as error:
            raise damaged(path, str(error)) from error
        return np.moveaxis(np.atleast_3d(pixels), -1, 0)[:planes]

    return decode
