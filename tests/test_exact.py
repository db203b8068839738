"""The exact functions: worst error against mpmath, special values, the same bits from every build, a clean GPU text."""

from __future__ import annotations

import ctypes
import importlib.util
import math
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import mpmath
import numpy as np
import pytest

from tilepipe.device import exact, native

KERNELS = Path(__file__).resolve().parents[1] / "tilepipe" / "kernels"
FLAGS = ["-std=c++17", "-O3", "-fPIC", "-shared", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math"]
NAMES = ("exp2", "log2", "pow", "cbrt", "atan2", "sin", "cos", "exp", "log")
BINARY = ("pow", "atan2")
LARGEST = {np.float32: float(np.finfo(np.float32).max), np.float64: float(np.finfo(np.float64).max)}
# Bounds just above the worst errors measured in exact.h, in units in the last place.
WORST_D = {
    "exp2": 0.76, "log2": 0.501, "pow": 1.0, "cbrt": 0.501, "atan2": 0.76, "sin": 0.79, "cos": 0.79, "exp": 0.76,
    "log": 0.501,
}
WORST_F = {"exp2": 0.78, "log2": 0.97, "pow": 0.87, "cbrt": 0.501, "atan2": 0.86}
REFERENCE = {
    "exp2": lambda x: mpmath.power(2, x), "log2": lambda x: mpmath.log(x, 2), "pow": mpmath.power,
    "cbrt": lambda x: mpmath.sign(x) * mpmath.cbrt(abs(x)),
    "atan2": mpmath.atan2, "sin": mpmath.sin, "cos": mpmath.cos, "exp": mpmath.exp, "log": mpmath.log,
}


class Functions:
    """One compiled library of the exact functions: `call(name, a, b)` on arrays of float32 or float64."""

    def __init__(self, handle: ctypes.CDLL) -> None:
        self.handle = handle
        handle.tilepipe_exact_names.restype = ctypes.c_char_p

    def names(self) -> tuple[str, ...]:
        return tuple(self.handle.tilepipe_exact_names().decode().split())

    def call(self, name: str, a: np.ndarray, b: np.ndarray | None = None) -> np.ndarray:
        a = np.ascontiguousarray(a)
        b = np.zeros_like(a) if b is None else np.ascontiguousarray(b)
        out = np.empty_like(a)
        function = self.handle.tilepipe_exact_f if a.dtype == np.float32 else self.handle.tilepipe_exact
        pointers = [ctypes.c_void_p(array.ctypes.data) for array in (a, b, out)]
        function(ctypes.c_int(NAMES.index(name)), *pointers, ctypes.c_long(a.size))
        return out


def machine_can(variant: str) -> bool:
    return variant in native.machine_variants()


def compile_with(command: list[str], folder: Path, name: str) -> Functions:
    path = folder / f"{name}.so"
    done = subprocess.run([*command, str(KERNELS / "exact_host.cpp"), "-o", str(path)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return Functions(ctypes.CDLL(str(path)))


@pytest.fixture(scope="module")
def builds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Functions]:
    """The functions compiled for each instruction set that this machine runs, and by clang where there is one."""
    folder = tmp_path_factory.mktemp("exact")
    found: dict[str, Functions] = {}
    if shutil.which("g++"):
        for variant in ("v2", "v3", "v4"):
            if machine_can(variant):
                command = ["g++", *FLAGS, f"-march=x86-64-{variant}"]
                found[f"g++ {variant}"] = compile_with(command, folder, f"gnu_{variant}")
        found["g++ plain"] = compile_with(["g++", *FLAGS, "-O1"], folder, "gnu_plain")
    if shutil.which("clang++"):
        found["clang"] = compile_with(["clang++", *FLAGS], folder, "clang")
    if importlib.util.find_spec("ziglang") and machine_can("v3"):
        zig = [sys.executable, "-m", "ziglang", "c++", "-nostdlib", "-fno-sanitize=undefined", "-mcpu=x86_64_v3"]
        found["clang of zig v3"] = compile_with([*zig, *FLAGS], folder, "zig")
    if not found:
        pytest.skip("no C++ compiler here")
    return found


@pytest.fixture(scope="module")
def functions(builds: dict[str, Functions]) -> Functions:
    return next(iter(builds.values()))


def random_bits(kind: type, count: int, seed: int) -> np.ndarray:
    """Values of every exponent and both signs, subnormals included, none infinite or NaN."""
    bits = np.random.default_rng(seed).integers(0, 2 ** (32 if kind is np.float32 else 64), count * 2, np.uint64)
    values = bits.astype(np.uint32).view(kind) if kind is np.float32 else bits.view(kind)
    return values[np.isfinite(values)][:count]


def arguments(name: str, kind: type, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Dense samples: one third over the whole range, one third over the everyday range, one third near edges."""
    draw, third = np.random.default_rng(5), count // 3
    single = kind is np.float32
    everywhere = random_bits(kind, third, 1)
    lowest, highest = (-150.0, 128.0) if single else (-1075.0, 1024.0)
    if name in ("exp2", "exp"):
        unit = 1.0 if name == "exp2" else math.log(2.0)
        halves = np.arange(lowest, highest, 0.5)[:third]
        near = np.nextafter(halves * unit, draw.choice([-1e9, 1e9], halves.size))
        a = np.concatenate([draw.uniform(lowest, highest, third) * unit, draw.uniform(-1, 1, third), near])
    elif name in ("log2", "log"):
        near = 1 + draw.choice([-1, 1], third) * 2.0 ** draw.uniform(-23 if single else -52, -1, third)
        a = np.concatenate([np.abs(everywhere), 2.0 ** draw.uniform(-1, 1, third), near])
    elif name == "cbrt":
        subnormal = draw.integers(1, 2**20, third) * 2.0 ** (-149 if single else -1074)
        a = np.concatenate([everywhere, draw.uniform(-2, 2, third), subnormal])
    elif name in ("sin", "cos"):
        quarters = np.array([float(mpmath.pi / 2 * k) for k in draw.integers(1, 63661, third)])
        a = np.concatenate([draw.uniform(-1e5, 1e5, third), draw.uniform(-7, 7, third), quarters])
    elif name == "atan2":
        x = np.concatenate([everywhere, draw.uniform(-1, 1, third), np.full(third, 1.0)])
        steep = 2.0 ** draw.uniform(-30, 30, third)
        y = np.concatenate([random_bits(kind, third, 2), draw.uniform(-1, 1, third), steep])
        return y.astype(kind), x.astype(kind)
    else:
        base = np.concatenate([np.abs(everywhere), 2.0 ** draw.uniform(-1, 1, third), draw.uniform(0, 16, third)])
        base = base.astype(kind)
        base = base[(base > 0) & (base != 1)]
        power = draw.uniform(lowest, highest, base.size) / np.log2(base.astype(np.float64))
        power[-third:] = draw.uniform(-4, 4, third)
        return base, power.astype(kind)
    a = a.astype(kind)
    return a, np.zeros_like(a)


def worst_error(result: np.ndarray, true: list[mpmath.mpf], digits: int, lowest: int) -> float:
    """The largest |result − true| in units in the last place of the true value, overflowing values left out."""
    worst = 0.0
    largest = LARGEST[result.dtype.type]
    for got, value in zip(result.tolist(), true, strict=True):
        if abs(value) > largest or value == 0:
            continue
        exponent = mpmath.frexp(value)[1]
        unit = mpmath.ldexp(1, max(exponent - digits, lowest))
        worst = max(worst, float(abs(got - value) / unit))
    return worst


def reference(name: str, a: np.ndarray, b: np.ndarray) -> list[mpmath.mpf]:
    with mpmath.workprec(140):
        if name in BINARY:
            return [REFERENCE[name](mpmath.mpf(p), mpmath.mpf(q)) for p, q in zip(a.tolist(), b.tolist(), strict=True)]
        return [REFERENCE[name](mpmath.mpf(p)) for p in a.tolist()]


@pytest.mark.parametrize("name", NAMES)
def test_float64_error(functions: Functions, name: str) -> None:
    a, b = arguments(name, np.float64, 9000)
    keep = a != 0
    a, b = a[keep], b[keep]
    assert worst_error(functions.call(name, a, b), reference(name, a, b), 53, -1074) <= WORST_D[name]


@pytest.mark.parametrize("name", NAMES[:5])
def test_float32_error(functions: Functions, name: str) -> None:
    a, b = arguments(name, np.float32, 6000)
    keep = a != 0
    a, b = a[keep], b[keep]
    assert worst_error(functions.call(name, a, b), reference(name, a, b), 24, -149) <= WORST_F[name]


@pytest.mark.parametrize("name", NAMES[:5])
def test_float32_error_dense(functions: Functions, name: str) -> None:
    """A million samples against the float64 function, whose own error is below 1e-8 of a float32 unit."""
    a, b = arguments(name, np.float32, 1_000_000)
    true = functions.call(name, a.astype(np.float64), b.astype(np.float64))
    unit = np.ldexp(1.0, np.maximum(np.frexp(true)[1] - 24, -149))
    error = np.abs(functions.call(name, a, b).astype(np.float64) - true) / unit
    assert error[np.abs(true) <= LARGEST[np.float32]].max() <= WORST_F[name] + 1e-7


def neighbours(centre: float, count: int, kind: type) -> np.ndarray:
    """2·count + 1 consecutive numbers around a positive or negative centre, rising."""
    integer = np.int32 if kind is np.float32 else np.int64
    bits = kind(centre).view(integer) + np.arange(-count, count + 1, dtype=integer)
    return np.sort(bits.view(kind))


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_monotonic_at_segment_boundaries(functions: Functions, kind: type) -> None:
    for half in np.arange(-20.5, 20.6, 0.5):
        if half:
            assert (np.diff(functions.call("exp2", neighbours(half, 2000, kind))) >= 0).all()
    for centre in [2.0 ** (k / 2) for k in range(-41, 42)]:
        assert (np.diff(functions.call("log2", neighbours(centre, 2000, kind))) >= 0).all()
        assert (np.diff(functions.call("cbrt", neighbours(centre, 2000, kind))) >= 0).all()


def test_float32_monotonic_over_an_octave(functions: Functions) -> None:
    octave = (np.arange(2**23, dtype=np.int32) + np.float32(0.5).view(np.int32)).view(np.float32)
    for name in ("exp2", "log2", "cbrt"):
        assert (np.diff(functions.call(name, octave)) >= 0).all()


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_whole_numbers_are_exact(functions: Functions, kind: type) -> None:
    low, high = (-149, 127) if kind is np.float32 else (-1074, 1023)
    whole = np.arange(low, high + 1).astype(kind)
    powers = np.ldexp(kind(1), whole.astype(np.int32))
    assert np.array_equal(functions.call("exp2", whole), powers)
    assert np.array_equal(functions.call("log2", powers), whole)
    assert np.array_equal(functions.call("pow", np.full_like(whole, 2), whole), powers)
    roots = np.arange(-200, 201).astype(kind)
    assert np.array_equal(functions.call("cbrt", roots**3), roots)


def bits(values: np.ndarray) -> np.ndarray:
    return values.view(np.uint32 if values.dtype == np.float32 else np.uint64)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_special_values(functions: Functions, kind: type) -> None:
    inf, nan, top = math.inf, math.nan, LARGEST[kind]
    tiny = float(np.finfo(kind).smallest_subnormal)
    pi, half_pi, quarter_pi = kind(math.pi), kind(math.pi / 2), kind(math.pi / 4)
    table: dict[str, list[tuple[float, ...]]] = {
        "exp2": [
            (0.0, 1.0), (-0.0, 1.0), (inf, top), (-inf, 0.0), (5000.0, top), (-5000.0, 0.0), (tiny, 1.0), (-tiny, 1.0),
            (nan, nan),
        ],
        "log2": [
            (1.0, 0.0), (0.0, -top), (-0.0, -top), (-1.0, nan), (-inf, nan), (nan, nan),
            (inf, 128.0 if kind is np.float32 else 1024.0),
        ],
        "cbrt": [(0.0, 0.0), (-0.0, -0.0), (1.0, 1.0), (-8.0, -2.0), (nan, nan)],
        "pow": [
            (0.0, 2.5, 0.0), (-0.0, 3.0, 0.0), (0.0, -1.0, top), (0.0, 0.0, 1.0), (5.0, 0.0, 1.0), (5.0, -0.0, 1.0),
            (tiny, 1.0, tiny), (1.0, 1e30, 1.0), (1.0, -inf, 1.0), (1.0, inf, 1.0), (inf, 1.0, top), (2.0, inf, top),
            (2.0, -inf, 0.0), (0.5, inf, 0.0), (0.5, -inf, top), (4.0, 0.5, 2.0), (-1.0, 2.0, nan), (nan, 0.0, nan),
            (1.0, nan, nan), (0.1, 1.0, float(kind(0.1))), (top, 2.0, top), (top, -2.0, 0.0),
            (float(np.nextafter(kind(1), kind(2))), 1e30, top),
        ],
        "atan2": [
            (0.0, 1.0, 0.0), (-0.0, 1.0, -0.0), (0.0, -1.0, pi), (-0.0, -1.0, -pi), (0.0, 0.0, 0.0), (-0.0, 0.0, -0.0),
            (0.0, -0.0, pi), (-0.0, -0.0, -pi), (1.0, 0.0, half_pi), (-1.0, 0.0, -half_pi), (inf, inf, quarter_pi),
            (inf, 1.0, half_pi), (1.0, 1.0, quarter_pi), (tiny, tiny, quarter_pi), (top, top, quarter_pi),
            (tiny, top, 0.0), (nan, 1.0, nan), (1.0, nan, nan), (1.0, -inf, pi),
        ],
        "sin": [(0.0, 0.0), (-0.0, -0.0), (tiny, tiny), (100001.0, nan), (inf, nan), (nan, nan)],
        "cos": [(0.0, 1.0), (-0.0, 1.0), (tiny, 1.0), (-100001.0, nan), (-inf, nan), (nan, nan)],
        "exp": [(0.0, 1.0), (-0.0, 1.0), (inf, top), (-inf, 0.0), (710.0, top), (-746.0, 0.0), (nan, nan)],
        "log": [(1.0, 0.0), (0.0, -top), (-1.0, nan), (nan, nan)],
    }
    for name in NAMES if kind is np.float64 else NAMES[:5]:
        rows = np.array(table[name], kind)
        got = functions.call(name, rows[:, 0].copy(), rows[:, -2].copy() if name in BINARY else None)
        wanted = rows[:, -1].copy()
        wanted[np.isnan(wanted)] = nan
        wrong = bits(got) != bits(wanted)
        assert not wrong.any(), f"{name}: {rows[wrong]} gave {got[wrong]}"


def test_results_are_finite_or_nan(functions: Functions) -> None:
    for kind in (np.float32, np.float64):
        a, b = random_bits(kind, 100_000, 8), random_bits(kind, 100_000, 9)
        for name in NAMES if kind is np.float64 else NAMES[:5]:
            assert not np.isinf(functions.call(name, a, b)).any()


def any_bits(kind: type, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Everything a bit pattern can be, NaN and infinity too, mixed with everyday values."""
    draw = np.random.default_rng(11)
    integer = np.uint32 if kind is np.float32 else np.uint64
    wild = draw.integers(0, np.iinfo(integer).max, (2, count), integer, endpoint=True).view(kind)
    tame = draw.uniform(-8, 8, (2, count)).astype(kind)
    a, b = np.concatenate([wild, tame, np.abs(tame)], axis=1)
    return a, b


def test_same_bits_from_every_build(builds: dict[str, Functions]) -> None:
    if len(builds) < 2:
        pytest.skip("only one build here")
    first, *others = builds.values()
    for kind in (np.float32, np.float64):
        a, b = any_bits(kind, 100_003)
        for name in NAMES if kind is np.float64 else NAMES[:5]:
            wanted = bits(first.call(name, a, b))
            for build, other in zip(list(builds)[1:], others, strict=True):
                assert np.array_equal(bits(other.call(name, a, b)), wanted), f"{name} {kind.__name__}: {build}"


# ---- the GPU's compiler

KERNEL_TEXT = """
#include "exact.h"
extern "C" __global__ void all_f(const float* a, const float* b, float* o) {
    int i = threadIdx.x;
    o[5*i] = exp2_f(a[i]); o[5*i+1] = log2_f(a[i]); o[5*i+2] = pow_f(a[i], b[i]);
    o[5*i+3] = cbrt_f(a[i]); o[5*i+4] = atan2_f(a[i], b[i]);
}
extern "C" __global__ void all_d(const double* a, const double* b, double* o) {
    int i = threadIdx.x;
    o[9*i] = exp2_d(a[i]); o[9*i+1] = log2_d(a[i]); o[9*i+2] = pow_d(a[i], b[i]);
    o[9*i+3] = cbrt_d(a[i]); o[9*i+4] = atan2_d(a[i], b[i]); o[9*i+5] = sin_d(a[i]);
    o[9*i+6] = cos_d(a[i]); o[9*i+7] = exp_d(a[i]); o[9*i+8] = log_d(a[i]);
}
"""
OPTIONS = ("--std=c++17", "--fmad=false", "--ftz=false", "--prec-div=true", "--prec-sqrt=true")


def nvrtc() -> ctypes.CDLL:
    pytest.importorskip("nvidia.cuda_nvrtc", reason="the GPU's compiler is not installed")
    import nvidia.cuda_nvrtc as package

    found = [path for folder in package.__path__ for path in Path(folder).glob("lib/libnvrtc.so*")]
    if not found:
        pytest.skip("the GPU's compiler has no library here")
    return ctypes.CDLL(str(found[0]))


def ptx_of(library: ctypes.CDLL, text: str, architecture: str) -> str:
    program = ctypes.c_void_p()
    text_of_header = (ctypes.c_char_p * 1)((KERNELS / "exact.h").read_bytes())
    name_of_header = (ctypes.c_char_p * 1)(b"exact.h")
    arguments = (text.encode(), b"exact.cu", 1, text_of_header, name_of_header)
    assert library.nvrtcCreateProgram(ctypes.byref(program), *arguments) == 0
    options = [option.encode() for option in (*OPTIONS, f"--gpu-architecture={architecture}")]
    result = library.nvrtcCompileProgram(program, len(options), (ctypes.c_char_p * len(options))(*options))
    size = ctypes.c_size_t()
    if result:
        library.nvrtcGetProgramLogSize(program, ctypes.byref(size))
        log = ctypes.create_string_buffer(size.value)
        library.nvrtcGetProgramLog(program, log)
        pytest.fail(log.value.decode())
    assert library.nvrtcGetPTXSize(program, ctypes.byref(size)) == 0
    ptx = ctypes.create_string_buffer(size.value)
    assert library.nvrtcGetPTX(program, ptx) == 0
    library.nvrtcDestroyProgram(ctypes.byref(program))
    return ptx.value.decode()


@pytest.mark.parametrize("architecture", ["sm_80", "sm_90", "sm_120"])
def test_gpu_text_has_no_fused_or_approximate_operations(architecture: str) -> None:
    ptx = ptx_of(nvrtc(), KERNEL_TEXT, architecture)
    operations = set(re.findall(r"^\s*(?:@!?%\w+ )?([a-z]\w*(?:\.\w+)+)\s", ptx, re.MULTILINE))
    assert {"mul.rn.f32", "mul.rn.f64", "rcp.rn.f32", "div.rn.f32", "rcp.rn.f64", "div.rn.f64"} <= operations
    for part in ("fma.", ".ftz", ".approx"):
        assert part not in ptx
    assert not [operation for operation in operations if operation.startswith("mad") and ".f" in operation]
    halves = ptx.split(".entry all_d")
    assert len(halves) == 2
    assert ".f64" not in halves[0]


# ---- host scalars

@pytest.fixture
def host(functions: Functions, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The host scalars on the functions just compiled, whether or not the package's own library is built."""
    monkeypatch.setattr(native, "library", lambda: functions.handle)
    exact._entries.cache_clear()
    yield
    exact._entries.cache_clear()


def test_the_installed_library_has_the_same_bits(functions: Functions) -> None:
    if not native.built_variants():
        pytest.skip("the package's library is not built")
    for variant in native.built_variants():
        installed = Functions(native.load(variant).handle)
        assert installed.names() == NAMES
        for kind in (np.float32, np.float64):
            a, b = any_bits(kind, 5_003)
            for name in NAMES if kind is np.float64 else NAMES[:5]:
                assert np.array_equal(bits(installed.call(name, a, b)), bits(functions.call(name, a, b))), name


@pytest.mark.usefixtures("host")
def test_host_scalars_are_the_kernel_functions(functions: Functions) -> None:
    for name in NAMES:
        a, b = arguments(name, np.float64, 60)
        wanted = functions.call(name, a, b)
        function = getattr(exact, name)
        pairs = list(zip(a.tolist(), b.tolist(), strict=True))
        got = np.array([function(p, q) if name in BINARY else function(p) for p, q in pairs])
        assert np.array_equal(bits(got), bits(wanted)), name
    assert exact.sqrt(2.0) == math.sqrt(2.0)
    assert math.isnan(exact.sqrt(-1.0))


def test_matrices() -> None:
    m = ((2.0, 1.0, 0.5), (-1.0, 3.0, 0.25), (0.5, 0.0, 4.0))
    identity = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    assert exact.matrix_multiply(m, identity) == m
    assert exact.matrix_multiply(m, m) == ((3.25, 5.0, 3.25), (-4.875, 8.0, 1.25), (3.0, 0.5, 16.25))
    assert exact.matrix_vector(m, (1.0, -2.0, 4.0)) == (2.0, -6.0, 16.5)
    powers = ((2.0, 0.0, 0.0), (0.0, 0.0, 4.0), (0.0, -0.5, 0.0))
    assert exact.matrix_inverse(powers) == ((0.5, 0.0, 0.0), (0.0, 0.0, -2.0), (0.0, 0.25, 0.0))
    product = exact.matrix_multiply(m, exact.matrix_inverse(m))
    assert all(abs(product[i][j] - identity[i][j]) < 1e-15 for i in range(3) for j in range(3))
    with pytest.raises(ValueError, match="no inverse"):
        exact.matrix_inverse(((1.0, 2.0, 3.0), (2.0, 4.0, 6.0), (0.0, 1.0, 0.0)))
