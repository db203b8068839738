"""The parameters of a camera's clipped highlights: which values are grey, and how far they are from equal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tilepipe.device import exact

PARAMS = "float m[9]; float neutral[3], balance[3]; float per_clip, slope;"
_SLOPE = 1.0 / 0.06  # as in highlights.h
_NEUTRAL_ENOUGH = 1e-6


def highlight_parameters(frame: Mapping[str, Any], per_clip: float) -> dict[str, Any]:
    """`frame["to_working"]` as a kernel's matrix, the values it turns into (1, 1, 1), and the slope of `highlights.h`.

    The slope is 0 (nothing is raised) where equal values are grey already, as in any file that is not raw: there values
    above 1 may be real.
    """
    nine = [float(value) for value in frame["to_working"]]
    a, b, c, d, e, f, g, h, i = nine
    neutral = exact.matrix_vector(exact.matrix_inverse(((a, b, c), (d, e, f), (g, h, i))), (1.0, 1.0, 1.0))
    unequal = max(abs(value - 1.0) for value in neutral) > _NEUTRAL_ENOUGH
    usable = unequal and min(neutral) > 0.0
    return {
        "m": nine, "neutral": list(neutral) if usable else [1.0] * 3,
        "balance": [1.0 / value for value in neutral] if usable else [1.0] * 3,
        "per_clip": per_clip, "slope": _SLOPE if usable else 0.0,
    }
