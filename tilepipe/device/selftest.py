"""The self-test: every kernel of the library on fixed, awkward numbers; equal digests are equal bits."""

from __future__ import annotations

import ctypes
import functools
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import native, nvrtc
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.kernel import Kernel, PlaneArgument, declared_kernels
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
PICTURE = Shape(37, 61)  # odd sides, so that every border and every half level is met
GUARD_PX = 24  # around planes: whatever whole numbers a kernel is given, it reads memory that is there
TABLE = 1 << 17  # elements of a table; kernels are given its middle
BINS = 1 << 20
FIRST = "selftest_"  # kernels/selftest.h: what all others stand on
GUARDS = ("selftest_float", "selftest_double")  # what each thread proves before its first pixel
_POINTER = re.compile(r"(\w+)\s*\*\s*(\w+)")
_NUMPY = {"float": "float32", "double": "float64", "int": "int32", "int64_t": "int64", "uint32_t": "uint32"}
_WHOLE_NUMBERS = (1, 2, 3, 5, 8, 13, 21, 40)  # a kernel may divide by a parameter: only switches are 0
_SWITCH = re.compile(r"p\.(\w+) (?:\?|&&|==)|!p\.(\w+)|if \(p\.(\w+)\)")
# Values within 0..1; half of them 0 or 1, as in a coverage; all that finite numbers can be.
_KINDS = ("ordinary", "sparse", "awkward")
TRIALS = tuple(f"{kind} {number}" for number in (1, 2, 3) for kind in _KINDS)


def kernel_digests(device: Any, kernels: Mapping[str, Kernel] | None = None) -> dict[str, str]:
    """The digest of every kernel's results on a device, by name; `kernels`: those of the library in use by default."""
    chosen = table_kernels(native.load(native.chosen_variant())) if kernels is None else kernels
    return {name: _digest(device, chosen[name]) for name in sorted(chosen)}


def variant_digests(variant: str) -> dict[str, str]:
    """The digests of all kernels and of the exact functions for host scalars, by one variant of the library."""
    device = CpuDevice(variant)
    return kernel_digests(device, table_kernels(device.library)) | {"exact functions": _host_digest(device.library)}


def differing(device: Any, first_only: bool = False, rounds: int = 3) -> list[str]:
    """Names of the kernels whose results on `device` differ from the CPU's: empty on a device that may be used.

    The demo's scene, which only a CPU makes, is left out. `rounds`: of the three kinds of numbers, at most 3.
    """
    reference, left_out = CpuDevice(), nvrtc.made_by_cpu()
    kernels = {
        name: kernel for name, kernel in table_kernels(reference.library).items()
        if name.startswith(FIRST) or not (first_only or name in left_out)
    }
    return [  # one after the other, so that both find the same numbers still made
        name for name, kernel in sorted(kernels.items())
        if _digest(reference, kernel, rounds) != _digest(device, kernel, rounds)
    ]


def thread_faults(device: Any) -> list[str]:
    """What is wrong with the calling thread's arithmetic, on the host and by launches of its own on `device`; cheap."""
    library = native.load(native.chosen_variant())
    modes = library.environment_faults()
    found = [text for bit, text in ((1, "the host flushes subnormals to zero"), (2, "the host does not round to nearest"))
             if modes & bit]
    kernels = table_kernels(library)
    wrong = [name for name in GUARDS if _awkward_digest(device, kernels[name]) != _awkward_reference(name)]
    return found + [f"{name} differs on {device.name}" for name in wrong]


def _awkward_digest(device: Any, kernel: Kernel) -> str:
    """One launch on subnormals, halves for rounding, signed zeros and the largest numbers."""
    case = Case(device, kernel, TRIALS[2])
    ins = [case.plane(f"in {index}") for index in range(kernel.ins)]
    digest = hashlib.blake2b(digest_size=16)
    for array in _launched(device, kernel, ins, PICTURE.whole, PICTURE, case.params()):
        digest.update(_canonical(array))
    return digest.hexdigest()


@functools.cache
def _awkward_reference(name: str) -> str:
    device = CpuDevice()
    return _awkward_digest(device, table_kernels(device.library)[name])


def table_kernels(library: native.Library) -> dict[str, Kernel]:
    """All kernels of a library's table that run pixel by pixel: as declared in Python, else as the table has them."""
    declared = declared_kernels()
    kernels = {name: declared.get(name) or Kernel.of_entry(entry) for name, entry in library.entries.items()}
    return {name: kernel for name, kernel in kernels.items() if kernel.form != "driver"}


# ---------------------------------------------------------------- numbers
def hashed(count: int, seed: str) -> npt.NDArray[np.uint64]:
    """`count` even 64-bit numbers that depend on `seed` alone (SplitMix64: Steele, Lea, Flood, OOPSLA 2014)."""
    start = np.uint64(int.from_bytes(hashlib.blake2b(seed.encode(), digest_size=8).digest(), "little"))
    z = start + np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def _specials(kind: np.dtype[Any]) -> Array:
    about = np.finfo(kind)
    one, half = kind.type(1.0), kind.type(0.5)
    sizes = [
        0.0, about.smallest_subnormal, about.tiny, np.nextafter(about.tiny, kind.type(0)), about.max, about.eps, one,
        np.nextafter(one, half), np.nextafter(one, one + one), half, 1.5, 2.5, 65534.5, 65535.0, 8388607.5,
        2147483648.0,
    ]
    return np.array([sign * size for size in sizes for sign in (1.0, -1.0)], kind)


@functools.lru_cache(maxsize=128)
def values(count: int, dtype: str, seed: str, trial: str) -> Array:
    """`count` numbers of a type for a trial; whole numbers are of 12 bits, or more where the trial is awkward.

    The array is kept for the next call and must not be changed.
    """
    kind, bits = np.dtype(dtype), hashed(count, seed)
    simple = (bits & np.uint64(1)).astype(kind)  # 0 or 1
    if kind.kind in "iu":
        width = {"uint8": 8, "uint16": 16, "int32": 20, "uint32": 32, "int64": 40}[dtype]
        width = width if trial.startswith("awkward") else min(width, 12)
        even: Array = (bits >> np.uint64(64 - width)).astype(kind)
    else:
        even = ((bits >> np.uint64(40)).astype(np.float64) / 16777216.0).astype(kind)
    if trial.startswith("sparse"):
        return np.where(bits & np.uint64(2), simple, even)
    if kind.kind in "iu" or trial.startswith("ordinary"):
        return even
    if trial == "broken":
        return np.select([(bits & np.uint64(31)) == np.uint64(case) for case in range(3)],
                         [np.array(value, kind) for value in (np.nan, np.inf, -np.inf)], even)
    return _awkward(bits, kind, even)


def _awkward(bits: npt.NDArray[np.uint64], kind: np.dtype[Any], even: Array) -> Array:
    """A mixture of any finite bit pattern, halves for rounding, listed special values, −4..16 and 0..1."""
    width, exponent_bit = 8 * kind.itemsize, 23 if kind.itemsize == 4 else 52
    pattern = (bits >> np.uint64(64 - width)) & ~np.uint64(1 << exponent_bit)  # so that none is infinite or NaN
    anything = pattern.astype(f"uint{width}").view(kind)
    steps = (bits >> np.uint64(48)).astype(np.float64) - 32767.5
    halves = (steps / np.where(bits & np.uint64(16), 65535.0, 1.0)).astype(kind)
    special = _specials(kind)
    listed = special[(bits >> np.uint64(8)).astype(np.int64) % len(special)]
    wide = (even * 20.0 - 4.0).astype(kind)
    cases = [(bits & np.uint64(7)) == np.uint64(case) for case in range(4)]
    return np.select(cases, [anything, halves, listed, wide], even)


# ---------------------------------------------------------------- cases
@dataclass
class Case:
    """What one launch of a kernel is given; `kept` holds the memory behind its pointers."""

    device: Any
    kernel: Kernel
    trial: str = TRIALS[0]
    picture: Shape = PICTURE
    kept: list[Any] = field(default_factory=list)

    def _seed(self, what: str) -> str:
        return f"{self.kernel.name} {self.trial} {what}"

    def plane(self, what: str) -> PlaneArgument:
        """A plane that holds the whole picture, with a guard around it."""
        height, width = self.picture.height + 2 * GUARD_PX, self.picture.width + 2 * GUARD_PX
        made = values(height * width, self.kernel.source, self._seed(what), self.trial)
        array = self.device.upload(made.reshape(height, width))
        self.kept.append(array)
        inner = array[GUARD_PX:-GUARD_PX, GUARD_PX:-GUARD_PX]
        plane: PlaneArgument = self.device.plane(inner, self.picture.whole, self.picture)
        return plane

    def table(self, what: str, written: str) -> int:
        """The address of the middle of a table; an `int` in it is small, as a displacement or a code."""
        made = values(TABLE, _NUMPY[written], self._seed(what), "ordinary")
        if written == "int":
            made = (made & 15) - 3
        elif made.dtype.kind == "f" and self.trial.endswith("2"):
            made = made * made.dtype.type(65536)  # as code values
        array = self.device.upload(made.reshape(1, -1))
        self.kept.append(array)
        first: int = self.device.plane(array, Window(0, 0, 1, TABLE), Shape(1, TABLE)).p
        return first + TABLE // 2 * made.itemsize

    def _numbers(self, name: str, kind: Any, count: int) -> list[Any]:
        """`count` values of a parameter's type."""
        if kind is PlaneArgument:
            return [self.plane(f"{name} {index}") for index in range(count)]
        drawn = [int(bits) for bits in hashed(count, self._seed(name))]
        if kind in (ctypes.c_float, ctypes.c_double):
            return [0.25 + (bits >> 40) / 16777216.0 * 1.75 for bits in drawn]
        if name in ("height", "width"):
            return [getattr(self.picture, name)] * count
        switch = name in _switches(self.kernel.name)
        return [0 if switch and bits & 1 else _WHOLE_NUMBERS[bits >> 32 & 7] for bits in drawn]

    def params(self) -> dict[str, Any]:
        """A value for every parameter, by its type."""
        pointers = {name: written for written, name in _POINTER.findall(self.kernel.params)}
        fields: list[tuple[str, Any]] = self.kernel.parameters._fields_  # type: ignore[assignment]
        found: dict[str, Any] = {}
        for name, kind in fields:
            if name in self.kernel.example and not self.trial.endswith("3"):
                found[name] = self.kernel.example[name]
            elif name in pointers:
                found[name] = self.table(name, pointers[name])
            elif hasattr(kind, "_length_"):
                found[name] = self._numbers(name, kind._type_, kind._length_)
            elif name != "unused":
                (found[name],) = self._numbers(name, kind, 1)
        return found


@functools.cache
def _switches(kernel: str) -> frozenset[str]:
    """Parameters that the kernel's text asks yes or no."""
    text = native.header_texts()[nvrtc.unit_of(kernel)]
    return frozenset(name for names in _SWITCH.findall(text) for name in names if name)


def _windows(kernel: Kernel, rounds: int) -> Iterator[tuple[str, Window, Shape]]:
    """Trial, window of the result, size of the result's picture."""
    shape = PICTURE if kernel.step == 1 else PICTURE.halved()
    for trial in TRIALS[: len(_KINDS) * rounds]:
        yield trial, shape.whole, shape
    for window in (Window(0, 0, 3, 5), Window(shape.height - 1, shape.width - 9, 1, 9), Window(7, 11, 5, 3)):
        yield TRIALS[0], window, shape
    if kernel.form == "tally" and kernel.source.startswith("float"):
        yield "broken", shape.whole, shape


def _digest(device: Any, kernel: Kernel, rounds: int = 3) -> str:
    digest = hashlib.blake2b(digest_size=16)
    for trial, window, shape in _windows(kernel, rounds):
        case = Case(device, kernel, trial)
        ins = [case.plane(f"in {index}") for index in range(kernel.ins)]
        run = _tallied if kernel.form == "tally" else _launched
        for array in run(device, kernel, ins, window, shape, case.params()):
            digest.update(_canonical(array))
        case.kept.clear()
    return digest.hexdigest()


def _launched(
    device: Any, kernel: Kernel, ins: list[PlaneArgument], window: Window, shape: Shape, params: Mapping[str, Any]
) -> list[Array]:
    out = device.zeros((kernel.outs, window.height, window.width), kernel.result)
    device.launch(kernel, ins, [device.plane(plane, window, shape) for plane in out], **params)
    return [np.array(device.download(out))]


def _tallied(
    device: Any, kernel: Kernel, ins: list[PlaneArgument], window: Window, shape: Shape, params: Mapping[str, Any]
) -> list[Array]:
    over = PlaneArgument(None, 0, window.y, window.x, window.height, window.width, shape.height, shape.width)
    counts = device.tally(kernel, ins, over, BINS, **params)
    used = np.flatnonzero(counts)
    return [used.astype(np.int64), counts[used]]


def _canonical(array: Array) -> bytes:
    """Bytes with one spelling of NaN, whose bits are a processor's own; no stage may give one away."""
    plain = np.ascontiguousarray(array)
    if plain.dtype.kind == "f":
        plain = np.where(np.isnan(plain), np.array(np.nan, plain.dtype), plain)
    return plain.tobytes()


def _host_digest(library: native.Library) -> str:
    """The exact functions as host scalars use them."""
    names: bytes = ctypes.CFUNCTYPE(ctypes.c_char_p)(("tilepipe_exact_names", library.handle))()
    pointer = ctypes.POINTER(ctypes.c_double)
    form = ctypes.CFUNCTYPE(None, ctypes.c_int, pointer, pointer, pointer, ctypes.c_long)
    function, digest = form(("tilepipe_exact", library.handle)), hashlib.blake2b(digest_size=16)
    a, b = (values(4096, "float64", f"exact {which}", "awkward") for which in "ab")
    for number in range(len(names.split())):
        out = np.zeros_like(a)
        function(number, *(array.ctypes.data_as(pointer) for array in (a, b, out)), len(a))
        digest.update(_canonical(out))
    return digest.hexdigest()
