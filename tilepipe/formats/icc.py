"""A small parser for ICC profiles (ICC.1:2022): header, tag table, matrix and tone curves, description."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

from tilepipe.device import exact
from tilepipe.device.exact import Matrix, Vector
from tilepipe.errors import InputError
from tilepipe.formats.frame import CURVE_ENTRIES

_PARAMETERS = (1, 3, 4, 5, 7)  # numbers per parametric function type 0–4 (ICC.1:2022, table 68)
# The sRGB curve as parametric type 3: gamma, a, b, c, d (IEC 61966-2-1).
_SRGB = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
_LOOKUP_TAGS = ("A2B0", "A2B1", "A2B2", "D2B0", "D2B1", "D2B2")


@dataclass(frozen=True)
class ToneCurve:
    """One channel's curve from code value 0..1 to linear 0..1: a table, or one of the parametric functions 0–4."""

    form: Literal["table", "function"]
    function: int = 0
    numbers: tuple[float, ...] = ()

    @property
    def gamma(self) -> float | None:
        """The exponent where the curve is nothing but a power."""
        return self.numbers[0] if self.form == "function" and self.function == 0 else None

    @property
    def is_srgb(self) -> bool:
        """True for the sRGB curve within the steps of 1/65536 in which a profile states it."""
        same = all(abs(mine - theirs) <= 2e-5 for mine, theirs in zip(self.numbers, _SRGB, strict=False))
        tail = all(abs(value) <= 2e-5 for value in self.numbers[5:])
        return self.form == "function" and self.function in (3, 4) and same and tail

    def table(self, entries: int = CURVE_ENTRIES) -> tuple[float, ...]:
        """The curve at i/(entries − 1), float64, clamped to 0..1 as ICC.1:2022, 10.18 asks."""
        positions = (index / (entries - 1) for index in range(entries))
        values = (self._between(x) if self.form == "table" else self._evaluated(x) for x in positions)
        return tuple(min(max(value, 0.0), 1.0) for value in values)

    def _between(self, x: float) -> float:
        at = x * (len(self.numbers) - 1)
        low = min(int(at), len(self.numbers) - 2)
        return self.numbers[low] + (at - low) * (self.numbers[low + 1] - self.numbers[low])

    def _evaluated(self, x: float) -> float:
        gamma, a, b, c, d, e, f = _seven_numbers(self.function, self.numbers)
        return _power(a * x + b, gamma) + e if x >= d else c * x + f


@dataclass(frozen=True)
class Profile:
    """A parsed profile: `matrix` is RGB → XYZ D50, `curves` are R, G, B or one for grey; LUT profiles may lack both."""

    description: str
    colour_space: str
    connection_space: str
    version: str
    matrix: Matrix | None
    curves: tuple[ToneCurve, ...]
    has_lookup: bool
    adaptation: Matrix | None


def parse_profile(data: bytes, where: str) -> Profile:
    """Parses an embedded profile; raises InputError when it is damaged."""
    try:
        return _profile(data)
    except (struct.error, IndexError, ValueError, KeyError, ZeroDivisionError) as error:
        raise InputError(
            "the embedded ICC profile is damaged", where, found=str(error) or type(error).__name__,
            allowed="a profile as in ICC.1:2022", next_step="state `encoding` for this frame, or embed it again",
        ) from error


def _profile(data: bytes) -> Profile:
    if len(data) < 132 or data[36:40] != b"acsp":
        raise ValueError("no profile signature")
    if struct.unpack_from(">I", data, 0)[0] > len(data):
        raise ValueError("the profile is cut short")
    tags = _tag_table(data)
    colour_space = data[16:20].decode("latin-1").strip()
    return Profile(
        description=_description(tags.get("desc", b"")),
        colour_space=colour_space,
        connection_space=data[20:24].decode("latin-1").strip(),
        version=f"{data[8]}.{data[9] >> 4}.{data[9] & 15}",
        matrix=_matrix(tags),
        curves=tuple(_curve(tags[name]) for name in _curve_names(colour_space) if name in tags),
        has_lookup=any(name in tags for name in _LOOKUP_TAGS),
        adaptation=_adaptation(tags.get("chad", b"")),
    )


def _tag_table(data: bytes) -> dict[str, bytes]:
    tags = {}
    for index in range(min(struct.unpack_from(">I", data, 128)[0], 256)):
        name, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * index)
        if offset + size > len(data):
            raise ValueError(f"tag {name.decode('latin-1')} lies outside the profile")
        tags[name.decode("latin-1")] = data[offset : offset + size]
    return tags


def _curve_names(colour_space: str) -> tuple[str, ...]:
    return ("kTRC",) if colour_space == "GRAY" else ("rTRC", "gTRC", "bTRC")


def _fixed(data: bytes, at: int, count: int) -> tuple[float, ...]:
    return tuple(number / 65536.0 for number in struct.unpack_from(f">{count}i", data, at))


def _matrix(tags: dict[str, bytes]) -> Matrix | None:
    if not all(name in tags for name in ("rXYZ", "gXYZ", "bXYZ")):
        return None
    red, green, blue = (_fixed(tags[name], 8, 3) for name in ("rXYZ", "gXYZ", "bXYZ"))
    return _rows([value for row in zip(red, green, blue, strict=True) for value in row])


def _adaptation(content: bytes) -> Matrix | None:
    return _rows(list(_fixed(content, 8, 9))) if content[:4] == b"sf32" else None


def _rows(values: list[float]) -> Matrix:
    first: Vector = (values[0], values[1], values[2])
    return (first, (values[3], values[4], values[5]), (values[6], values[7], values[8]))


def _curve(content: bytes) -> ToneCurve:
    kind, count = content[:4], struct.unpack_from(">I", content, 8)[0]
    if kind == b"para":
        function = count >> 16
        return ToneCurve("function", function, _fixed(content, 12, _PARAMETERS[function]))
    if kind != b"curv":
        raise ValueError(f"tone curve of type {kind!r}")
    if count == 0:
        return ToneCurve("function", 0, (1.0,))
    if count == 1:
        return ToneCurve("function", 0, (struct.unpack_from(">H", content, 12)[0] / 256.0,))
    return ToneCurve("table", 0, tuple(value / 65535.0 for value in struct.unpack_from(f">{count}H", content, 12)))


def _seven_numbers(function: int, numbers: tuple[float, ...]) -> tuple[float, ...]:
    """Any parametric function written as (a·x + b)^g + e from d on, c·x + f below (ICC.1:2022, table 68)."""
    if function == 0:
        return (numbers[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    gamma, a, b = numbers[:3]
    if function == 1:
        return (gamma, a, b, 0.0, -b / a, 0.0, 0.0)
    if function == 2:
        return (gamma, a, b, 0.0, -b / a, numbers[3], numbers[3])
    if function == 3:
        return (gamma, a, b, numbers[3], numbers[4], 0.0, 0.0)
    return (gamma, a, b, *numbers[3:7])


def _power(base: float, exponent: float) -> float:
    return exact.pow(base, exponent) if base > 0.0 else 0.0


def _description(content: bytes) -> str:
    if content[:4] == b"desc":
        length = struct.unpack_from(">I", content, 8)[0]
        return content[12 : 12 + length].split(b"\0")[0].decode("latin-1").strip()
    if content[:4] == b"mluc" and struct.unpack_from(">I", content, 8)[0]:
        length, offset = struct.unpack_from(">II", content, 20)
        return content[offset : offset + length].decode("utf-16-be", "replace").strip("\0 ")
    return ""
