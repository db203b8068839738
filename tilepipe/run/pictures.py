"""Codes as PNG files, for looking at: proofs, windows, sheets."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from tilepipe.colour.deliverable import icc_profile
from tilepipe.formats.write_pending import Pending, writing_to


def write_png(path: Path, codes: npt.NDArray[np.uint8]) -> Path:
    """Writes codes `(plane, y, x)` in sRGB."""
    with writing_to(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with Pending(path) as pending:
            pending.path.write_bytes(_png(np.ascontiguousarray(codes.transpose(1, 2, 0)), icc_profile("srgb")))
            pending.commit()
    return path


def _png(codes: npt.NDArray[np.uint8], profile: bytes) -> bytes:
    """An 8-bit PNG with its profile."""
    buffer = io.BytesIO()
    Image.fromarray(codes).save(buffer, format="PNG", icc_profile=profile)
    return buffer.getvalue()
