"""The GPU device's own side, with a stand-in for CuPy: launches decode their blocks and run the CPU's compiled rows.

The stand-in has host memory in place of a GPU's and the CPU's functions in place of a cubin's, with the same argument
blocks. It shows that arrays, copies, blocks, streams and choices are handled rightly; what only a GPU can show
(its arithmetic, its speed) is `scripts/gpu_check.py`'s.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import sys
import threading
import time
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tilepipe.device import choose, gpu, native, nvrtc, selftest, trace
from tilepipe.device.bandwidth import rates
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.gpu import GpuDevice, OutOfDeviceMemory
from tilepipe.device.kernel import Entry, Kernel, PlaneArgument, Stack
from tilepipe.device.lanes import GpuLanes
from tilepipe.errors import DeviceError
from tilepipe.geometry import Shape, Window
from tilepipe.run.engine import Engine
from tilepipe.run.fitting import Fitting
from tilepipe.run.process import process

MANY = 10000  # added to the number of a kernel's function for several argument blocks


class Pointer:
    """A GPU array's memory."""

    def __init__(self, array: Any) -> None:
        self._array, self.ptr = array, array.__array_interface__["data"][0]

    def memset_async(self, value: int, nbytes: int, stream: Any) -> None:
        assert isinstance(stream, Stream)
        ctypes.memset(self.ptr, value, nbytes)


class GpuArray(np.ndarray[Any, Any]):
    """An array that refuses what CuPy refuses (mixing with host arrays) and what stages must not do (computing)."""

    make: Any = None

    def __new__(cls, shape: Any, dtype: Any = float) -> Any:
        return cls.make(shape, dtype)

    @property
    def data(self) -> Any:
        return Pointer(self)

    device = types.SimpleNamespace(id=0)

    def __setitem__(self, key: Any, value: Any) -> None:
        assert type(value) is not np.ndarray, "a host array is written into a GPU's"
        super().__setitem__(key, value)

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Any:
        raise AssertionError(f"{ufunc} computes on a device's array")


class Stream:
    """A stream: work is done at once."""

    current = threading.local()
    count = 0

    def __init__(self, non_blocking: bool) -> None:
        assert non_blocking
        Stream.count += 1
        self.ptr = Stream.count

    def use(self) -> None:
        Stream.current.stream = self

    def synchronize(self) -> None: ...

    def record(self) -> Any:
        return types.SimpleNamespace(done=True)


class Event:
    """A mark on a stream."""

    at = 0.0

    def record(self, stream: Any) -> None:
        self.at = time.perf_counter()


class RuntimeFault(RuntimeError):
    """What CuPy raises."""


class MemoryFault(MemoryError):
    """What CuPy raises when its pool can take no more."""


class StandIn:
    """`cupy` and the driver, for one invented card."""

    def __init__(self, library: native.Library) -> None:
        self.library, self.launched, self.entries = library, [], list(library.entries)
        self.room_bytes = 1 << 30
        self.locked: dict[int, int] = {}
        self.refused_lock = False
        self.copies: list[tuple[int, int, int]] = []
        self.count: Callable[[], int] = lambda: 1
        self.versions = (13000, 13000)
        runtime = types.SimpleNamespace(
            getDeviceCount=lambda: self.count(), CUDARuntimeError=RuntimeFault,
            driverGetVersion=lambda: self.versions[0], runtimeGetVersion=lambda: self.versions[1],
            getDeviceProperties=lambda index: {"name": b"Invented Card", "uuid": b"\x01\x02"},
            memGetInfo=lambda: (1 << 20, 1 << 30), deviceSynchronize=lambda: None,
            memcpyAsync=self._copy, memcpy2DAsync=self._copy_rows,
            pointerGetAttributes=self._attributes, hostRegister=self._register,
            hostUnregister=lambda first: self.locked.pop(first),
        )
        device = types.SimpleNamespace(compute_capability="90", use=lambda: None)
        self.cupy = types.ModuleType("cupy")
        self.cupy.__dict__.update(
            ndarray=GpuArray, any=lambda array: np.asarray(array).any(), RawModule=self._module,
            get_default_memory_pool=lambda: types.SimpleNamespace(
                free_all_blocks=lambda: self.launched.append("freed"), free_bytes=lambda: 0),
            get_default_pinned_memory_pool=lambda: types.SimpleNamespace(free_all_blocks=lambda: None),
            ascontiguousarray=lambda array: np.ascontiguousarray(array).view(GpuArray),
            cuda=types.SimpleNamespace(
                Event=Event, get_elapsed_time=lambda first, last: 1e3 * (last.at - first.at),
                runtime=runtime, Device=lambda index: device, Stream=Stream, alloc_pinned_memory=self._pinned,
                memory=types.SimpleNamespace(OutOfMemoryError=MemoryFault),
            ),
        )
        GpuArray.make = staticmethod(self._empty)
        self.driver = types.ModuleType("driver")
        self.driver.__dict__["launchKernel"] = self._launch

    def _pinned(self, nbytes: int) -> Any:
        memory = np.empty(nbytes, np.uint8)
        self.locked[memory.ctypes.data] = nbytes
        return memory

    def _register(self, first: int, nbytes: int, flags: int) -> None:
        if self.refused_lock:
            raise RuntimeFault("cudaErrorHostMemoryAlreadyRegistered")
        self.locked[first] = nbytes

    def _attributes(self, first: int) -> Any:
        inside = any(start <= first < start + nbytes for start, nbytes in self.locked.items())
        return types.SimpleNamespace(type=int(inside))

    def _copy(self, to: int, source: int, nbytes: int, kind: int, stream: int) -> None:
        assert stream == Stream.current.stream.ptr
        ctypes.memmove(to, source, nbytes)
        self.copies.append((kind, nbytes, 1))

    def _copy_rows(self, to: int, to_pitch: int, source: int, pitch: int, run: int, rows: int, kind: int, stream: int) -> None:
        assert stream == Stream.current.stream.ptr
        for row in range(rows):
            ctypes.memmove(to + row * to_pitch, source + row * pitch, run)
        self.copies.append((kind, run, rows))

    def kernel(self, name: str) -> Kernel:
        return Kernel.of_entry(self.library.entries[name])

    def _empty(self, shape: Any, dtype: Any) -> Any:
        array = np.empty(shape, dtype)
        if array.nbytes > self.room_bytes:
            raise MemoryFault
        array.view(np.uint8).fill(0xA5) if array.ndim else None
        return array.view(GpuArray)

    def _module(self, path: str) -> Any:
        assert Path(path).read_bytes()[:4] == b"\x7fELF"
        kernel = self._function
        return types.SimpleNamespace(get_function=lambda name: types.SimpleNamespace(kernel=kernel(name)))

    def _function(self, name: str) -> Any:
        many = name.endswith("_many")
        return types.SimpleNamespace(ptr=self.entries.index(name[: -len("_grid")]) + 1 + MANY * many)

    def _launch(self, function: int, *numbers: int) -> None:
        across, down, layers, threads_x, threads_y, _, shared, stream, arguments, extra = numbers
        assert (shared, extra) == (0, 0)
        assert stream == Stream.current.stream.ptr, "another thread's stream"
        name = self.entries[function % MANY - 1]
        entry: Entry = self.library.entries[name]
        kernel = Kernel.of_entry(entry)
        assert layers == 1 or function > MANY, "one block, several layers"
        assert layers <= gpu.many_blocks(kernel)
        first, size = ctypes.c_void_p.from_address(arguments).value or 0, ctypes.sizeof(kernel.block)
        block = kernel.block.from_address(first)
        over: PlaneArgument = block.outputs[0]
        pixels = gpu.pixels_of(kernel)
        assert across * threads_x * pixels[0] >= over.w, "columns are missing"
        assert down * threads_y * pixels[1] >= over.h, "rows are missing"
        self.launched.append(name)
        for layer in range(layers):
            entry.run(first + layer * size, 0, over.h)


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> StandIn:
    monkeypatch.setenv("TILEPIPE_CACHE", str(tmp_path))
    made = StandIn(native.load(native.chosen_variant()))
    monkeypatch.setitem(sys.modules, "cupy", made.cupy)
    monkeypatch.setitem(sys.modules, "cupy_backends.cuda.api.driver", made.driver)
    monkeypatch.setattr(gpu, "import_module", lambda name: sys.modules[name])
    monkeypatch.setattr(nvrtc.Compiler, "compile", lambda self, header, target: b"\x7fELF" + target.encode())
    return made


# ---------------------------------------------------------------- launches and copies
def test_all_kernels_run_with_their_blocks(card: StandIn):
    device = GpuDevice()
    kernels = selftest.table_kernels(card.library)
    chosen = {name: kernel for name, kernel in kernels.items() if not name.startswith(("scene", "camera"))}
    assert selftest.kernel_digests(device, chosen) == selftest.kernel_digests(CpuDevice(), chosen)
    assert set(card.launched) == set(chosen)


def test_a_stack_is_one_launch_and_the_same_as_one_by_one(card: StandIn):
    """More planes than fit into one launch, one input for all of them, another number for each."""
    kernel = selftest.table_kernels(card.library)["mix_planes"]
    shape, count = Shape(5, 7), gpu.many_blocks(card.kernel("mix_planes")) + 9
    values = np.arange(count * shape.pixels, dtype=np.float32).reshape(count, 5, 7)
    strengths = [index / count for index in range(count)]
    made = {}
    for device in (GpuDevice(), CpuDevice()):
        low, high, out = device.upload(values[:1]), device.upload(values), device.zeros((count, 5, 7))
        planes = [device.plane(array[0], shape.whole, shape) for array in (low, high, out)]
        step = values.strides[0]
        stack = Stack(count, [0, step], [step], numbers={"strength": strengths})
        device.launch(kernel, planes[:2], planes[2:], stack=stack, strength=0.0)
        made[device.kind] = np.array(device.download(out))
    assert card.launched == ["mix_planes", "mix_planes"]
    single, device = np.zeros((count, 5, 7), np.float32), CpuDevice()
    for index, strength in enumerate(strengths):
        ins = [device.plane(array, shape.whole, shape) for array in (values[0], values[index])]
        device.launch(kernel, ins, [device.plane(single[index], shape.whole, shape)], strength=strength)
    for kind in ("gpu", "cpu"):
        assert (made[kind].view(np.uint32) == single.view(np.uint32)).all()


def test_a_tile_goes_up_and_comes_back(card: StandIn):
    device = GpuDevice()
    host = np.arange(120, dtype=np.float32).reshape(2, 6, 10)[:, ::2, 1:8]
    on_gpu = device.upload(host)
    assert type(on_gpu) is GpuArray
    assert device.upload(on_gpu) is on_gpu
    back = device.download(on_gpu[:, 1:])
    assert type(back) is np.ndarray
    assert (back == host[:, 1:]).all()
    assert (device.download(device.zeros((3, 4), np.int64)) == 0).all()
    assert device.download(device.upload(np.zeros((0, 3), np.float32))).shape == (0, 3)


def test_each_thread_has_its_own_stream(card: StandIn):
    device, seen = GpuDevice(), []
    kernel = selftest.table_kernels(card.library)["pyramid_add"]

    def work() -> None:
        window, shape = Window(0, 0, 3, 5), Shape(3, 5)
        planes = [device.plane(device.zeros((3, 5)), window, shape) for _ in range(3)]
        device.launch(kernel, planes[:2], planes[2:])
        seen.append(device.stream.ptr)

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
        thread.join()
    assert len(set(seen)) == 3
    assert device.stream.ptr not in seen


def test_two_devices_in_one_thread_use_their_own_streams(card: StandIn):
    card.count = lambda: 2
    first, second = GpuDevice(0), GpuDevice(1)
    for device in (first, second, first, second):
        assert device.stream is Stream.current.stream
    assert first.stream is not second.stream


def test_several_cards_work_on_one_picture_and_give_the_cpus_bits(card: StandIn, monkeypatch: pytest.MonkeyPatch):
    """One lane each: a whole job by two stand-ins for cards, in memory, against the CPU."""
    card.count = lambda: 2
    monkeypatch.setattr(choose, "_examined", lambda device: device)
    frames = [np.random.default_rng(7).integers(0, 60000, (90, 130, 3), np.uint16) for _ in range(2)]
    steps = [{"blend": {"method": "radiance"}}, {"local_contrast": {"range": 0.6, "edge": "4EV"}}, "display"]
    assert isinstance(choose.open_device("gpu:0,1"), GpuLanes)
    assert choose.open_device("gpu:all").name == "gpu:0,1 Invented Card"
    with pytest.raises(DeviceError, match="there is no such GPU"):
        choose.open_device("gpu:0,2")
    made = {device: process(frames, [1.0, 3.0], steps, device=device, tile=128) for device in ("cpu", "gpu:all")}
    assert (made["cpu"].view(np.uint32) == made["gpu:all"].view(np.uint32)).all()


def test_lanes_give_threads_the_cards_in_turn_and_keep_pictures_where_all_find_them(card: StandIn):
    card.count = lambda: 2
    lanes, seen = GpuLanes([GpuDevice(0), GpuDevice(1)]), []
    for _ in range(4):
        thread = threading.Thread(target=lambda: seen.append(lanes.here.index))
        thread.start()
        thread.join()
    assert sorted(seen) == [0, 0, 1, 1]
    picture = lanes.held((3, 400, 400), np.float32)
    first = picture.ctypes.data
    assert type(picture) is np.ndarray
    assert first in card.locked
    del picture
    assert first not in card.locked
    settled = lanes.settled(lanes.upload(np.ones((2, 3), np.float32)))
    assert type(settled) is np.ndarray
    assert (settled == 1.0).all()


def test_it_offers_what_the_cpu_offers_but_drivers(card: StandIn):
    def public(kind: type) -> set[str]:
        return {name for name in dir(kind) if not name.startswith("_")}

    assert public(CpuDevice) - public(GpuDevice) == {"drive", "pool"}
    assert public(GpuLanes) <= public(GpuDevice) | {"here"}
    GpuDevice().trim()
    assert card.launched == []
    GpuDevice().trim(everything=True)
    assert card.launched == ["freed"]


def test_a_full_memory_is_told_as_such(card: StandIn):
    card.room_bytes = 1000
    with pytest.raises(OutOfDeviceMemory, match="smaller tiles"):
        GpuDevice().empty((20, 20))


def test_a_block_that_is_too_large_is_refused(card: StandIn):
    kernel = Kernel("pyramid_add", 2, 1, params="float table[9000];", declared=False)
    device = GpuDevice()
    plane = device.plane(device.zeros((3, 5)), Window(0, 0, 3, 5), Shape(3, 5))
    with pytest.raises(DeviceError, match="parameters are too large"):
        device.launch(kernel, [plane, plane], [plane], table=[0.0])


def test_pixels_per_thread_are_those_of_the_kernel_language():
    text = nvrtc.compiler().compile("radiance.h", "compute_90") + nvrtc.compiler().compile("mix.h", "compute_90")
    text += nvrtc.compiler().compile("pyramid.h", "compute_90") + nvrtc.compiler().compile("exposure.h", "compute_90")
    told = dict(line.split()[-3::2] for line in text.decode().splitlines() if "_pixels =" in line)
    kernels = selftest.table_kernels(native.load(native.chosen_variant()))
    assert len(told) > 20
    for name, value in told.items():
        kernel = kernels[name.removesuffix("_pixels")]
        assert gpu.pixels_of(kernel)[0] == int(value.rstrip(";")), kernel.name


# ---------------------------------------------------------------- choosing
def test_a_gpu_is_examined_once_and_then_quickly(card: StandIn, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(nvrtc, "units", lambda: {"selftest.h": ("selftest_float",)})
    few = {name: card.kernel(name) for name in ("selftest_float", "selftest_double", "mix_planes")}
    monkeypatch.setattr(selftest, "table_kernels", lambda library: few)
    assert choose.open_device("gpu").kind == "gpu"
    assert "mix_planes" in card.launched
    card.launched.clear()
    assert choose.open_device("auto") is choose.open_device("gpu"), "examined twice in one process"
    assert card.launched == []
    monkeypatch.setattr(choose, "_opened", {})  # as in another process
    assert choose.open_device("auto").name == "gpu:0 Invented Card"
    assert "selftest_float" in card.launched
    assert "mix_planes" not in card.launched


def test_every_thread_proves_its_arithmetic_before_its_first_pixel(card: StandIn, monkeypatch: pytest.MonkeyPatch):
    few = {name: card.kernel(name) for name in ("selftest_float", "selftest_double", "mix_planes")}
    monkeypatch.setattr(selftest, "table_kernels", lambda library: few)
    monkeypatch.setattr(nvrtc, "units", lambda: {"selftest.h": ("selftest_float", "selftest_double")})
    device, told = choose.open_device("gpu"), []

    def work() -> None:
        try:
            device.empty((2, 3))
            told.append("sound")
        except DeviceError as error:
            told.append(str(error))

    def in_a_thread() -> str:
        thread = threading.Thread(target=work, name="tile-7")
        thread.start()
        thread.join()
        return told[-1]

    card.launched.clear()
    assert in_a_thread() == "sound"
    assert card.launched == ["selftest_float", "selftest_double"]
    monkeypatch.setattr(native.Library, "environment_faults", lambda library: 1)
    assert "the host flushes subnormals to zero" in in_a_thread()
    assert "tile-7" in told[-1]
    monkeypatch.setattr(native.Library, "environment_faults", lambda library: 0)
    wrong, run = card.entries.index("selftest_float") + 1, card._launch

    def flushing(function: int, *numbers: int) -> None:
        run(function, *numbers)
        if function == wrong:
            block = ctypes.c_void_p.from_address(numbers[8]).value or 0
            ctypes.c_float.from_address(card.kernel("selftest_float").block.from_address(block).outputs[0].p).value = 7.0

    monkeypatch.setitem(card.driver.__dict__, "launchKernel", flushing)
    assert "selftest_float differs on gpu:0 Invented Card" in in_a_thread()


def test_a_gpu_with_other_bits_is_refused(card: StandIn, monkeypatch: pytest.MonkeyPatch):
    wrong, run = card.entries.index("selftest_double") + 1, card._launch

    def flushing(function: int, *numbers: int) -> None:
        run(function, *numbers)
        if function == wrong:
            block = ctypes.c_void_p.from_address(numbers[8]).value or 0
            changed = card.kernel("selftest_double").block.from_address(block).outputs[0].p
            ctypes.c_double.from_address(changed).value = 7.0

    monkeypatch.setitem(card.driver.__dict__, "launchKernel", flushing)
    few = {name: card.kernel(name) for name in ("selftest_float", "selftest_double")}
    monkeypatch.setattr(selftest, "table_kernels", lambda library: few)
    monkeypatch.setattr(nvrtc, "units", lambda: {"selftest.h": tuple(few)})
    with pytest.raises(DeviceError, match=r"does not compute the CPU's bits[\s\S]*selftest_double"):
        choose.open_device("gpu")
    told: list[str] = []
    assert choose.open_device("auto", told.append).kind == "cpu"
    used = f"cpu {native.chosen_variant()} is used"
    assert told == [f"this GPU does not compute the CPU's bits (1 kernels differ: selftest_double); {used}"]


def test_a_missing_gpu_is_told_in_one_sentence(card: StandIn):
    def none() -> int:
        raise RuntimeFault("cudaErrorNoDevice: no CUDA-capable device is detected")

    card.count = none
    told: list[str] = []
    assert choose.open_device("auto", told.append).kind == "cpu"
    assert len(told) == 1
    assert told[0].startswith("there is no NVIDIA GPU with a driver in this machine (cudaErrorNoDevice")
    with pytest.raises(DeviceError, match="--device cpu"):
        choose.open_device("gpu:0")
    card.count = lambda: 2
    with pytest.raises(DeviceError, match=r"no such GPU[\s\S]*gpu:0, gpu:1"):
        choose.open_device("gpu:2")


def test_an_old_driver_is_told_with_both_versions(card: StandIn):
    def old() -> int:
        raise RuntimeFault("cudaErrorInsufficientDriver: CUDA driver version is insufficient for CUDA runtime version")

    card.count, card.versions = old, (12040, 13000)
    with pytest.raises(DeviceError, match=r"driver is too old[\s\S]*CUDA 12.4[\s\S]*CUDA 13.0[\s\S]*gpu12"):
        choose.open_device("gpu")


def test_without_cupy_the_way_out_is_told(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(DeviceError, match=r"CuPy is not installed[\s\S]*pip install 'tilepipe\[gpu\]'"):
        choose.open_device("gpu")
    told: list[str] = []
    assert choose.open_device("auto", told.append).kind == "cpu"
    assert told[0].startswith("CuPy is not installed")


@pytest.mark.parametrize("wish", ["", "cuda", "gpu:", "gpu:x", "cpu:v2", "cpu v9"])
def test_a_wish_that_is_none_is_refused_with_what_is_allowed(wish: str):
    with pytest.raises(DeviceError, match="allowed"):
        choose.open_device(wish)


def test_a_variant_can_be_wished_for():
    for variant in native.built_variants():
        assert choose.open_device(f"cpu {variant}").name == f"cpu {variant}"
    assert choose.open_device("cpu").name == f"cpu {native.chosen_variant()}"


def test_importing_the_device_does_not_import_cupy():
    importlib.import_module("tilepipe.device.choose")
    assert "cupy" not in sys.modules or sys.modules["cupy"].__name__ == "cupy"


def test_bandwidths_are_measured_on_both_kinds_of_device(card: StandIn):
    assert rates(CpuDevice(), 1 << 16).keys() == {"memory copy, one core"}
    card.copies.clear()
    found = rates(GpuDevice(), 1 << 16)
    assert found.keys() == {"device copy", "bus up", "bus down"}
    assert all(rate > 0.0 for rate in found.values())
    assert {(1, 1 << 16, 1), (2, 1 << 16, 1)} <= set(card.copies)


# ---------------------------------------------------------------- straight copies
def test_locked_pictures_are_copied_straight_by_windows(card: StandIn):
    device, picture = GpuDevice(), np.arange(3 * 600 * 700, dtype=np.uint16).reshape(3, 600, 700)
    result = np.zeros((600, 700, 3), np.float32)
    with device.locked([picture, result]):
        assert picture.ctypes.data in card.locked
        made = device.upload(picture[:, 5:105, 8:308])
        assert card.copies == [(1, 600, 100)] * 3
        assert (device.download(made) == picture[:, 5:105, 8:308]).all()
        card.copies.clear()
        window = result.transpose(2, 0, 1)[:, 7:27, 9:59]
        device.write(device.upload(np.full((3, 20, 50), 0.5, np.float32)), window)
        assert card.copies[-1] == (2, 600, 20)
    assert result.sum() == 1500.0
    assert (result[7:27, 9:59] == 0.5).all()
    with device.locked([]):  # waits until what was locked before is unlocked
        assert picture.ctypes.data not in card.locked


def test_what_is_written_last_is_locked_meanwhile(card: StandIn):
    device = GpuDevice()
    result = device.result((600, 700, 3), np.float32)
    with device.locked([], last=result):
        until = time.monotonic() + 5
        while result.ctypes.data not in card.locked and time.monotonic() < until:
            time.sleep(0.001)
        assert result.ctypes.data in card.locked
        device.write(device.upload(np.full((3, 600, 700), 0.5, np.float32)), result.transpose(2, 0, 1))
    assert (result == 0.5).all()
    with device.locked([]):
        assert result.ctypes.data not in card.locked


def test_interleaved_pixels_become_planes(card: StandIn):
    device, pixels = GpuDevice(), np.arange(60 * 50 * 3, dtype=np.uint16).reshape(60, 50, 3)
    for locked in (False, True):
        card.refused_lock = not locked
        with device.locked([pixels]):
            made = device.download(device.upload(pixels[4:9, 6:16].transpose(2, 0, 1)))
        assert (made == pixels[4:9, 6:16].transpose(2, 0, 1)).all()
        assert made.flags.c_contiguous


def test_read_only_tables_are_sent_once(card: StandIn):
    device, table = GpuDevice(), np.arange(64, dtype=np.float32)
    table.setflags(write=False)
    first = device.upload(table)
    card.copies.clear()
    assert device.upload(table) is first
    assert card.copies == []
    changing = np.arange(64, dtype=np.float32)
    assert device.upload(changing) is not device.upload(changing)


def test_working_pictures_lie_on_the_gpu_where_there_is_room(card: StandIn):
    device = GpuDevice()
    assert type(device.held((3, 100, 100), np.float32)) is GpuArray
    assert type(device.held((3, 400, 400), np.float32)) is np.ndarray
    target = device.held((2, 4, 4), np.float32)
    device.write(device.upload(np.full((2, 2, 3), 7, np.float32)), target[:, 1:3, :3])
    assert (device.download(target)[:, 1:3, :3] == 7).all()


# ---------------------------------------------------------------- tiles that do not fit, traces
def test_tiles_that_do_not_fit_are_cut_and_told(card: StandIn):
    device, engine, made = GpuDevice(), Engine(1), []

    def make(window: Window) -> None:
        device.empty((4, window.height, window.width))
        made.append(window)

    card.room_bytes = 4 * 4 * 300 * 300
    with engine:
        fitting = Fitting(device, engine, "blend")
        fitting.run(Window(0, 0, 1000, 900), make)
        fitting.run(Window(1000, 0, 200, 900), make)
    covered = np.zeros((1200, 900), int)
    for window in made:
        covered[window.rows, window.cols] += 1
    assert (covered == 1).all()
    assert [warning["text"][:6] for warning in engine.warnings] == ["blend:"] * 2
    card.room_bytes = 1000
    with pytest.raises(OutOfDeviceMemory):
        Fitting(device, Engine(1), "blend").run(Window(0, 0, 1000, 900), make)


def test_a_trace_shows_threads_and_the_gpu(card: StandIn, tmp_path: Path):
    device, path = GpuDevice(), tmp_path / "trace.json"
    with trace.written(path), Engine(2) as engine:
        engine.run_bag("pass", range(3), lambda index: device.download(device.upload(np.full((2, 3), index, np.float32))))
    events = json.loads(path.read_text())["traceEvents"]
    spans = [event for event in events if event["ph"] == "X"]
    assert sum(event["name"] == "pass" for event in spans) == 3
    names = {event["args"]["name"] for event in events if event["ph"] == "M"}
    assert "gpu:0 Invented Card" in names
    assert {event["name"] for event in spans} == {"pass", "upload", "download"}
    assert all(event["dur"] >= 0 for event in spans)
    assert not trace.is_on()
