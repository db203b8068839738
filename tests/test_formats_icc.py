"""Profiles mean the same to our parser as to LittleCMS, and lookup profiles go through LittleCMS itself."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile

from tilepipe.errors import InputError
from tilepipe.formats import meaning, open_frame
from tilepipe.formats.frame import CURVE_ENTRIES, Encoding
from tilepipe.formats.icc import ToneCurve, parse_profile
from tilepipe.formats.primaries import P3, REC709, REC2020, to_xyz_d50
from tilepipe.geometry import Window

D65 = [0.3127, 0.3290]
P3_XY = [0.680, 0.320, 0.265, 0.690, 0.150, 0.060]  # SMPTE RP 431-2
CODES = np.random.default_rng(1).integers(0, 65536, (50, 70, 3), dtype=np.uint16)


def function_profile(function: int, numbers: tuple[float, ...]) -> bytes:
    """A display profile of our own making around one parametric curve (ICC.1:2022): P3 primaries, white D50."""
    curve = b"para\0\0\0\0" + struct.pack(">HH", function, 0) + struct.pack(
        f">{len(numbers)}i", *(round(number * 65536) for number in numbers)
    )
    bodies = dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
    for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), zip(*to_xyz_d50(P3), strict=True), strict=True):
        bodies[name] = b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(value * 65536) for value in column))
    bodies[b"wtpt"] = b"XYZ \0\0\0\0" + struct.pack(">3i", 63190, 65536, 54061)
    text = "invented".encode("utf-16-be")
    bodies[b"desc"] = b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(text), 28) + text
    table, content, at = b"", b"", 132 + 12 * len(bodies)
    for name, body in bodies.items():
        padded = body + bytes(-len(body) % 4)
        table += struct.pack(">4sII", name, at + len(content), len(body))
        content += padded
    size = at + len(content)
    head = struct.pack(">I4sI4s4s4s12s4s", size, b"", 0x04400000, b"mntr", b"RGB ", b"XYZ ", bytes(12), b"acsp")
    head += bytes(28) + struct.pack(">3i", 63190, 65536, 54061)
    return head + bytes(128 - len(head)) + struct.pack(">I", len(bodies)) + table + content


PROFILES: dict[str, bytes] = {
    "sRGB": bytes(imagecodecs.cms_profile("srgb")),
    "P3 with gamma": bytes(imagecodecs.cms_profile("rgb", whitepoint=D65, primaries=P3_XY, gamma=2.2)),
    "P3 with a table": bytes(imagecodecs.cms_profile(
        "rgb", whitepoint=D65, primaries=P3_XY,
        transferfunction=(np.linspace(0, 1, 1024) ** 1.7 * 65535).astype(np.uint16),
    )),
    "version 2": bytes(imagecodecs.cms_profile("adobergb")),
    "P3 with the sRGB curve": function_profile(3, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)),
    "function 0": function_profile(0, (1.8,)),
    "function 1": function_profile(1, (2.2, 0.9, 0.1)),
    "function 2": function_profile(2, (2.0, 0.8, 0.1, 0.15)),
    "function 3": function_profile(3, (3.0, 0.862, 0.138, 0.110703, 0.08)),
    "function 4": function_profile(4, (2.0, 0.9, 0.05, 0.3, 0.2, 0.02, 0.0129)),
}


def linear_values(encoding: Encoding, codes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Code values to linear light by the definition in `Encoding`, in float64."""
    x = codes / 65535.0
    if encoding.transfer == "srgb":  # IEC 61966-2-1
        return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    if encoding.transfer == "curve":
        at = np.linspace(0.0, 1.0, CURVE_ENTRIES)
        return np.stack([np.interp(x[..., channel], at, encoding.curve[channel]) for channel in range(3)], axis=-1)
    return x**encoding.gamma


@pytest.mark.parametrize("name", PROFILES)
def test_profiles_mean_what_littlecms_says(name: str) -> None:
    encoding = meaning.found(PROFILES[name], 3, "uint16", "", "frame.tif")
    assert isinstance(encoding, Encoding)
    ours = linear_values(encoding, CODES) @ np.array(encoding.to_xyz_d50).T
    theirs = imagecodecs.cms_transform(
        CODES, PROFILES[name], imagecodecs.cms_profile("xyz"), colorspace="rgb", outcolorspace="xyz",
        outdtype="float64", intent=1,
    )
    assert np.abs(ours - theirs).max() <= 2e-5


def test_curves_are_recognised() -> None:
    transfers = {name: meaning.found(profile, 3, "uint16", "", "x") for name, profile in PROFILES.items()}
    found = {name: encoding.transfer for name, encoding in transfers.items() if isinstance(encoding, Encoding)}
    assert found["sRGB"] == found["P3 with the sRGB curve"] == "srgb"
    assert found["P3 with gamma"] == found["version 2"] == found["function 0"] == "gamma"
    assert found["P3 with a table"] == found["function 1"] == found["function 4"] == "curve"
    assert transfers["sRGB"].source == "embedded ICC 'sRGB built-in'"  # type: ignore[union-attr]


def test_matrices_of_named_spaces_agree_with_littlecms() -> None:
    """LittleCMS states its columns in steps of 1/65536."""
    for chromaticities in (REC709, P3, REC2020):
        flat = [value for xy in chromaticities for value in xy]
        profile = parse_profile(bytes(imagecodecs.cms_profile("rgb", whitepoint=D65, primaries=flat, gamma=1.0)), "x")
        assert np.abs(np.array(to_xyz_d50(chromaticities)) - np.array(profile.matrix)).max() <= 2e-5
        assert profile.version == "4.4.0"


def test_grey_profiles(tmp_path: Path) -> None:
    path, profile = tmp_path / "frame.tif", bytes(imagecodecs.cms_profile("gray", gamma=2.2))
    tifffile.imwrite(path, CODES[..., 0], photometric="minisblack", iccprofile=profile)
    frame = open_frame(path)
    assert (frame.info.kind, frame.info.encoding.transfer) == ("grey", "gamma")
    assert frame.info.encoding.gamma == pytest.approx(2.2, abs=1e-5)
    frame.close()


def test_every_format_hands_on_its_profile(tmp_path: Path) -> None:
    profile = PROFILES["P3 with gamma"]
    tifffile.imwrite(tmp_path / "frame.tif", CODES, photometric="rgb", iccprofile=profile)
    png = bytes(imagecodecs.png_encode(CODES))
    body = b"name\0\0" + zlib.compress(profile)
    chunk = struct.pack(">I", len(body)) + b"iCCP" + body + struct.pack(">I", zlib.crc32(b"iCCP" + body))
    (tmp_path / "frame.png").write_bytes(png[:33] + chunk + png[33:])
    jpeg = bytes(imagecodecs.jpeg8_encode((CODES // 256).astype(np.uint8)))
    halves = [profile[:100], profile[100:]]
    parts = [b"ICC_PROFILE\0" + bytes((index + 1, 2)) + half for index, half in enumerate(halves)]
    segments = b"".join(b"\xff\xe2" + struct.pack(">H", len(part) + 2) + part for part in reversed(parts))
    (tmp_path / "frame.jpg").write_bytes(jpeg[:2] + segments + jpeg[2:])
    for suffix in ("tif", "png", "jpg"):
        frame = open_frame(tmp_path / f"frame.{suffix}")
        assert frame.info.encoding.source == "embedded ICC 'RGB built-in'"
        assert frame.info.encoding.to_xyz_d50 == parse_profile(profile, "x").matrix
        frame.close()


def lookup_profile() -> bytes:
    """P3 with gamma 2.2 as lookup tables: A2B0 of type lutAToB (ICC.1:2022, 10.12) with a matrix and curves inside."""
    plain = parse_profile(PROFILES["P3 with gamma"], "x")
    assert plain.matrix is not None
    identity = b"para\0\0\0\0" + struct.pack(">HHi", 0, 0, 65536)
    gamma = b"para\0\0\0\0" + struct.pack(">HHi", 0, 0, round(2.2 * 65536))
    # PCS XYZ is scaled by 32768/65535 in lookup tables (ICC.1:2022, 6.3.4.2).
    numbers = [value * 32768 / 65535 for row in plain.matrix for value in row] + [0.0, 0.0, 0.0]
    matrix = struct.pack(">12i", *(round(value * 65536) for value in numbers))
    lookup = b"mAB \0\0\0\0" + struct.pack(">BBHIIIII", 3, 3, 0, 32, 32 + 48, 128, 0, 0) + identity * 3 + matrix
    lookup += gamma * 3
    return with_tag(function_profile(0, (1.0,)), b"A2B0", lookup)


def with_tag(profile: bytes, name: bytes, body: bytes) -> bytes:
    count = struct.unpack_from(">I", profile, 128)[0]
    table = b""
    for index in range(count):
        tag, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        table += struct.pack(">4sII", tag, offset + 12, size)
    old = profile[132 + 12 * count :]
    start = 132 + 12 * (count + 1) + len(old)
    table += struct.pack(">4sII", name, start, len(body))
    return (
        struct.pack(">I", start + len(body)) + profile[4:128] + struct.pack(">I", count + 1) + table + old + body
    )


def test_lookup_profiles_become_linear_rec2020(tmp_path: Path) -> None:
    path, profile = tmp_path / "frame.tif", lookup_profile()
    pixels = np.concatenate([CODES, CODES[..., :1]], axis=2)
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile, tile=(16, 16))
    frame = open_frame(path)
    info = frame.info
    assert (info.dtype, info.encoding.transfer, info.encoding.space) == ("float32", "linear", "Rec.2020")
    assert (info.has_coverage, info.coverage_full, info.tiled) == (True, 65535.0, True)
    assert info.facts_for_key["converted_by"] == imagecodecs.cms_version()
    whole = frame.read(info.shape.whole)
    assert (whole[3] == CODES[..., 0]).all()
    for window in (Window(3, 5, 20, 31), Window(49, 69, 1, 1)):
        assert frame.read(window).tobytes() == whole[:, window.rows, window.cols].tobytes()
    frame.close()
    to_p3 = np.linalg.inv(np.array(to_xyz_d50(REC2020))) @ np.array(to_xyz_d50(P3))
    expected = (CODES / 65535.0) ** 2.2 @ to_p3.T
    assert np.abs(np.moveaxis(whole[:3], 0, -1) - expected).max() <= 2e-4
    frame = open_frame(path, encoding="srgb")
    assert (frame.info.dtype, frame.info.encoding.transfer) == ("uint16", "srgb")
    frame.close()


def test_damaged_and_foreign_profiles(tmp_path: Path) -> None:
    path, good = tmp_path / "frame.tif", PROFILES["sRGB"]
    wrong = {"no profile signature": bytes(600), "cut short": good[:300], "for another kind": bytes(
        imagecodecs.cms_profile("gray", gamma=2.2)
    )}
    for words, profile in wrong.items():
        tifffile.imwrite(path, CODES, photometric="rgb", iccprofile=profile)
        with pytest.raises(InputError, match=words) as caught:
            open_frame(path)
        assert "state `encoding`" in str(caught.value)
        frame = open_frame(path, encoding="srgb")
        assert frame.info.encoding.source == "stated: srgb"
        frame.close()


def test_what_is_assumed_without_a_profile(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    for pixels, transfer, words in ((CODES, "srgb", "assumed sRGB"), (CODES.astype(np.float32), "linear", "assumed")):
        tifffile.imwrite(path, pixels, photometric="rgb")
        frame = open_frame(path)
        assert frame.info.encoding.transfer == transfer
        assert words in frame.info.encoding.source
        frame.close()


def test_png_chunks_about_colour(tmp_path: Path) -> None:
    png, path = bytes(imagecodecs.png_encode(CODES)), tmp_path / "frame.png"

    def encoding(*chunks: tuple[bytes, bytes]) -> Encoding:
        added = b"".join(
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
            for name, body in chunks
        )
        path.write_bytes(png[:33] + added + png[33:])
        frame = open_frame(path)
        frame.close()
        return frame.info.encoding

    assert encoding((b"sRGB", b"\0")).source == "PNG chunk sRGB"
    assert encoding((b"gAMA", struct.pack(">I", 100000))).transfer == "linear"
    p3 = struct.pack(">8I", 31270, 32900, 68000, 32000, 26500, 69000, 15000, 6000)
    found = encoding((b"gAMA", struct.pack(">I", 55556)), (b"cHRM", p3))
    assert found.gamma == pytest.approx(1.8, abs=1e-4)
    assert np.abs(np.array(found.to_xyz_d50) - np.array(to_xyz_d50(P3))).max() < 1e-12
    found = encoding((b"cICP", bytes((12, 13, 0, 1))), (b"sRGB", b"\0"))
    assert (found.space, found.transfer, found.to_xyz_d50) == ("Display P3", "srgb", to_xyz_d50(P3))


def test_tables_are_clamped_and_of_the_stated_length() -> None:
    table = ToneCurve("function", 4, (1.0, 2.0, -0.5, 0.0, 0.0, 0.0, 0.0)).table()
    assert len(table) == CURVE_ENTRIES
    assert (min(table), max(table)) == (0.0, 1.0)
