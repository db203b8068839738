"""What the blocks of a PNG or JPEG say before the pixels, in one form for both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tilepipe.errors import InputError
from tilepipe.formats.frame import Encoding
from tilepipe.geometry import Shape


@dataclass(frozen=True)
class Blocks:
    """Size as stored, colour channels, bits per value, embedded profile and Exif block, and a PNG's own encoding."""

    form: Literal["png", "jpeg"]
    stored: Shape
    channels: int
    bits: int
    has_alpha: bool = False
    profile: bytes = b""
    exif: bytes = b""
    own_encoding: Encoding | None = None


def damaged(path: str, reason: str) -> InputError:
    """The error for a PNG or JPEG that cannot be read."""
    return InputError(
        "this picture cannot be read", path, found=reason, allowed="a complete PNG or JPEG file",
        next_step="copy or export the file again",
    )
