"""Converts pictures whose ICC profile works by lookup tables to linear Rec.2020 by LittleCMS, as they are read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt

from tilepipe.formats.meaning import LookupProfile
from tilepipe.formats.primaries import D65, REC2020
from tilepipe.formats.source import UprightFrame
from tilepipe.geometry import Window

Array = npt.NDArray[Any]
_RELATIVE_COLORIMETRIC = 1  # ICC.1:2022, 7.2.15


def through_lookup(frame: UprightFrame, profile: LookupProfile) -> UprightFrame:
    """The same frame as linear Rec.2020 float32; coverage keeps its code values, cast."""
    facts = frame.info.facts_for_key | {"converted_by": imagecodecs.cms_version(), "intent": "relative colorimetric"}
    info = replace(frame.info, dtype="float32", encoding=profile.encoding, facts_for_key=facts)
    return UprightFrame(info, _converted(frame.read_stored, profile.content), frame.close)


def _converted(read_stored: Callable[[Window], Array], profile: bytes) -> Callable[[Window], Array]:
    def read(window: Window) -> Array:
        pixels = read_stored(window)
        colours = np.ascontiguousarray(np.moveaxis(pixels[:3], 0, -1))
        linear = imagecodecs.cms_transform(
            colours, profile, _linear_rec2020(), colorspace="rgb", outcolorspace="rgb", outdtype="float32",
            intent=_RELATIVE_COLORIMETRIC,
        )
        return np.concatenate([np.moveaxis(linear, -1, 0), pixels[3:].astype(np.float32)])

    return read


@cache
def _linear_rec2020() -> bytes:
    chromaticities = [value for xy in REC2020 for value in xy]
    profile = imagecodecs.cms_profile("rgb", whitepoint=D65, primaries=chromaticities, gamma=1.0)
    return bytes(profile)
