"""Proves a GPU's bits against the CPU's and measures its speed: `python3 scripts/gpu_check.py [--seconds 540]`.

Builds what is missing, then runs every part by itself: a part that fails is reported and the next one goes on. Prints
tables and writes `gpu_check.json` (into $OUT where that is set, else the current folder) after every part.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))
SIDE_PX = 4096
STARTED = time.monotonic()
RESULTS: dict[str, Any] = {}
PARTS: list[tuple[str, Callable[[], Any]]] = []


def part(function: Callable[[], Any]) -> Callable[[], Any]:
    """One part of the check, in the order of this file."""
    PARTS.append((function.__name__, function))
    return function


def say(text: str) -> None:
    print(text, flush=True)


def table(rows: list[dict[str, Any]], *columns: str) -> None:
    widths = [max(len(column), *(len(str(row[column])) for row in rows)) for column in columns]
    say("  ".join(column.ljust(width) for column, width in zip(columns, widths, strict=True)))
    for row in rows:
        say("  ".join(str(row[column]).ljust(width) for column, width in zip(columns, widths, strict=True)))


# ---------------------------------------------------------------- what the parts share
def device() -> Any:
    """The GPU, opened once."""
    if "device" not in _HELD:
        from tilepipe.device.gpu import GpuDevice

        _HELD["device"] = GpuDevice(0)
    return _HELD["device"]


_HELD: dict[Any, Any] = {}


def matrix() -> Any:
    """The test of all stages as a module: it makes up parameters and pictures."""
    if "matrix" not in _HELD:
        spec = importlib.util.spec_from_file_location("stage_matrix", ROOT / "tests" / "test_stage_parity.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["stage_matrix"] = module
        spec.loader.exec_module(module)
        _HELD["matrix"] = module
    return _HELD["matrix"]


def import_kernels() -> list[str]:
    """Imports all modules that declare kernels; those that cannot be imported here are named."""
    import pkgutil

    import tilepipe

    missing = []
    for module in pkgutil.walk_packages(tilepipe.__path__, "tilepipe."):
        try:
            importlib.import_module(module.name)
        except Exception as error:
            missing.append(f"{module.name}: {error}")
    return missing


def milliseconds(run: Callable[[], Any], repeats: int = 7, launches: int = 10) -> float:
    """The median time of one `run`, by the GPU's own clock, several in a row."""
    import cupy

    gpu, stream = device(), device().stream
    for _ in range(3):
        run()
    times = []
    for _ in range(repeats):
        first, last = cupy.cuda.Event(), cupy.cuda.Event()
        first.record(stream)
        for _ in range(launches):
            run()
        last.record(stream)
        last.synchronize()
        times.append(cupy.cuda.get_elapsed_time(first, last) / launches)
    gpu.synchronize()
    return statistics.median(times)


def seconds(run: Callable[[], Any], repeats: int = 3) -> float:
    """The median time of one `run` and of all the work it asked for, by the host's clock, after a first one."""
    run()
    device().synchronize()
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        run()
        device().synchronize()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


# ---------------------------------------------------------------- machine and build
@part
def machine() -> dict[str, Any]:
    import cupy
    import numpy

    told = cupy.cuda.runtime.getDeviceProperties(0)
    found = {
        "card": told["name"].decode(), "multiprocessors": told["multiProcessorCount"],
        "memory_gb": round(told["totalGlobalMem"] / 1e9, 1), "cores": len(os.sched_getaffinity(0)),
        "driver": cupy.cuda.runtime.driverGetVersion(), "cupy": cupy.__version__, "numpy": numpy.__version__,
        "python": platform.python_version(), "gpus": cupy.cuda.runtime.getDeviceCount(),
    }
    say(json.dumps(found))
    return found


@part
def build() -> dict[str, Any]:
    from tilepipe.device import native

    begun = time.monotonic()
    chosen = RESULTS["variants"]
    wanted = [variant for variant in native.machine_variants() if not chosen or variant in chosen]
    folder = ROOT / "tilepipe" / "device" / "lib"
    stale = [variant for variant in wanted if not _fresh(folder / f"libtilepipe_{variant}.so", native.text_hash())]
    if stale:
        try:
            subprocess.run([sys.executable, str(ROOT / "scripts" / "build.py"), *stale], check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            say(f"cmake failed ({error}); compiling directly")
            for variant in stale:
                _compile(variant, folder, native.text_hash())
    return {"variants": native.built_variants(), "built": stale, "seconds": round(time.monotonic() - begun, 1)}


def _fresh(library: Path, text_hash: str) -> bool:
    return library.exists() and text_hash.encode() in library.read_bytes()


def _compile(variant: str, folder: Path, text_hash: str) -> None:
    """The build of CMakeLists.txt as one command of g++, for a machine without cmake."""
    from tilepipe.device import native

    package, units = ROOT / "tilepipe", Path(tempfile.mkdtemp())
    folder.mkdir(exist_ok=True)
    headers = [path for name in native.KERNEL_FOLDERS for path in (package / name).glob("*.h")]
    registering = [path for path in headers if any(
        line.startswith(("KERNEL(", "SPARSE(", "TALLY(", "DRIVER(")) for line in path.read_text().splitlines())]
    for header in registering:
        (units / f"{header.stem}.cpp").write_text(f'#include "{header}"\n')
    flags = ["-std=c++17", "-O3", "-fPIC", "-shared", f"-march=x86-64-{variant}", "-fno-fast-math", "-ffp-contract=off",
             "-fno-math-errno", "-fno-trapping-math", f'-DTILEPIPE_TEXT_HASH="{text_hash}"',
             f'-DTILEPIPE_VARIANT="{variant}"', *(f"-I{package / name}" for name in native.KERNEL_FOLDERS)]
    sources = [*map(str, sorted(units.glob("*.cpp"))), *map(str, sorted((package / "kernels").glob("*.cpp")))]
    subprocess.run(["g++", *flags, *sources, "-o", str(folder / f"libtilepipe_{variant}.so")], check=True)


@part
def compile_kernels() -> dict[str, Any]:
    """Cold: an empty cache; warm: another process with a full one, until its first kernel has run."""
    from tilepipe.device import nvrtc

    folder = tempfile.mkdtemp()
    os.environ["TILEPIPE_CACHE"] = folder
    begun = time.monotonic()
    device().prepare()
    cold = time.monotonic() - begun
    code = (
        "import sys, time; begun = time.monotonic(); sys.path.insert(0, sys.argv[1])\n"
        "import numpy as np\n"
        "from tilepipe.run.process import process\n"
        "frames = [np.full((512, 512, 3), value, np.uint16) for value in (9000, 30000)]\n"
        "steps = [{'blend': {'method': 'radiance'}}, {'local_contrast': {'range': 0.5}}, 'tone_curve', 'display']\n"
        "process(frames, [1.0, 3.0], steps, device='gpu', tile=512); print(round(time.monotonic() - begun, 2))\n"
    )
    found: dict[str, Any] = {"nvrtc": ".".join(map(str, nvrtc.compiler().version)), "units": len(nvrtc.units()),
                             "compiling_all_seconds": round(cold, 2)}
    for name, cache in (("first_tile_cold", tempfile.mkdtemp()), ("first_tile_new_card", folder), ("first_tile_warm", folder)):
        run = subprocess.run([sys.executable, "-c", code, str(ROOT)], capture_output=True, text=True, check=False,
                             env={**os.environ, "TILEPIPE_CACHE": cache})
        found[name] = run.stdout.strip() or run.stderr.strip()[-400:]
    return found


# ---------------------------------------------------------------- bits
@part
def kernel_bits() -> dict[str, Any]:
    from tilepipe.device import native, selftest

    missing = import_kernels()
    gpu = selftest.kernel_digests(device())
    variants = {variant: selftest.variant_digests(variant) for variant in native.built_variants()}
    differ = {
        name: [variant for variant, digests in variants.items() if digests[name] != digest]
        for name, digest in gpu.items()
    }
    wrong = {name: found for name, found in differ.items() if found}
    say(f"{len(gpu) - len(wrong)} of {len(gpu)} kernels give the same bits on the GPU and on {', '.join(variants)}")
    say(f"different: {wrong}" if wrong else "none differs")
    return {"kernels": len(gpu), "different": wrong, "modules_not_imported": missing}


@part
def stage_bits() -> dict[str, Any]:
    from tilepipe.stages.stage import all_stages

    tests, found = matrix(), {}
    chosen = [device(), *(cpu for cpu in tests.devices()[1:] if cpu.name in ("cpu v3", "cpu v2"))]
    for name in sorted(all_stages()):
        begun = time.monotonic()
        try:
            faults = tests.faults_of(name, chosen)
        except BaseException as error:  # a test's own failure is not an Exception
            faults = [f"{type(error).__name__}: {error}", traceback.format_exc()[-1500:]]
        found[name] = faults[:4]
        verdict = "DIFFERENT" if faults else "same bits"
        say(f"{name:16} {verdict}  {time.monotonic() - begun:.1f} s  {faults[:2] or ''}")
    return found


@part
def repeated() -> dict[str, Any]:
    """1000 runs of one picture through a point stage, the blend and a deep stage: one digest each."""
    import hashlib

    tests, digests = matrix(), {}
    for name, count in (("white_balance", 450), ("blend", 450), ("local_contrast", 100)):
        stage, run = tests.checked(name)[0], tests.Run(device(), True, 1024, 3)
        made = (tests.computed(stage, run) for _ in range(count))
        digests[name] = len({hashlib.blake2b(b"".join(map(bytes, planes.values()))).digest() for planes in made})
    return {"runs": 1000, "digests": digests}


# ---------------------------------------------------------------- speed of kernels
@part
def copy_bandwidth() -> dict[str, Any]:
    import cupy

    size = 1 << 30
    source, target = device().zeros((size,), "uint8"), device().zeros((size,), "uint8")
    stream = device().stream

    def run() -> None:
        cupy.cuda.runtime.memcpyAsync(target.data.ptr, source.data.ptr, size, 3, stream.ptr)

    took = milliseconds(run)
    rate = 2 * size / took / 1e6
    say(f"device copy: {rate:.0f} GB/s, bytes read and written")
    return {"gb_per_s": round(rate, 1)}


def _planes(shape: Any, count: int, dtype: str) -> tuple[list[Any], list[Any]]:
    """Planes of a large picture of ordinary numbers, and the memory behind them."""
    from tilepipe.device import selftest

    held = (dtype, shape)
    if held not in _HELD:
        made = selftest.values(shape.pixels, dtype, "large", selftest.TRIALS[0]).reshape(shape.height, shape.width)
        _HELD[held] = device().upload(made)
    arrays = []
    for index in range(count):
        array = device().empty((shape.height, shape.width), dtype)
        array[index:] = _HELD[held][: shape.height - index]
        array[:index] = _HELD[held][shape.height - index :]
        arrays.append(array)
    return [device().plane(array, shape.whole, shape) for array in arrays], arrays


def _prepared(kernel: Any) -> tuple[Callable[[], None], int, list[Any]]:
    """A launch over a large picture, the bytes it must move at least, and what must stay alive."""
    import numpy as np

    from tilepipe.device import selftest
    from tilepipe.geometry import Shape

    gpu, shape = device(), Shape(SIDE_PX, SIDE_PX)
    out_shape = shape if kernel.step == 1 else shape.halved()
    case = selftest.Case(gpu, kernel, picture=shape)
    ins, kept = _planes(shape, kernel.ins, kernel.source)
    params = case.params()
    read_px = shape.pixels if kernel.name != "pyramid_expand" else shape.pixels // 4
    if kernel.name == "pyramid_expand":
        small = shape.halved()
        params.update(height=small.height, width=small.width)
    moved = kernel.ins * read_px * np.dtype(kernel.source).itemsize
    if kernel.form == "tally":
        counts = gpu.zeros((selftest.BINS,), "int64")
        target = gpu.plane(counts.reshape(1, -1), shape.whole, shape)
        target.pitch, target.h, target.w = 0, out_shape.height, out_shape.width
        block = kernel.fill(ins, [target], params)
        return lambda: gpu._run(kernel, block, target), moved, [kept, case, counts]
    out = gpu.empty((max(kernel.outs, 1), out_shape.height, out_shape.width), kernel.result)
    outs = [gpu.plane(plane, out_shape.whole, out_shape) for plane in out]
    moved += kernel.outs * out_shape.pixels * np.dtype(kernel.result).itemsize
    block = kernel.fill(ins, outs, params)
    return lambda: gpu._run(kernel, block, outs[0]), moved, [kept, case, out]


@part
def kernel_speed() -> list[dict[str, Any]]:
    """Kernels that read planes, over 4096×4096 px; bytes that must move at least once against the copy's rate."""
    from tilepipe.device import native, selftest

    import_kernels()
    full = RESULTS.get("copy_bandwidth", {}).get("gb_per_s", 0.0)
    kernels = selftest.table_kernels(native.load(native.chosen_variant()))
    rows: list[dict[str, Any]] = []
    for name, kernel in sorted(kernels.items()):
        if kernel.ins == 0:
            continue
        try:
            run, moved, kept = _prepared(kernel)
            took = milliseconds(run, repeats=5)
            del run, kept
        except Exception as error:
            say(f"{name}: {error}")
            continue
        rate = moved / took / 1e6
        rows.append({
            "kernel": name, "planes": f"{kernel.ins}>{kernel.outs}", "reach": kernel.reach, "ms": round(took, 3),
            "GB/s": round(rate), "of_copy": f"{100 * rate / full:.0f} %" if full else "?",
        })
    table(rows, "kernel", "planes", "reach", "ms", "GB/s", "of_copy")
    return rows


def _scene(shape: Any) -> Any:
    """A smooth invented picture with one hundredth of grain, as a plane on the device."""
    import numpy as np

    from tilepipe.device import selftest

    y, x = np.arange(shape.height, dtype=np.float32)[:, None], np.arange(shape.width, dtype=np.float32)[None, :]
    waves = 0.3 + 0.2 * np.sin(x * np.float32(0.031)) * np.sin(y * np.float32(0.017)) + 0.05 * np.sin((x + y) * np.float32(0.7))
    grain = selftest.values(shape.pixels, "float32", "grain", selftest.TRIALS[0]).reshape(shape.height, shape.width)
    return device().upload((waves + np.float32(0.01) * grain).astype(np.float32))


@part
def colour_speed() -> list[dict[str, Any]]:
    """The kernels that leave out what changes nothing, over a smooth scene as pictures are, not over random colours."""
    from tilepipe.colour.deliverable import encode_tile
    from tilepipe.geometry import Shape
    from tilepipe.stages.stage import all_stages

    gpu, shape, tests = device(), Shape(SIDE_PX, SIDE_PX), matrix()
    array = gpu.empty((3, shape.height, shape.width))
    array[...] = _scene(shape)
    tile, full = tests.Tile(array, shape.whole, shape), RESULTS.get("copy_bandwidth", {}).get("gb_per_s", 0.0)
    display = all_stages()["display"]()
    runs: dict[str, tuple[int, Callable[[], Any]]] = {  # bytes a pixel
        "display": (24, lambda: display.run(gpu, tile, shape.whole, {})),
        "encode 16": (18, lambda: encode_tile(gpu, tile, "srgb", 16)),
        "encode 8": (15, lambda: encode_tile(gpu, tile, "srgb", 8)),
    }
    rows = []
    for name, (moved, run) in runs.items():
        took = milliseconds(run)
        rate = moved * shape.pixels / took / 1e6
        rows.append({"kernel": name, "ms": round(took, 3), "GB/s": round(rate),
                     "of_copy": f"{100 * rate / full:.0f} %" if full else "?"})
    table(rows, "kernel", "ms", "GB/s", "of_copy")
    return rows


@part
def resampling_speed() -> list[dict[str, Any]]:
    """6×6 resampling by rotation and by a shift: three planes in, three out; white noise, and a smooth picture."""
    from tilepipe.geometry import Shape
    from tilepipe.stages.warp import Warp

    tests, gpu = matrix(), device()
    shape = Shape(2 * SIDE_PX, 2 * SIDE_PX)  # so that asking for a run takes less time than the run
    array = gpu.empty((3, shape.height, shape.width))
    tile = tests.Tile(array, shape.whole, shape)
    full, rows = RESULTS.get("copy_bandwidth", {}).get("gb_per_s", 0.0), []
    maps = {
        "rotation": ((0.9998, -0.0199987, 40.0), (0.0199987, 0.9998, -40.0), (0.0, 0.0, 1.0)),
        "shift": ((1.0, 0.0, 3.371), (0.0, 1.0, -2.214), (0.0, 0.0, 1.0)),
    }
    for content in ("noise", "smooth", "smooth, some below 0"):
        array[...] = _planes(shape, 1, "float32")[1][0] if content == "noise" else _scene(shape)
        if content.endswith("0"):
            array[:, ::7, ::13] = -0.001
        for name, nine in maps.items():
            for peaks in (False, True):
                warp = Warp.from_matrix(nine, shape, shape)
                took = milliseconds(lambda warp=warp, peaks=peaks: warp.run(gpu, tile, shape.whole, peaks=peaks),
                                    repeats=5, launches=3)
                planes = 3 + (6 if peaks else 3) + warp.leaves_input  # read, made, and the coverage
                rate = planes * 4 * shape.pixels / took / 1e6
                rows.append({"map": name, "content": content, "peaks": peaks, "ms": round(took, 2),
                             "MP/s": round(shape.pixels / took / 1e3), "GB/s": round(rate),
                             "of_copy": f"{100 * rate / full:.0f} %" if full else "?"})
    table(rows, "map", "content", "peaks", "ms", "MP/s", "GB/s", "of_copy")
    return rows


@part
def grid_variants() -> list[dict[str, Any]]:
    """How block shape and pixels per thread change the speed of a few kernels: what forms.h should choose."""
    from tilepipe.device import gpu as gpu_module
    from tilepipe.device import native, nvrtc, selftest

    names = ("exposure_gain", "mix_planes", "white_balance_matrix", "radiance_4", "radiance_covered_4", "local_remap",
             "local_hat", "pyramid_reduce", "pyramid_expand", "demosaic_colours", "decode_table16", "pyramid_add")
    kernels = selftest.table_kernels(native.load(native.chosen_variant()))
    keep = nvrtc.OPTIONS, gpu_module.BLOCK, gpu_module.pixels_of, _HELD["device"]
    rows = []
    try:
        for pixels in (1, 2, 4):
            nvrtc.OPTIONS = (*keep[0], f"-DTILEPIPE_GRID_PIXELS(K)={pixels}")
            gpu_module.pixels_of = lambda kernel, pixels=pixels: pixels if kernel.form == "at" else 1
            for block in ((32, 8), (32, 4), (64, 4), (128, 2), (256, 1)):
                gpu_module.BLOCK = block
                _HELD["device"] = gpu_module.GpuDevice(0)
                row: dict[str, Any] = {"pixels": pixels, "block": f"{block[0]}x{block[1]}"}
                for name in names:
                    if name in kernels:
                        run, moved, kept = _prepared(kernels[name])
                        row[name] = round(moved / milliseconds(run, repeats=3) / 1e6)
                        del run, kept
                rows.append(row)
                if out_of_time(120):
                    return rows
    finally:
        nvrtc.OPTIONS, gpu_module.BLOCK, gpu_module.pixels_of, _HELD["device"] = keep
        if rows:
            table(rows, *rows[0])
    return rows


# ---------------------------------------------------------------- speed of stages and of the whole
def _large(stage: Any, tests: Any, side_px: int) -> tuple[Any, list[Any], dict[str, Any]]:
    """A square picture of frames or one picture, on the device, and the facts."""
    from tilepipe.geometry import Shape

    shape = Shape(side_px, side_px)
    plane = _planes(Shape(SIDE_PX, SIDE_PX), 1, "float32")[1][0][:side_px, :side_px]
    names = tests.COLOUR + (tests.PEAKS if stage.kind == "blend" else ())
    tiles = []
    for _ in range(3 if stage.kind == "blend" else 1):
        array = device().empty((len(names), side_px, side_px))
        array[...] = plane
        tiles.append(tests.Tile(array, shape.whole, shape, names))
    return shape, tiles, {**tests.FACTS, "shape": {"height": side_px, "width": side_px}}


def _once(stage: Any, shape: Any, tiles: list[Any], facts: dict[str, Any]) -> Any:
    gpu = device()
    if stage.kind == "deep" or getattr(stage, "is_deep", False):
        coarse = shape.halved(5)
        handed = stage.down(gpu, tiles, coarse.whole, 5, facts)
        return stage.up(gpu, tiles, stage.solve(gpu, handed, 5, shape, facts), shape.whole, 5, facts)
    if stage.kind == "blend":
        return stage.run(gpu, *tiles, wanted=shape.whole, facts=facts)
    return stage.run(gpu, tiles[0], stage.output_shape(shape).whole, facts)


@part
def stage_speed() -> list[dict[str, Any]]:
    """Each stage on one tile of 2048×2048 px, launches and all, nothing else running; megapixels of input a second."""
    from tilepipe.stages.stage import all_stages

    tests, rows = matrix(), []
    for name, kind in sorted(all_stages().items()):
        if kind.kind == "measure":
            continue
        cases = tests.cases_of(kind)
        chosen = {getattr(case, "is_deep", None): case for case in reversed(cases)}.values()
        for stage in chosen:
            try:
                shape, tiles, facts = _large(stage, tests, 2048)
                took = seconds(lambda stage=stage, given=(shape, tiles, facts): _once(stage, *given))
            except Exception as error:
                say(f"{name}: {error}")
                continue
            rows.append({"stage": name, "deep": stage.kind == "deep" or bool(getattr(stage, "is_deep", False)),
                         "ms": round(1e3 * took, 2), "MP/s": round(shape.pixels / took / 1e6),
                         "parameters": json.dumps(stage.parameters())[:90]})
    table(rows, "stage", "deep", "ms", "MP/s", "parameters")
    return rows


@part
def bus() -> dict[str, Any]:
    """Host memory to the GPU and back: pinned copies alone, both at once, and this package's upload and download."""
    import cupy
    import numpy as np

    gpu, size = device(), 1 << 28
    host_in, host_out = gpu.pinned((size,), "uint8"), gpu.pinned((size,), "uint8")
    on_gpu, other = gpu.zeros((size,), "uint8"), gpu.zeros((size,), "uint8")
    second = cupy.cuda.Stream(non_blocking=True)
    copy, stream = cupy.cuda.runtime.memcpyAsync, gpu.stream

    def up() -> None:
        copy(on_gpu.data.ptr, host_in.ctypes.data, size, 1, stream.ptr)

    def down() -> None:
        copy(host_out.ctypes.data, other.data.ptr, size, 2, second.ptr)

    def both() -> None:
        up()
        down()
        second.synchronize()

    pageable = np.ones(size, np.uint8)
    rates = {
        "pinned_up": size / seconds(up) / 1e9,
        "pinned_down": size / seconds(lambda: (down(), second.synchronize())) / 1e9,
        "both_at_once_each": size / seconds(both) / 1e9,
        "upload_from_pageable": size / seconds(lambda: gpu.upload(pageable)) / 1e9,
        "download": size / seconds(lambda: gpu.download(on_gpu)) / 1e9,
    }
    found = {name: round(rate, 1) for name, rate in rates.items()}
    say(json.dumps(found) + " GB/s")
    return found


@part
def host_copies() -> list[dict[str, Any]]:
    """What moving a tile of 4 frames through host memory costs: threads, GB/s of bytes copied once."""
    import time as clock
    from concurrent.futures import ThreadPoolExecutor

    import numpy as np

    gpu, rows = device(), []
    source = np.zeros((12, 8192, 8192), np.uint16)
    source[:] = 7
    parts = [slice(first, first + 2048) for first in range(0, 8192, 2048)]
    windows = [(down, across) for down in parts for across in parts]

    def staged(window: Any) -> None:
        host = gpu.pinned((12, 2048, 2048), "uint16")
        np.copyto(host, source[:, window[0], window[1]])

    def direct(window: Any) -> None:
        gpu.upload(source[:, window[0], window[1]])
        gpu.synchronize()

    begun = clock.perf_counter()
    held = gpu.locked([source])
    held.__enter__()
    say(f"locking {source.nbytes / 1e9:.1f} GB: {clock.perf_counter() - begun:.2f} s")
    for name, work in (("staged", staged), ("direct", direct)):
        for workers in (1, 4, 8):
            with ThreadPoolExecutor(workers) as pool:
                list(pool.map(work, windows))
                begun = clock.perf_counter()
                list(pool.map(work, windows * 2))
                took = clock.perf_counter() - begun
            rows.append({"way": name, "workers": workers, "GB/s": round(2 * source.nbytes / took / 1e9, 1)})
    held.__exit__(None, None, None)
    table(rows, "way", "workers", "GB/s")
    return rows


@part
def pointwise_recipe() -> list[dict[str, Any]]:
    """Decode, radiance, white balance, curve, display, encode: 4 uint16 frames in memory → one uint16 picture there."""
    import numpy as np

    from tilepipe.colour.deliverable import encode_tile
    from tilepipe.formats.frame import Encoding, Exposure, FrameInfo
    from tilepipe.geometry import Grid, Shape
    from tilepipe.stages.stage import all_stages

    try:
        from tilepipe.colour.decode import FrameDecoder
    except ImportError:
        from tilepipe.stages.decode import FrameDecoder  # type: ignore[no-redef]
    stages, gpu, shape = all_stages(), device(), Shape(8192, 8192)
    frames = [np.full((3, shape.height, shape.width), 9000 + 5000 * index, np.uint16) for index in range(4)]
    result = np.zeros((3, shape.height, shape.width), np.uint16)
    info = FrameInfo(
        path="", shape=shape, kind="colour", dtype="uint16", channels=3, has_coverage=False,
        encoding=Encoding("linear", "rec2020", "invented"), exposure=Exposure.stated(1.0), orientation=1, camera=None,
        tiled=True, timestamp=None, bytes_on_disk=0, facts_for_key={},
    )
    decoder = FrameDecoder.of(info)
    identity = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
    facts = {"frames": [{"light": 2.0**index, "shot": 3e-4, "read": 4e-6, "clip": 1.0, "to_working": identity}
                        for index in range(4)], "base": 1, "as_shot": {"kelvin": 5200.0, "duv": 0.003}}
    blend = stages["blend"]()
    after = [stages["white_balance"](kelvin="5600K"), stages["tone_curve"](white="+0.5EV"), stages["display"]()]

    def work(window: Any) -> None:
        tiles = [decoder.run(gpu, frame[:, window.rows, window.cols], window, shape, window) for frame in frames]
        tile = blend.run(gpu, *tiles, wanted=window, facts=facts)
        for stage in after:
            tile = stage.run(gpu, tile, window, facts)
        gpu.write(encode_tile(gpu, tile, "srgb", 16), result[:, window.rows, window.cols])

    limit = RESULTS.get("bus", {}).get("pinned_up", 0.0) / 24 * 1e3
    rows = []
    for locked in (False, True):
        with gpu.locked([*frames, result] if locked else []):
            for tile_px in (1024, 2048):
                windows = list(Grid(shape, tile_px, tile_px))
                for workers in (1, 2, 4, 8):
                    took = _threaded(work, windows, workers)
                    rate = shape.pixels / took / 1e6
                    rows.append({"pages": "locked" if locked else "plain", "tile": tile_px, "workers": workers,
                                 "MP/s": round(rate), "GB/s up": round(rate * 24 / 1e3, 1),
                                 "of_bus": f"{100 * rate / limit:.0f} %" if limit else "?"})
    if os.environ.get("OUT"):
        from tilepipe.device import trace

        with gpu.locked([*frames, result]), trace.written(Path(os.environ["OUT"]) / "pointwise_trace.json"):
            _threaded(work, list(Grid(shape, 2048, 2048)), 4)
    table(rows, "pages", "tile", "workers", "MP/s", "GB/s up", "of_bus")
    return rows


def _threaded(work: Callable[[Any], None], windows: list[Any], workers: int) -> float:
    """Seconds for all windows by some threads, after each thread has done one."""
    from concurrent.futures import ThreadPoolExecutor

    gate = threading.Barrier(workers)

    def first(window: Any) -> None:
        gate.wait()
        work(window)

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(first, windows[:1] * workers))
        begun = time.perf_counter()
        list(pool.map(work, windows))
        return time.perf_counter() - begun


@part
def whole_recipes() -> list[dict[str, Any]]:
    """`process` on arrays of the invented scene, default steps and fusion, CPU against GPU: bits and seconds."""
    import numpy as np

    from tilepipe.geometry import Shape
    from tilepipe.run.process import process

    tests = matrix()
    picture = tests.light(Shape(1501, 2003), "picture").transpose(1, 2, 0)
    noise = (tests._even(picture.size, "grain").reshape(picture.shape) - 0.5) * 0.01
    frames = [(np.clip(picture * light + noise, 0, 1) * 65535).astype(np.uint16) for light in tests.LIGHTS]
    recipes: dict[str, list[Any]] = {
        "default": [{"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.5}}, "tone_curve", "display"],
        "fusion": [{"blend": {"method": "fusion"}}, "display"],
    }
    rows = []
    for name, steps in recipes.items():
        made = {}
        for kind in ("cpu", "gpu"):
            process(frames, list(tests.LIGHTS), steps, device=kind)
            begun = time.perf_counter()
            made[kind] = process(frames, list(tests.LIGHTS), steps, device=kind)
            rows.append({"recipe": name, "device": kind, "seconds": round(time.perf_counter() - begun, 2), "bits": ""})
        unequal = int((made["cpu"].view(np.uint32) != made["gpu"].view(np.uint32)).sum())
        rows[-1]["bits"] = "same" if not unequal else f"{unequal} of {made['cpu'].size} differ"
    table(rows, "recipe", "device", "seconds", "bits")
    return rows


def _bracket(height: int, width: int) -> tuple[list[Any], list[float]]:
    """Four uint16 frames of an invented scene with grain, one stop and a half apart, by repeating a piece of it."""
    import numpy as np

    from tilepipe.device import selftest
    from tilepipe.geometry import Shape

    tests, piece = matrix(), (1500, 1700)
    light = tests.light(Shape(*piece), "picture").transpose(1, 2, 0)
    frames = []
    for index, exposure in enumerate((0.2, 0.57, 1.6, 4.5)):
        grain = selftest.values(light.size, "float32", f"grain {index}", selftest.TRIALS[0]).reshape(light.shape)
        noisy = light * np.float32(exposure) + (grain - np.float32(0.5)) * np.float32(0.004)
        once = (np.clip(noisy, 0, 1) * 65535).astype(np.uint16)
        many = np.empty((height, width, 3), np.uint16)
        for y in range(0, height, piece[0]):
            for x in range(0, width, piece[1]):
                high, wide = min(piece[0], height - y), min(piece[1], width - x)
                many[y : y + high, x : x + wide] = once[:high, :wide]
        frames.append(many)
    return frames, [0.2, 0.57, 1.6, 4.5]


WHOLE = ({"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.5}}, "tone_curve", "display")
EVERYTHING = (  # every kind of finishing step that keeps the picture's size and colours, each doing something
    {"blend": {"method": "radiance"}}, {"white_balance": {"kelvin": "5600K"}}, {"exposure": {"stops": "0.3EV"}},
    {"local_contrast": {"range": 0.5, "detail": 1.2}}, {"tone_curve": {"black": "-9EV", "white": "0.5EV"}},
    {"tone_channels": {"channels": [{"at": "264deg", "reach": "60deg", "stops": "-0.3EV", "chroma": 1.2}]}},
    {"saturation": {"chroma": 1.1}},
    {"burn": {"stops": "0.4EV", "where": {"luminance": {"from": "-1EV", "soft": "1EV"}}}},
    {"dodge": {"stops": "0.3EV", "where": {"ellipse": {"centre": [0.5, 0.6], "width": "40%", "height": "30%", "soft": "10%"}}}},
    {"vignette": {"stops": "-0.4EV"}}, {"sharpen": {"amount": 0.5}}, "display",
)


def _recipes() -> dict[str, list[Any]]:
    return {
        "pointwise": [{"blend": {"method": "radiance"}}, "tone_curve", "display"], "default": list(WHOLE),
        "fusion": [{"blend": {"method": "fusion"}}, "display"], "everything": list(EVERYTHING),
    }


@part
def memory_recipes() -> list[dict[str, Any]]:
    """`process` from arrays in memory to an array in memory, 100 MP, four uint16 frames: plain arrays, and pinned ones.

    The seconds hold all that a call does: locking pages, all passes, the result as a new array. The passes stand beside.
    """
    import numpy as np

    from tilepipe.run.execute import Execution
    from tilepipe.run.process import process

    plain, lights = _bracket(9000, 11200)
    pinned = []
    for frame in plain:
        pinned.append(device().pinned(frame.shape, frame.dtype))
        np.copyto(pinned[-1], frame)
    told: dict[str, float] = {}
    run = Execution.run

    def watched(self: Any, finish: bool = True) -> None:
        run(self, finish)
        told.update({name: round(took, 3) for name, took in self.times.items()})

    Execution.run = watched  # type: ignore[method-assign]
    rows = []
    try:
        for name, steps in _recipes().items():
            for kind, frames in (("plain", plain), ("pinned", pinned)):
                times = []
                for _ in range(4):
                    told.clear()
                    begun = time.perf_counter()
                    made = process(frames, lights, steps, device="gpu")
                    times.append(time.perf_counter() - begun)
                    del made
                took = min(times)
                rows.append({"recipe": name, "frames": kind, "seconds": round(took, 3), "first": round(times[0], 2),
                             "MP/s": round(plain[0].size / 3 / took / 1e6), "passes": json.dumps(told)})
    finally:
        Execution.run = run  # type: ignore[method-assign]
    table(rows, "recipe", "frames", "seconds", "first", "MP/s", "passes")
    return rows


@part
def several_gpus() -> dict[str, Any]:
    """The default steps over 200 MP by one card and by all of them: the same bits, and how much faster."""
    import numpy as np

    from tilepipe.device.gpu import device_count
    from tilepipe.run.process import process

    if device_count() < 2:
        say("one card only")
        return {"cards": 1}
    frames, lights = _bracket(12800, 15872)
    found: dict[str, Any] = {"cards": device_count()}
    made = {}
    for wish in ("gpu:0", "gpu:all"):
        process(frames, lights, WHOLE, device=wish)
        begun = time.perf_counter()
        made[wish] = process(frames, lights, WHOLE, device=wish)
        found[wish] = round(frames[0].size / 3e6 / (time.perf_counter() - begun))
    found["same"] = bool((made["gpu:0"].view(np.uint32) == made["gpu:all"].view(np.uint32)).all())
    say(f"MP/s: {found}")
    return found


@part
def memory_full() -> dict[str, Any]:
    """A card that may use little of its memory: tiles are cut and told, the bits are the same."""
    import cupy
    import numpy as np

    from tilepipe.run.fitting import Fitting
    from tilepipe.run.process import process

    frames, lights = _bracket(4000, 6000)
    whole, told = process(frames, lights, WHOLE, device="gpu"), []
    shrink = Fitting._shrink
    pool = cupy.get_default_memory_pool()
    device().trim(everything=True)

    def heard(self: Any, side: int, error: Any) -> None:
        shrink(self, side, error)
        told.append(f"{self._name}: {side} → {self._side} px, {error.faults[0].found}")

    Fitting._shrink = heard  # type: ignore[method-assign]
    found: dict[str, Any] = {}
    try:
        for limit_mb in (2500, 1200):
            told.clear()
            pool.set_limit(size=limit_mb << 20)
            made = process(frames, lights, WHOLE, device="gpu", tile=2048)
            same = bool((made.view(np.uint32) == whole.view(np.uint32)).all())
            found[f"{limit_mb} MB"] = {"same": same, "told": list(told)}
            say(f"{limit_mb} MB: same bits {same}; {'; '.join(told) or 'nothing had to be cut'}")
            device().trim(everything=True)
    finally:
        pool.set_limit(size=0)
        Fitting._shrink = shrink  # type: ignore[method-assign]
    return found


def _disk_rates(folder: Path, megabytes: int = 1024) -> dict[str, float]:
    """GB/s of a large file written and synced, and read when it is no longer in memory."""
    import numpy as np

    path, block = folder / "rate.bin", np.random.default_rng(1).integers(0, 256, 1 << 24, np.uint8).tobytes()
    begun = time.perf_counter()
    with path.open("wb", buffering=0) as file:
        for _ in range(megabytes >> 4):
            file.write(block)
        os.fsync(file.fileno())
    written = time.perf_counter() - begun
    _forget(path)
    begun = time.perf_counter()
    with path.open("rb", buffering=0) as file:
        while file.read(1 << 24):
            pass
    read = time.perf_counter() - begun
    path.unlink()
    return {"write": round(megabytes / 953.7 / written, 2), "read": round(megabytes / 953.7 / read, 2)}


def _forget(path: Path) -> None:
    """Asks the system to drop a file's pages from memory."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


@part
def disk_recipes() -> list[dict[str, Any]]:
    """A whole run from files to files, 24 MP, four frames: in RAM (/dev/shm) and on the disk, by passes of its receipt.

    Each pass moves its bytes at some rate; the disk's own are measured in the same folder just before.
    """
    import shutil

    from tifffile import imwrite

    from tilepipe.recipe.load import load_recipe
    from tilepipe.run.recipe_run import Settings, run_plan

    frames, lights = _bracket(4000, 6000)
    pixels, rows = frames[0].size / 3, []
    for place in (Path("/dev/shm"), Path(os.environ.get("TMPDIR", "/var/tmp"))):
        folder = Path(tempfile.mkdtemp(dir=place))
        try:
            rates = _disk_rates(folder)
            lines = []
            for index, (frame, light) in enumerate(zip(frames, lights, strict=True)):
                path = folder / f"frame_{index}.tif"
                imwrite(path, frame, tile=(512, 512), photometric="rgb", bigtiff=True, compression=None, metadata=None)
                _forget(path)
                lines.append(f"  - {{file: {path.name}, light: {math.log2(light):+.3f}EV, encoding: linear}}")
            recipe = folder / "recipe.yaml"
            recipe.write_text("frames:\n" + "\n".join(lines) + "\nsteps:\n  - blend: {method: radiance}\n  - tone_curve\n"
                              "  - display\ndeliver:\n  - {kind: linear-tiff, name: linear}\n")
            for workers in (8,):
                work, out = folder / f"work-{workers}", folder / f"out-{workers}"
                for path in folder.glob("frame_*.tif"):
                    _forget(path)
                begun = time.perf_counter()
                receipt = run_plan(load_recipe(recipe), Settings(device="gpu", workers=workers, work=work, out=out))
                took = time.perf_counter() - begun
                times = json.loads(Path(receipt).read_text())["pass_seconds"]
                blend = times.get("blend") or times.get("blend-whole") or 0.0
                moved = pixels * (24 + 12)
                rows.append({"place": str(place), "disk GB/s": json.dumps(rates), "workers": workers, "seconds": round(took, 2),
                             "MP/s": round(pixels / took / 1e6), "blend GB/s": round(moved / blend / 1e9, 2) if blend else "?",
                             "passes": json.dumps(times)[:300]})
                shutil.rmtree(work, ignore_errors=True)
                shutil.rmtree(out, ignore_errors=True)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    table(rows, "place", "disk GB/s", "workers", "seconds", "MP/s", "blend GB/s", "passes")
    return rows


@part
def demo_digests() -> dict[str, Any]:
    """The demo's frames and recipe at 2 MP, files in and files out: the receipts' root digests by GPU and by CPU."""
    from tilepipe import load_recipe, run_plan
    from tilepipe.demo.job import make_demo
    from tilepipe.run.recipe_run import Settings

    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        recipe = load_recipe(make_demo(Path(folder), 2.0, "dng", say))
        for kind in ("gpu", "cpu"):
            begun = time.perf_counter()
            places = {"work": Path(folder) / f"work-{kind}", "out": Path(folder) / kind}
            receipt = run_plan(recipe, Settings(device=kind, **places))
            root = json.loads(receipt.read_text(encoding="utf-8"))["result"]["root"]
            found[kind] = {"seconds": round(time.perf_counter() - begun, 1), "digest": root}
            say(f"{kind}: {found[kind]}")
    found["same"] = found["gpu"]["digest"] == found["cpu"]["digest"]
    return found


@part
def large_bracket() -> dict[str, Any]:
    """400 MP, four frames, default steps: the digests of the result by GPU and by CPU."""
    import hashlib

    from tilepipe.run.process import process

    frames, lights = _bracket(18000, 22223)
    found: dict[str, Any] = {"megapixels": round(frames[0].size / 3e6, 1)}
    for kind in ("gpu", "cpu"):
        begun = time.perf_counter()
        made = process(frames, lights, WHOLE, device=kind)
        took = round(time.perf_counter() - begun, 1)
        found[kind] = {"seconds": took, "digest": hashlib.blake2b(made, digest_size=16).hexdigest()}
        say(f"{kind}: {found[kind]}")
    found["same"] = found["gpu"]["digest"] == found["cpu"]["digest"]
    return found


# ---------------------------------------------------------------- running them
def out_of_time(reserve: float = 0.0) -> bool:
    return time.monotonic() - STARTED > RESULTS["limit_seconds"] - reserve


def run_parts(chosen: list[str]) -> Iterator[str]:
    """Runs the parts; yields the names of those that failed."""
    path = Path(os.environ.get("OUT") or ".") / "gpu_check.json"
    for name, function in PARTS:
        if chosen and name not in chosen:
            continue
        if out_of_time():
            say(f"\n== {name}: no time left")
            RESULTS[name] = "no time left"
            continue
        say(f"\n== {name}  [{time.monotonic() - STARTED:.0f} s]")
        try:
            RESULTS[name] = function()
            if isinstance(RESULTS[name], dict) and len(str(RESULTS[name])) < 600:
                say(json.dumps(RESULTS[name], default=str))
        except Exception as error:
            RESULTS[name] = {"failed": f"{type(error).__name__}: {error}", "where": traceback.format_exc()[-3000:]}
            say(traceback.format_exc())
            yield name
        path.write_text(json.dumps(RESULTS, indent=1, default=str))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=540.0, help="start no further part after this long")
    parser.add_argument("--variants", default="", help="build and compare only these variants, for example v4,v3")
    parser.add_argument("parts", nargs="*", help=f"only these: {', '.join(name for name, _ in PARTS)}")
    words = parser.parse_args()
    RESULTS["limit_seconds"] = words.seconds
    RESULTS["variants"] = [name for name in words.variants.split(",") if name]
    failed = list(run_parts(words.parts))
    say(f"\n{time.monotonic() - STARTED:.0f} s; " + (f"failed: {', '.join(failed)}" if failed else "every part ran"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
