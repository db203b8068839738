"""Every kernel compiles for GPUs by NVRTC, without a GPU, and its PTX holds nothing that a CPU could not reproduce."""

from __future__ import annotations

import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import tilepipe
from tilepipe.device import native, nvrtc
from tilepipe.device.kernel import declared_kernels
from tilepipe.errors import DeviceError

ARCHITECTURES = (80, 90, 120)  # A100, H100, RTX 50: the oldest supported, the data centre's, the newest
UNITS = sorted(nvrtc.units())


@pytest.fixture(scope="module")
def ptx() -> dict[tuple[str, int], str]:
    """Each unit is compiled once per architecture, when it is first asked for."""
    return {}


def compiled(ptx: dict[tuple[str, int], str], header: str, architecture: int) -> str:
    key = (header, architecture)
    if key not in ptx:
        ptx[key] = nvrtc.compiler().compile(header, f"compute_{architecture}").decode()
    return ptx[key]


@pytest.mark.parametrize("architecture", ARCHITECTURES)
@pytest.mark.parametrize("header", UNITS)
def test_a_unit_compiles_to_exact_instructions(ptx: dict[tuple[str, int], str], header: str, architecture: int):
    text = compiled(ptx, header, architecture)
    assert f".target sm_{architecture}" in text
    assert nvrtc.inexact_instructions(text) == []
    grids = set(re.findall(r"\.entry (\w+)_grid\(", text))
    assert grids == set(nvrtc.units()[header])


def test_every_declared_kernel_has_its_grid():
    for part in pkgutil.walk_packages(tilepipe.__path__, "tilepipe."):
        folder = part.name.split(".")[1]
        if folder in ("stages", "measure", "masks", "demo", "run", "colour", "store"):
            importlib.import_module(part.name)
    kernels = {name: kernel for name, kernel in declared_kernels().items() if kernel.form != "driver"}
    assert len(kernels) > 60
    registered = {name: header for header, names in nvrtc.units().items() for name in names}
    assert {name: registered.get(name) for name in kernels} == {name: kernel.header for name, kernel in kernels.items()}


def test_a_unit_registers_only_its_own_kernels():
    texts = nvrtc.unit_texts("fusion.h")
    assert {"fusion.h", "pyramid.h", "forms.h"} <= set(texts)
    assert re.search(r"(?m)^KERNEL\(fusion_weight\)", texts["fusion.h"])
    assert not re.search(r"(?m)^KERNEL\(", texts["pyramid.h"])


BAD = {
    "fma.rn.f32 %f1, %f2, %f3, %f4;": "fma.rn.f32", "mad.rn.f64 %d1, %d2, %d3, %d4;": "mad.rn.f64",
    "add.rn.ftz.f32 %f1, %f2, %f3;": "add.rn.ftz.f32", "div.approx.f32 %f1, %f2, %f3;": "div.approx.f32",
    "mul.f32 %f1, %f2, %f3;": "mul.f32", "sqrt.approx.ftz.f32 %f1, %f2;": "sqrt.approx.ftz.f32",
}


@pytest.mark.parametrize("line", BAD)
def test_the_inspection_finds_inexact_instructions(line: str):
    exact = "\tadd.rn.f32 %f1, %f2, %f3;\n\tmad.lo.s32 %r1, %r2, %r3, %r4;\n"
    assert nvrtc.inexact_instructions(f"\t{line}\n{exact}") == [BAD[line]]


def test_the_options_are_what_keeps_it_exact(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(nvrtc, "OPTIONS", ("-std=c++17",))
    text = nvrtc.compiler().compile("mix.h", "compute_90").decode()
    assert "fma.rn.f32" in nvrtc.inexact_instructions(text)


# ---------------------------------------------------------------- the cache
def test_machine_code_is_compiled_once_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("TILEPIPE_CACHE", str(tmp_path))
    path = nvrtc.cubin("mix.h", 90)
    assert path.is_relative_to(tmp_path)
    assert path.read_bytes()[:4] == b"\x7fELF"
    assert [file.suffix for file in path.parent.iterdir()] == [".cubin"]
    monkeypatch.setattr(nvrtc.Compiler, "compile", None)  # a second call must not compile
    assert nvrtc.cubin("mix.h", 90) == path


def test_the_key_holds_text_options_version_and_architecture(monkeypatch: pytest.MonkeyPatch):
    keys = [nvrtc.cubin_key("mix.h", 90), nvrtc.cubin_key("mix.h", 80), nvrtc.cubin_key("exposure.h", 90)]
    texts = native.header_texts()
    monkeypatch.setattr(native, "header_texts", lambda: {**texts, "exposure.h": texts["exposure.h"] + "//\n"})
    assert nvrtc.cubin_key("mix.h", 90) == keys[0], "a header that a unit does not include must not touch its key"
    monkeypatch.setattr(native, "header_texts", lambda: {**texts, "forms.h": texts["forms.h"] + "//\n"})
    keys.append(nvrtc.cubin_key("mix.h", 90))
    monkeypatch.setattr(nvrtc, "OPTIONS", (*nvrtc.OPTIONS, "-lineinfo"))
    keys.append(nvrtc.cubin_key("mix.h", 90))
    newer = nvrtc.Compiler(nvrtc.compiler().library, (99, 0), nvrtc.compiler().architectures)
    monkeypatch.setattr(nvrtc, "compiler", lambda: newer)
    keys.append(nvrtc.cubin_key("mix.h", 90))
    assert len(set(keys)) == len(keys)


# ---------------------------------------------------------------- refusals
def test_a_missing_compiler_is_told_with_the_way_out(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(nvrtc, "_wheel_libraries", lambda: iter([Path("/nowhere/libnvrtc.so.12")]))
    monkeypatch.setattr(nvrtc, "_system_libraries", lambda: iter([]))

    def missing(path: str) -> None:
        raise OSError(path)

    monkeypatch.setattr(nvrtc.ctypes, "CDLL", missing)
    with pytest.raises(DeviceError, match="pip install nvidia-cuda-nvrtc"):
        nvrtc.Compiler.open()


def test_an_unknown_architecture_is_refused():
    with pytest.raises(DeviceError, match="does not know this GPU's architecture"):
        nvrtc.compiler().compile("mix.h", "sm_999")


def test_a_kernel_that_does_not_compile_is_told_with_the_compilers_words(monkeypatch: pytest.MonkeyPatch):
    texts = native.header_texts()
    monkeypatch.setattr(native, "header_texts", lambda: {**texts, "mix.h": texts["mix.h"] + "\nint broken(\n"})
    with pytest.raises(DeviceError, match=r"mix\.h, sm_90"):
        nvrtc.compiler().compile("mix.h", "sm_90")


def test_an_unwritable_cache_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("TILEPIPE_CACHE", str(blocked))
    with pytest.raises(DeviceError, match="TILEPIPE_CACHE"):
        nvrtc.cubin("mix.h", 90)
