"""Compiles the kernel text for NVIDIA GPUs by NVRTC, without a driver, and keeps the machine code on disk."""

from __future__ import annotations

import ctypes
import functools
import hashlib
import importlib.util
import os
import re
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tilepipe.device import native
from tilepipe.errors import DeviceError

# No contraction, subnormals kept, division and square root correctly rounded: the bits of the CPU.
OPTIONS = ("--fmad=false", "--ftz=false", "--prec-div=true", "--prec-sqrt=true", "-std=c++17")
_REGISTERS = re.compile(r"^(?:KERNEL|SPARSE|TALLY)\((\w+)\).*$", re.MULTILINE)
_MANIES = re.compile(r"^MANY\((\w+)\).*$", re.MULTILINE)
_GRIDS = re.compile(r"^GRID_OF\((\w+), (\d+), (\d+), .*$", re.MULTILINE)
_INCLUDES = re.compile(r'^\s*#include "([^"]+)"', re.MULTILINE)
_INEXACT = re.compile(  # in PTX; multiplications and additions without a rounding mode may be fused by the assembler
    r"\bfma\.\S+|\bmad\.\S*f(?:32|64)\b|\S*\.ftz\S*|\S*\.approx\S*|\b(?:add|sub|mul|div|sqrt)\.f(?:32|64)\b"
)
MADE_BY_CPU = "scene"  # how the headers of the demo begin
_FOLDER_VARIABLE = "TILEPIPE_CACHE"


def units() -> dict[str, tuple[str, ...]]:
    """Every header that holds GPU kernels, with their names: each becomes one translation unit."""
    found = {name: tuple(_REGISTERS.findall(text)) for name, text in native.header_texts().items() if name != "forms.h"}
    return {name: kernels for name, kernels in found.items() if kernels}


def units_in_use() -> list[str]:
    """Units whose kernels run on GPUs: all but those of the demo's invented scene, which is made by the CPU."""
    return [header for header in units() if not header.startswith(MADE_BY_CPU)]


def made_by_cpu() -> frozenset[str]:
    """Kernels that never run on a GPU."""
    return frozenset(name for header, names in units().items() if header.startswith(MADE_BY_CPU) for name in names)


def text_length(header: str) -> int:
    """Characters of a unit with all that it includes: about how long compiling it takes."""
    return sum(map(len, unit_texts(header).values()))


@functools.cache
def unit_of(kernel: str) -> str:
    """The header that registers a kernel."""
    for header, kernels in units().items():
        if kernel in kernels:
            return header
    raise DeviceError("this kernel is in no header", where=kernel, next_step="register it with KERNEL or TALLY")


@functools.cache
def grid_shapes() -> dict[str, tuple[int, int]]:
    """Kernels with a grid of their own: how many pixels across and down one thread makes."""
    found = (match for text in native.header_texts().values() for match in _GRIDS.findall(text))
    return {name: (int(across), int(down)) for name, across, down in found}


def unit_texts(header: str, texts: Mapping[str, str] | None = None) -> dict[str, str]:
    """A unit's header and all that it includes; only the unit's own header registers kernels."""
    texts = texts if texts is not None else native.header_texts()
    needed: dict[str, str] = {}
    waiting = [header]
    while waiting:
        name = waiting.pop()
        if name in needed:
            continue
        if name not in texts:
            raise DeviceError("this header is included and does not exist", where=header, found=name)
        text = texts[name]
        waiting += _INCLUDES.findall(text)
        needed[name] = text if name == header else _without_kernels(text)
    return dict(sorted(needed.items()))


def _without_kernels(text: str) -> str:
    for line in (_REGISTERS, _GRIDS, _MANIES):
        text = line.sub("", text)
    return text


def inexact_instructions(ptx: str) -> list[str]:
    """Instructions whose results a CPU may not reproduce: fused, flushing, approximate, or free to be fused later."""
    return sorted(set(_INEXACT.findall(ptx)))


# ---------------------------------------------------------------- the compiler
def _wheel_libraries() -> Iterator[Path]:
    spec = importlib.util.find_spec("nvidia")
    for folder in (spec.submodule_search_locations or []) if spec else []:
        yield from sorted(Path(folder).glob("*/lib/libnvrtc.so.*"), reverse=True)


def _system_libraries() -> Iterator[Path]:
    roots = [os.environ.get("CUDA_PATH"), os.environ.get("CUDA_HOME"), "/usr/local/cuda"]
    folders = [Path(root) / sub for root in roots if root for sub in ("lib64", "lib", "targets/x86_64-linux/lib")]
    for folder in [*folders, Path("/usr/lib/x86_64-linux-gnu"), Path("/usr/lib/aarch64-linux-gnu")]:
        yield from sorted(folder.glob("libnvrtc.so*"), reverse=True)


def _open_library() -> Any:
    tried = []
    for path in [*_wheel_libraries(), *_system_libraries(), *(Path(f"libnvrtc.so.{major}") for major in (13, 12))]:
        if ".alt." in path.name:
            continue
        try:
            return ctypes.CDLL(str(path))
        except OSError:
            tried.append(str(path))
    raise DeviceError(
        "the compiler for GPU kernels (NVRTC) is missing", found=", ".join(tried) or "no library named libnvrtc",
        next_step="pip install nvidia-cuda-nvrtc (CUDA 13) or nvidia-cuda-nvrtc-cu12, or install the CUDA toolkit",
    )


@dataclass(frozen=True)
class Compiler:
    """NVRTC: which version it is, what it compiles for, and `compile`."""

    library: Any
    version: tuple[int, int]
    architectures: tuple[int, ...]

    @classmethod
    def open(cls) -> Compiler:
        """Raises DeviceError where there is no NVRTC."""
        library = _open_library()
        library.nvrtcGetErrorString.restype = ctypes.c_char_p
        major, minor, count = ctypes.c_int(), ctypes.c_int(), ctypes.c_int()
        library.nvrtcVersion(ctypes.byref(major), ctypes.byref(minor))
        library.nvrtcGetNumSupportedArchs(ctypes.byref(count))
        supported = (ctypes.c_int * count.value)()
        library.nvrtcGetSupportedArchs(supported)
        return cls(library, (major.value, minor.value), tuple(supported))

    def compile(self, header: str, target: str) -> bytes:
        """A unit for `compute_90` (gives PTX) or `sm_90` (gives a cubin); DeviceError with the compiler's words."""
        if int(target.rpartition("_")[2]) not in self.architectures:
            known = ", ".join(f"{number // 10}.{number % 10}" for number in self.architectures)
            raise DeviceError(
                "the installed NVRTC does not know this GPU's architecture", where=target,
                found=f"NVRTC {self.version[0]}.{self.version[1]}", allowed=known,
                next_step="install a newer nvidia-cuda-nvrtc",
            )
        program = self._program(header, unit_texts(header))
        try:
            flags = [flag.encode() for flag in (*OPTIONS, f"-arch={target}")]
            status = self.library.nvrtcCompileProgram(program, len(flags), (ctypes.c_char_p * len(flags))(*flags))
            if status:
                words = self._fetch(program, "ProgramLog").decode(errors="replace").strip()
                raise DeviceError("a kernel does not compile for the GPU", where=f"{header}, {target}", found=words)
            return self._fetch(program, "PTX") if target.startswith("compute") else self._fetch(program, "CUBIN")
        finally:
            self.library.nvrtcDestroyProgram(ctypes.byref(program))

    def _program(self, header: str, texts: Mapping[str, str]) -> ctypes.c_void_p:
        program, strings = ctypes.c_void_p(), ctypes.c_char_p * len(texts)
        self._check(self.library.nvrtcCreateProgram(
            ctypes.byref(program), f'#include "{header}"\n'.encode(), f"{Path(header).stem}.cu".encode(), len(texts),
            strings(*(text.encode() for text in texts.values())), strings(*(name.encode() for name in texts)),
        ))
        return program

    def _fetch(self, program: ctypes.c_void_p, what: str) -> bytes:
        size = ctypes.c_size_t()
        self._check(getattr(self.library, f"nvrtcGet{what}Size")(program, ctypes.byref(size)))
        buffer = ctypes.create_string_buffer(size.value)
        self._check(getattr(self.library, f"nvrtcGet{what}")(program, buffer))
        return buffer.raw if what == "CUBIN" else buffer.value

    def _check(self, status: int) -> None:
        if status:
            words: bytes = self.library.nvrtcGetErrorString(status)
            raise DeviceError("the compiler for GPU kernels failed", where="NVRTC", found=words.decode())


@functools.cache
def compiler() -> Compiler:
    """The NVRTC of this installation, opened once."""
    return Compiler.open()


# ---------------------------------------------------------------- machine code on disk
def cache_folder() -> Path:
    """Where cubins are kept: $TILEPIPE_CACHE, else $XDG_CACHE_HOME/tilepipe, else ~/.cache/tilepipe."""
    own = os.environ.get(_FOLDER_VARIABLE)
    if own:
        return Path(own)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "tilepipe"


def cubin_key(header: str, architecture: int) -> str:
    """SHA-256 over all that the machine code depends on: text, options, NVRTC's version, architecture."""
    parts = [*OPTIONS, f"sm_{architecture}", "NVRTC {}.{}".format(*compiler().version), header]
    for name, text in unit_texts(header).items():
        parts.append(f"{name} {hashlib.sha256(text.encode()).hexdigest()}")
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


_locks: dict[Path, threading.Lock] = {}
_locks_guard = threading.Lock()


def cubin(header: str, architecture: int) -> Path:
    """The file with a unit's machine code for an architecture (90 = compute capability 9.0), compiled unless kept."""
    path = cache_folder() / f"sm_{architecture}" / f"{Path(header).stem}-{cubin_key(header, architecture)[:24]}.cubin"
    with _locks_guard:
        lock = _locks.setdefault(path, threading.Lock())
    with lock:
        if not path.exists():
            write_whole(path, compiler().compile(header, f"sm_{architecture}"))
    return path


def write_whole(path: Path, content: bytes) -> None:
    """Under a temporary name, then renamed: another process sees the whole file or none."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(name, path)
    except OSError as error:
        raise DeviceError(
            "compiled GPU kernels cannot be kept", where=str(path.parent), found=str(error),
            next_step=f"make that folder writable or set {_FOLDER_VARIABLE} to one that is",
        ) from error
