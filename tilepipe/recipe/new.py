"""Begins a recipe for the bracket sets found in a folder: YAML with a reason beside every line."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import log2
from pathlib import Path

from tilepipe.errors import InputError
from tilepipe.formats.folder import BracketSet
from tilepipe.formats.frame import Exposure, FrameInfo
from tilepipe.stages.stage import all_stages

_PLAIN = re.compile(r"[A-Za-z0-9_./()+-]*[A-Za-z_][A-Za-z0-9_./()+-]*")
_WORDS = frozenset({"null", "true", "false", "auto"})
_SLOWEST_FRACTION = 0.3  # seconds; shorter times are written as 1/n, as cameras do

BASE = "base: auto  # the least clipped and sharpest frame; or a file's name"
STEPS = """\
steps:
  - match                         # bring the frames to one brightness scale, measured against their exposures
  - align                         # lay every frame onto the base frame
  - motion                        # what moved between the frames is taken from one of them
  - blend: {method: radiance}     # join all frames, each where it is least noisy and not clipped
  # - white_balance: {kelvin: 6000K}  # left out: as shot by the base frame
  - exposure: {stops: measured}   # as bright as the scene asks for; or stops, as in +0.3EV
  - local_contrast: {range: 0.6}  # reduce the range of light in stops, keep middle tones and detail
  - tone_curve                    # black end, white end and points: neutral until you state something
  - display                       # from scene light to the screen: a soft shoulder, white stays white
"""

DELIVER = """\
deliver:
  - {kind: tiff, name: master, space: display-p3, bits: 16}
  - {kind: jpeg, name: proof, space: srgb, long_side: 2048px}
"""


def first_recipe(
    brackets: Sequence[BracketSet], *, folder: str | os.PathLike[str] | None = None, chosen: int | None = None
) -> str:
    """YAML text of a first recipe for one of the sets, to be stored in `folder`; the others follow as comments.

    `folder`: left out, the one of the first frame. `chosen`: an index into `brackets`; left out, the first of the sets
    with the most frames. Raises InputError where there is no set.
    """
    if not brackets:
        raise InputError(
            "no frames were found", str(folder or ""), allowed="pictures of one scene in different exposures",
            next_step="name the folder that holds the bracket's pictures",
        )
    index = max(range(len(brackets)), key=lambda i: len(brackets[i].frames)) if chosen is None else chosen
    others = [found for position, found in enumerate(brackets) if position != index]
    root = Path(folder or Path(brackets[index].frames[0].path).parent).absolute()
    lines = [f"# {_size(brackets[index])}: {brackets[index].reason}.", *_frames(brackets[index], root)]
    for found in others:
        lines += ["", f"# Another set, {_size(found)}: {found.reason}."]
        lines += [f"# {line}" for line in _frames(found, root)]
    blended = len(brackets[index].frames) > 1
    steps = STEPS if blended else _for_one_frame(STEPS)
    return "\n".join([*lines, "", BASE, "", steps + _more(steps), DELIVER])


def _more(steps: str) -> str:
    """A comment that names the stages which the steps do not mention."""
    names = [name for name in all_stages() if f"- {name}" not in steps]
    names = [name for name in names if all_stages()[name].kind not in ("measure", "blend")]
    return f"  # also there: {', '.join(names)}; `tilepipe stages NAME` explains each\n" if names else ""


def _size(found: BracketSet) -> str:
    count = len(found.frames)
    return f"{count} frame{'s' * (count != 1)} of {found.frames[0].shape}"


def _frames(found: BracketSet, folder: Path) -> Iterator[str]:
    yield "frames:  # dark to bright"
    lights = [frame.exposure.relative_light for frame in found.frames if frame.exposure]
    stated = len(lights) == len(found.frames)
    for frame in found.frames:
        name = _written(frame, folder)
        if stated and frame.exposure:
            stops = log2(frame.exposure.relative_light / lights[0])
            yield f"  - {name}  # {_exposure(frame.exposure)}, {stops:+.1f} EV"
        else:
            yield f"  - file: {name}"
            yield "    # light: 0EV  # the file states no exposure: say how many stops more light than the first frame"


def _written(frame: FrameInfo, folder: Path) -> str:
    path = Path(frame.path).absolute()
    name = path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()
    if any("\ud800" <= letter <= "\udfff" for letter in name):
        raise InputError(
            "a recipe cannot name this file: its name holds bytes that are no text", repr(name),
            allowed="names in UTF-8", next_step="rename the file",
        )
    return name if _PLAIN.fullmatch(name) and name.lower() not in _WORDS else json.dumps(name, ensure_ascii=False)


def _exposure(exposure: Exposure) -> str:
    seconds = exposure.seconds
    time = f"1/{round(1 / seconds)} s" if 0 < seconds < _SLOWEST_FRACTION else f"{float(Fraction(seconds)):g} s"
    return f"{time}, f/{exposure.f_number:g}, ISO {exposure.iso:g}"


def _for_one_frame(steps: str) -> str:
    names = ("match", "align", "motion", "blend")
    lines = [line for line in steps.splitlines() if not line.strip().startswith(tuple(f"- {name}" for name in names))]
    return "\n".join(lines) + "\n"
