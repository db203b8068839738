"""Loads the compiled kernels: picks an instruction-set variant and checks it against the declarations in Python."""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import platform
from collections.abc import Callable
from pathlib import Path

from tilepipe.device.kernel import Entry, Kernel, declared_kernels
from tilepipe.errors import DeviceError

VARIANT_VARIABLE = "TILEPIPE_VARIANT"
_PACKAGE = Path(__file__).resolve().parent.parent
_LIBRARIES = Path(__file__).resolve().parent / "lib"
KERNEL_FOLDERS = ("kernels", "colour", "stages", "masks", "measure", "demo")


def header_texts() -> dict[str, str]:
    """The kernel language's text: file name → contents, as compiled for the CPU and given to the GPU's compiler."""
    paths = [path for folder in KERNEL_FOLDERS for path in (_PACKAGE / folder).glob("*.h")]
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(paths, key=lambda path: path.name)}


def text_hash() -> str:
    """SHA-256 over the names and hashes of all kernel headers, as the build computes it."""
    lines = [f"{name} {hashlib.sha256(text.encode()).hexdigest()}" for name, text in header_texts().items()]
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()


def machine_variants() -> tuple[str, ...]:
    """Variants this processor can run, the fastest first."""
    if platform.machine() in ("aarch64", "arm64"):
        return ("neon",)
    flags = _processor_flags()
    if flags is None:
        return ("v2",)
    v3 = {"avx2", "bmi1", "bmi2", "f16c", "fma", "movbe"} <= flags
    v4 = v3 and {"avx512f", "avx512bw", "avx512cd", "avx512dq", "avx512vl"} <= flags
    return tuple(name for name, usable in (("v4", v4), ("v3", v3), ("v2", True)) if usable)


def _processor_flags() -> frozenset[str] | None:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return None
    for line in text.splitlines():
        if line.startswith("flags"):
            return frozenset(line.split(":", 1)[1].split())
    return None


def built_variants() -> tuple[str, ...]:
    """Variants that this installation has a library for and this processor can run, the fastest first."""
    return tuple(variant for variant in machine_variants() if _path(variant).exists())


def _path(variant: str) -> Path:
    return _LIBRARIES / f"libtilepipe_{variant}.so"


def chosen_variant() -> str:
    """The variant in use: the environment's wish, else the fastest that is built and runs here."""
    built = built_variants()
    wish = os.environ.get(VARIANT_VARIABLE, "")
    if wish and wish not in built:
        raise DeviceError(
            "this instruction-set variant cannot be used here", where=VARIANT_VARIABLE, found=wish,
            allowed=", ".join(built) or "none is built", next_step=f"unset {VARIANT_VARIABLE} or choose one of these",
        )
    if not built:
        raise DeviceError(
            "the compiled kernels are missing", where=str(_LIBRARIES),
            next_step="install the package with pip (it compiles them); in a checkout run `python3 scripts/build.py`",
        )
    return wish or built[0]


class Library:
    """One loaded variant; its functions run rows of a kernel with the interpreter lock released."""

    def __init__(self, variant: str) -> None:
        self.variant = variant
        self.handle = ctypes.CDLL(str(_path(variant)))
        self.handle.tilepipe_kernels.restype = ctypes.POINTER(Entry)
        self.handle.tilepipe_text_hash.restype = ctypes.c_char_p
        self.handle.tilepipe_environment_faults.restype = ctypes.c_int
        self.entries = self._read_table()
        self._checked: set[str] = set()
        self._check_text()

    def _read_table(self) -> dict[str, Entry]:
        entries: dict[str, Entry] = {}
        pointer = self.handle.tilepipe_kernels()
        while pointer:
            entry = pointer.contents
            entries[entry.name.decode()] = entry
            pointer = entry.next_pointer()
        return entries

    def _check_text(self) -> None:
        built_from: bytes = self.handle.tilepipe_text_hash()
        if built_from.decode() != text_hash():
            raise DeviceError(
                "the compiled kernels and their sources differ", where=str(_path(self.variant)),
                found=built_from.decode()[:16], allowed=text_hash()[:16],
                next_step="reinstall the package, or run `python3 scripts/build.py` in a checkout",
            )

    def faults(self) -> list[str]:
        """Disagreements between the kernels that Python declares and those that the library holds, both ways."""
        declared = declared_kernels()
        unknown = sorted(set(self.entries) - set(declared))
        found = [f"{name}: in the library, not declared in Python" for name in unknown]
        return found + [fault for kernel in declared.values() for fault in kernel.faults(self.entries.get(kernel.name))]

    def function(self, kernel: Kernel) -> Callable[[int, int, int], None]:
        """The C function of a kernel, its signature checked at first use."""
        entry = self.entries.get(kernel.name)
        if kernel.name not in self._checked:
            faults = kernel.faults(entry)
            if faults:
                raise DeviceError("kernel and declaration differ", where=kernel.name, found="; ".join(faults))
            self._checked.add(kernel.name)
        assert entry is not None
        function: Callable[[int, int, int], None] = entry.run
        return function

    def environment_faults(self) -> int:
        """Bits of the calling thread's floating-point faults: 1 subnormals flushed, 2 not rounding to nearest."""
        faults: int = self.handle.tilepipe_environment_faults()
        return faults


@functools.cache
def load(variant: str) -> Library:
    """The library of one variant, loaded once per process."""
    return Library(variant)


def library() -> ctypes.CDLL:
    """The raw handle of the variant in use."""
    return load(chosen_variant()).handle
