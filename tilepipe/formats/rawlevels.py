"""Finds raw files that open without an error and are wrong: flat, or with levels that cannot be true."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.errors import InputError

# Chosen here: sensors are seen to saturate up to about a tenth above the level their maker states, and a few hot
# pixels higher still; a thousandth of all pixels beyond a quarter more means that the stated level is wrong.
_BEYOND, _SHARE = 4, 1000


def refuse_wrong_levels(path: str, black: tuple[float, ...], white: int) -> None:
    """Raises InputError unless black lies below white."""
    if not 0 <= max(black) < white:
        raise _wrong(path, "the stated black and white levels cannot be true", f"black {max(black):g}, white {white}")


def refuse_wrong_pixels(path: str, pixels: npt.NDArray[Any], black: tuple[float, ...], white: int) -> None:
    """Raises InputError for a picture of one value, or with many values far above the stated white level."""
    lowest, highest = int(pixels.min()), int(pixels.max())
    if lowest == highest:
        raise _wrong(path, "the raw file decodes to a single value", f"{lowest} everywhere")
    limit = white + (white - int(min(black))) // _BEYOND
    beyond = int(np.count_nonzero(pixels > limit)) if limit < highest else 0
    if beyond * _SHARE > pixels.size:
        raise _wrong(
            path, "the stated white level cannot be true", f"white {white}, but {beyond} of {pixels.size} values above "
            f"{limit}, the highest {highest}",
        )


def _wrong(path: str, what: str, found: str) -> InputError:
    return InputError(
        what, path, found=found, allowed="sensor values between the black and the white level",
        next_step="copy it from the card again, or convert it to DNG with a current converter",
    )
