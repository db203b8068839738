"""From what a file says or leaves out to the meaning of its code values: profile, stated, or assumed and said so."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tilepipe.errors import InputError
from tilepipe.formats.frame import Encoding, Transfer
from tilepipe.formats.icc import Profile, parse_profile
from tilepipe.formats.primaries import DCF_OPTIONAL, P3, REC709, REC2020, to_xyz_d50

_CODE_POINTS = {1: ("sRGB", REC709), 9: ("Rec.2020", REC2020), 12: ("Display P3", P3)}
ALLOWED = "linear, srgb, or gamma followed by a number, e.g. gamma 2.2"


@dataclass(frozen=True)
class LookupProfile:
    """An embedded RGB profile that only a colour management library can apply, and the encoding it is turned into."""

    content: bytes
    encoding: Encoding


def linear(source: str, space: str = "sRGB") -> Encoding:
    """Linear light with the primaries of BT.709 and white D65."""
    return Encoding("linear", space, source, to_xyz_d50(REC709))


def camera_linear(source: str) -> Encoding:
    """Linear sensor values in the camera's own primaries."""
    return Encoding("linear", "camera", source)


def srgb(source: str) -> Encoding:
    return Encoding("srgb", "sRGB", source, to_xyz_d50(REC709))


def assumed(dtype: str, colour_space: str = "") -> Encoding:
    """The meaning without a profile: floats are linear, integers sRGB unless Exif names the other space."""
    if dtype == "float32":
        return linear("assumed linear: float values without a profile")
    if colour_space == "R03":
        # Exif's optional colour space (DCF 2.0, index R03): gamma 563/256, IEC 61966-2-5.
        return Encoding("gamma", "DCF optional", "Exif colour space R03", to_xyz_d50(DCF_OPTIONAL), 563 / 256)
    return srgb("Exif colour space sRGB" if colour_space == "sRGB" else "assumed sRGB: no profile")


def code_points(primaries: int, transfer: int, where: str) -> Encoding:
    """The meaning by code points of ITU-T H.273, as a PNG states them in its chunk cICP."""
    curve: Transfer | None = {8: "linear", 13: "srgb"}.get(transfer)  # type: ignore[assignment]
    if primaries not in _CODE_POINTS or curve is None:
        raise InputError(
            "the stated colour code points are not known", where, found=f"primaries {primaries}, transfer {transfer}",
            allowed="primaries 1, 9 or 12 with transfer 8 or 13 (ITU-T H.273)",
            next_step="save it with an ICC profile instead",
        )
    name, chromaticities = _CODE_POINTS[primaries]
    return Encoding(curve, name, f"code points {primaries}/{transfer} (H.273)", to_xyz_d50(chromaticities))


def found(
    profile: bytes, channels: int, dtype: str, colour_space: str, where: str, *, stated: bool = False
) -> Encoding | LookupProfile:
    """What the file says: its profile, or what is assumed without one.

    InputError for a profile that cannot be used, unless the recipe has `stated` an encoding anyway.
    """
    if not profile:
        return assumed(dtype, colour_space)
    try:
        return _embedded(profile, channels, where)
    except InputError:
        if stated:
            return assumed(dtype, colour_space)
        raise


def chosen(wish: Encoding | str | None, found: Encoding | LookupProfile, dtype: str, where: str) -> Encoding:
    """What the recipe states, else what the file says; a curve stated alone keeps the primaries that were found."""
    if wish is None:
        return found.encoding if isinstance(found, LookupProfile) else found
    if isinstance(wish, Encoding):
        return wish
    base = assumed(dtype) if isinstance(found, LookupProfile) else found
    transfer, gamma = _wished_curve(wish, where)
    return replace(base, transfer=transfer, gamma=gamma, curve=(), source=f"stated: {wish}")


def _wished_curve(wish: str, where: str) -> tuple[Transfer, float]:
    words = wish.split()
    if words == ["linear"]:
        return "linear", 1.0
    if words == ["srgb"]:
        return "srgb", 1.0
    try:
        name, gamma = words[0], float(words[1])
    except (IndexError, ValueError):
        name, gamma = "", 0.0
    if name != "gamma" or not 0.1 <= gamma <= 10.0:
        raise InputError("unknown encoding", where, found=wish, allowed=ALLOWED, next_step="state one of these")
    return "gamma", gamma


def _embedded(data: bytes, channels: int, where: str) -> Encoding | LookupProfile:
    profile = parse_profile(data, where)
    if profile.colour_space != ("RGB" if channels == 3 else "GRAY"):
        raise InputError(
            "the embedded ICC profile is for another kind of picture", where, found=profile.colour_space,
            allowed="RGB for colour, GRAY for grey", next_step="state `encoding` for this frame, or convert it to RGB",
        )
    if profile.has_lookup and channels == 3:
        source = f"embedded ICC '{profile.description}' by lookup tables, converted to linear Rec.2020 by LittleCMS"
        return LookupProfile(data, Encoding("linear", "Rec.2020", source, to_xyz_d50(REC2020)))
    if len(profile.curves) != channels or (channels == 3 and profile.matrix is None):
        raise InputError(
            "the embedded ICC profile has no matrix with tone curves", where, found=profile.description,
            next_step="state `encoding` for this frame, or embed a complete profile",
        )
    return _from_curves(profile)


def _from_curves(profile: Profile) -> Encoding:
    source, space = f"embedded ICC '{profile.description}'", profile.description or "embedded"
    curves, matrix = profile.curves, profile.matrix
    if all(curve.is_srgb for curve in curves):
        return Encoding("srgb", space, source, matrix)
    gammas = {curve.gamma for curve in curves}
    if len(gammas) == 1 and None not in gammas:
        gamma = curves[0].gamma or 1.0
        return Encoding("linear" if gamma == 1.0 else "gamma", space, source, matrix, gamma)
    return Encoding("curve", space, source, matrix, 1.0, tuple(curve.table() for curve in curves))
