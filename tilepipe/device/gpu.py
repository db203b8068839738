"""One NVIDIA GPU as a device: pooled CuPy arrays, machine code from NVRTC, each thread on a stream of its own."""

from __future__ import annotations

import collections
import contextlib
import ctypes
import math
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import nvrtc, selftest, trace
from tilepipe.device.kernel import Kernel, PlaneArgument, Stack
from tilepipe.device.tile import Tile
from tilepipe.device.transfer import Transfers
from tilepipe.errors import DeviceError
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
BLOCK = (32, 8)  # threads across and down: a warp reads 128 bytes of a row at once
COMPILING = 16  # units at a time, the longest texts first: the last to end is the longest one
WORKERS = 2  # measured on one H100: 2 and 3 are alike, 8 are slower by half
TILE_SIDES_PX = (4096, 2048, 1024)
TILE_PLANES = 96  # of float32 alive at most while a tile is made: local contrast's 41 nodes with all their levels, and more
_NOTHING = contextlib.nullcontext()
MANY_BLOCKS = 64  # in one launch at most: as ManyArgs in kernels/forms.h
LARGEST_BLOCK_BYTES = 32764  # of a kernel's parameters (CUDA 12.1 and later, compute capability 7.0 and later)
_INSTALL = "pip install 'tilepipe[gpu]' (CUDA 13) or 'tilepipe[gpu12]' (CUDA 12)"


class OutOfDeviceMemory(DeviceError):
    """A tile did not fit into the GPU's memory; a smaller tile gives the same result."""


def cupy_module() -> Any:
    """CuPy, imported at first use; DeviceError where it is missing or broken."""
    try:
        import cupy
    except ImportError as error:
        raise DeviceError("CuPy is not installed", found=str(error), next_step=_INSTALL) from error
    return cupy


def device_count() -> int:
    """How many GPUs CuPy can use; DeviceError with the reason where it can use none."""
    cupy = cupy_module()
    try:
        count: int = cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError as error:
        raise _no_driver(cupy, error) from error
    if count == 0:
        raise DeviceError("there is no GPU in this machine", next_step="run with --device cpu")
    return count


def _no_driver(cupy: Any, error: Exception) -> DeviceError:
    have, want = cupy.cuda.runtime.driverGetVersion(), cupy.cuda.runtime.runtimeGetVersion()
    if have and have < want:
        return DeviceError(
            "the GPU's driver is too old", found=f"driver for CUDA {_dotted(have)}", allowed=f"CUDA {_dotted(want)}",
            next_step="update the NVIDIA driver, or install the CUDA 12 variant: pip install 'tilepipe[gpu12]'",
        )
    what = "there is no NVIDIA GPU with a driver in this machine"
    return DeviceError(what, found=str(error), next_step="run with --device cpu")


def _dotted(version: int) -> str:
    return f"{version // 1000}.{version % 1000 // 10}"


def pixels_of(kernel: Kernel) -> tuple[int, int]:
    """How many pixels across and down one thread makes: as GridOf in kernels/forms.h."""
    if kernel.name in nvrtc.grid_shapes():
        return nvrtc.grid_shapes()[kernel.name]
    if kernel.form != "at" or kernel.ins == 0 or kernel.reach > 0 or kernel.ins + kernel.outs > 8:
        return 1, 1
    return (2 if kernel.ins + kernel.outs > 3 else 4), 1


def many_blocks(kernel: Kernel) -> int:
    """How many argument blocks of a kernel fit into one launch: as ManyArgs in kernels/forms.h."""
    return min(MANY_BLOCKS, LARGEST_BLOCK_BYTES // ctypes.sizeof(kernel.block))


class _Lane(threading.local):
    """What belongs to one thread: its stream, and pinned memory that copies on it still read."""

    def __init__(self) -> None:
        self.stream: Any = None
        self.waiting: collections.deque[tuple[Any, Any]] = collections.deque()
        self.times: list[tuple[str, Any, Any]] = []
        self.guarded = False


class _Here(threading.local):
    """The device whose stream is the thread's current one."""

    device: GpuDevice | None = None


_HERE = _Here()


class _Grid:
    """One kernel's function on the GPU."""

    __slots__ = ("function", "pixels", "pointer")

    def __init__(self, function: Any, pixels: tuple[int, int]) -> None:
        self.function, self.pointer, self.pixels = function, function.ptr, pixels  # the function keeps its module

    def size(self, over: PlaneArgument) -> tuple[int, int]:
        across, down = BLOCK[0] * self.pixels[0], BLOCK[1] * self.pixels[1]
        return -(-over.w // across), -(-over.h // down)


class GpuDevice:
    """Runs kernels on the calling thread's own stream; results are complete once `download` returns.

    The same methods as `CpuDevice`, without `drive`: deep stages go level by level. An array belongs to the thread that
    made it; another thread may use it after `synchronize`.
    """

    kind = "gpu"

    def __init__(self, index: int = 0) -> None:
        """Raises DeviceError without CuPy, a driver, that GPU, or NVRTC."""
        count = device_count()
        if not 0 <= index < count:
            allowed = ", ".join(f"gpu:{number}" for number in range(count))
            raise DeviceError("there is no such GPU", where=f"gpu:{index}", allowed=allowed)
        self._cupy, self._driver, self.index = cupy_module(), import_module("cupy_backends.cuda.api.driver"), index
        told = self._cupy.cuda.runtime.getDeviceProperties(index)
        self.card: str = told["name"].decode()
        self._serial = bytes(told.get("uuid", b"")).hex()
        self.architecture = int(self._cupy.cuda.Device(index).compute_capability)
        nvrtc.compiler()
        self._lane = _Lane()
        self._grids: dict[str, _Grid] = {}
        self._modules: dict[str, Any] = {}
        self._loading = threading.Lock()
        self._transfers = Transfers(self, self._cupy)
        self._clock: tuple[Any, float] | None = None
        self._guarded = False

    def guard_threads(self) -> None:
        """From now on a thread's first use of this card proves its floating-point modes, the host's and the card's."""
        self._guarded = True

    @property
    def name(self) -> str:
        return f"gpu:{self.index} {self.card}"

    @property
    def identity(self) -> str:
        """The very card and its driver, as text."""
        return f"{self.card} {self._serial} sm_{self.architecture} driver {self._cupy.cuda.runtime.driverGetVersion()}"

    @property
    def stream(self) -> Any:
        """The calling thread's stream; while this device is in use it is the thread's current one."""
        if _HERE.device is not self:
            self._cupy.cuda.Device(self.index).use()
            if self._lane.stream is None:
                self._lane.stream = self._cupy.cuda.Stream(non_blocking=True)
            self._lane.stream.use()
            _HERE.device = self
            if self._guarded and not self._lane.guarded:
                self._lane.guarded = True
                self._guard()
        return self._lane.stream

    def _guard(self) -> None:
        faults = selftest.thread_faults(self)
        if faults:
            self._lane.guarded = False
            raise DeviceError(
                f"the floating-point modes of this thread are not what the bits need: {', '.join(faults)}",
                where=f"{threading.current_thread().name} on {self.name}",
                next_step="a library loaded into this process changed them; run tilepipe in a process of its own",
            )

    def synchronize(self) -> None:
        """Waits for all that the calling thread has asked for."""
        self.stream.synchronize()
        self._lane.waiting.clear()

    @contextlib.contextmanager
    def _memory(self, nbytes: int) -> Iterator[None]:
        _ = self.stream
        try:
            yield
        except self._cupy.cuda.memory.OutOfMemoryError as error:
            raise self._full(nbytes) from error

    def _full(self, nbytes: int) -> OutOfDeviceMemory:
        free, total = self._cupy.cuda.runtime.memGetInfo()
        return OutOfDeviceMemory(
            "the GPU's memory is full", where=self.name,
            found=f"{nbytes / 1e6:.0f} MB wanted, {free / 1e6:.0f} of {total / 1e6:.0f} MB free",
            next_step="smaller tiles, fewer workers, or --device cpu",
        )

    # ------------------------------------------------------------ memory
    def empty(self, shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> Any:
        """An uninitialised array from the pool of this thread's stream."""
        _ = self.stream
        try:
            return self._cupy.ndarray(shape, dtype)
        except self._cupy.cuda.memory.OutOfMemoryError as error:
            raise self._full(math.prod(shape) * np.dtype(dtype).itemsize) from error

    def zeros(self, shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> Any:
        array = self.empty(shape, dtype)
        if array.nbytes:
            array.data.memset_async(0, array.nbytes, self.stream)
        return array

    def trim(self, everything: bool = False) -> None:
        """Waits, and gives idle memory back where it is more than a quarter of the GPU's, or all of it, pinned too."""
        self.synchronize()
        pool = self._cupy.get_default_memory_pool()
        if everything or 4 * pool.free_bytes() > self._cupy.cuda.runtime.memGetInfo()[1]:
            pool.free_all_blocks()
        if everything:
            self._cupy.get_default_pinned_memory_pool().free_all_blocks()

    def pinned(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
        """Host memory that the GPU reads and writes at the bus's speed; it returns to a pool when the array is gone."""
        return self._transfers.pinned(shape, np.dtype(dtype))

    def locked(self, arrays: Sequence[Array], last: Array | None = None) -> contextlib.AbstractContextManager[None]:
        """While it lasts, copies from and to these arrays of the host go straight, without a buffer between.

        `last` is written at the end: it need not be ready before.
        """
        return self._transfers.locked(arrays, last)

    def lock_while_alive(self, array: Array) -> Array:
        """The array, its pages locked until it is gone."""
        return self._transfers.lock_while_alive(array)

    def use(self) -> None:
        """Makes this card the calling thread's, for calls that are no stream's."""
        self._cupy.cuda.Device(self.index).use()

    def held(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> Any:
        """Memory for a whole working picture: the GPU's where at most half of what is free is needed, else the host's."""
        nbytes = math.prod(shape) * np.dtype(dtype).itemsize
        free = self._cupy.cuda.runtime.memGetInfo()[0] + self._cupy.get_default_memory_pool().free_bytes()
        if 2 * nbytes <= free:
            with contextlib.suppress(OutOfDeviceMemory):  # less may be given than is free
                return self.settled(self.empty(shape, dtype))
        return np.empty(shape, dtype)

    def result(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
        """New host memory for a whole result; its pages are made by several threads meanwhile, so that locking finds them."""
        return self._transfers.populated(np.empty(shape, dtype))

    @property
    def workers(self) -> int:
        """Threads that keep the card busy where nothing is decoded or written: more only wait for each other."""
        return WORKERS

    def tile_px(self, workers: int) -> int:
        """The largest tile that the card's memory suggests: its planes, of all workers, in half of the memory."""
        total = self._cupy.cuda.runtime.memGetInfo()[1]
        fitting = [side for side in TILE_SIDES_PX if 2 * workers * TILE_PLANES * 4 * side * side <= total]
        return fitting[0] if fitting else TILE_SIDES_PX[-1]

    def has_any(self, array: Any) -> bool:
        """True if not all values are 0; waits."""
        _ = self.stream
        return bool(self._cupy.any(array))

    def settled(self, array: Any) -> Any:
        """The array, when every thread may use it: whichever thread's stream it was made on."""
        self.use()
        self._cupy.cuda.runtime.deviceSynchronize()
        return array

    def upload(self, array: Any) -> Any:
        """Host memory → this GPU, without waiting; a GPU's array is given back as it is.

        The caller leaves the array as it is until the tile is done. Read-only tables that own their memory stay here.
        """
        if isinstance(array, self._cupy.ndarray):
            return array
        _ = self.stream
        with trace.span("upload"), self._timed("upload"):
            return self._transfers.up(array, self._lane.waiting)

    def download(self, array: Any) -> Array:
        """This GPU → host memory (pinned, the caller's own), when all work before it on this thread is done."""
        if not isinstance(array, self._cupy.ndarray):
            return np.asarray(array)
        host = self.pinned(array.shape, array.dtype)
        self.write(array, host)
        return host

    def write(self, array: Any, target: Any) -> None:
        """A result of this thread → `target`, a view of host memory or of this GPU's; complete on return."""
        if not array.size:
            return
        with trace.span("download"), self._memory(array.nbytes):
            if isinstance(target, self._cupy.ndarray):
                with self._timed("copy"):
                    target[...] = array
                self.synchronize()
            else:
                with self._timed("download"):
                    self._transfers.down(array, target)
        self._tell_times()

    # ------------------------------------------------------------ traces
    @contextlib.contextmanager
    def _timed(self, name: str) -> Iterator[None]:
        """While a trace is written, the GPU's own clock before and after what is asked for."""
        if not trace.is_on():
            yield
            return
        stream, first, last = self.stream, self._cupy.cuda.Event(), self._cupy.cuda.Event()
        with self._loading:
            if self._clock is None:
                self._clock = (self._cupy.cuda.Event(), trace.now())
                self._clock[0].record(stream)
        first.record(stream)
        yield
        last.record(stream)
        self._lane.times.append((name, first, last))

    def _tell_times(self) -> None:
        times, self._lane.times = self._lane.times, []
        if not times or self._clock is None:
            return
        self.synchronize()
        zero, begun = self._clock
        for name, first, last in times:
            start, end = (self._cupy.cuda.get_elapsed_time(zero, event) / 1e3 for event in (first, last))
            trace.add(name, begun + start, end - start, self.name)

    # ------------------------------------------------------------ tiles
    def tile(self, window: Window, picture: Shape, planes: tuple[str, ...]) -> Tile:
        """A new tile with uninitialised pixels."""
        return Tile(self.empty((len(planes), window.height, window.width)), window, picture, planes)

    @staticmethod
    def plane(array: Any, window: Window, picture: Shape) -> PlaneArgument:
        """One channel `(y, x)` as the kernels see it; rows must be contiguous."""
        if array.shape[1] > 1 and array.strides[1] != array.itemsize:
            raise ValueError("a plane's rows must be contiguous")
        return PlaneArgument(
            array.data.ptr, array.strides[0] // array.itemsize,
            window.y, window.x, window.height, window.width, picture.height, picture.width,
        )

    def planes(self, tile: Tile, count: int | None = None) -> list[PlaneArgument]:
        """The tile's first `count` planes (all by default) as kernel arguments."""
        array, window, picture = tile.array, tile.window, tile.picture
        step, row, item = array.strides
        if array.shape[2] > 1 and item != array.itemsize:
            raise ValueError("a plane's rows must be contiguous")
        first, pitch = array.data.ptr, row // array.itemsize
        return [
            PlaneArgument(first + index * step, pitch, window.y, window.x, window.height, window.width,
                          picture.height, picture.width)
            for index in range(len(array) if count is None else count)
        ]

    # ------------------------------------------------------------ kernels
    def launch(
        self, kernel: Kernel, ins: Sequence[PlaneArgument], outs: Sequence[PlaneArgument], *, stack: Stack | None = None,
        **params: Any,
    ) -> None:
        """Runs a kernel over the whole window of its first output, with a `stack` as many times as it says; does not wait."""
        kernel.check_planes(ins, outs)
        block = kernel.fill(ins, outs, params)
        if stack is None:
            self._run(kernel, block, outs[0])
        else:
            self._run_many(kernel, kernel.stacked(block, stack), outs[0])

    def _run_many(self, kernel: Kernel, blocks: Array, over: PlaneArgument) -> None:
        """Several argument blocks in one launch, one a layer of the grid."""
        if over.h <= 0 or over.w <= 0:
            return
        stream, grid, count = self.stream.ptr, self._many(kernel), many_blocks(kernel)
        across, down = grid.size(over)
        room = np.empty((count, blocks.shape[1]), np.uint8)  # the driver reads as much as the kernel declares
        arguments = (ctypes.c_void_p * 1)(room.ctypes.data)
        for first in range(0, len(blocks), count):
            part = blocks[first : first + count]
            room[: len(part)] = part
            with self._timed(kernel.name) if trace.is_on() else _NOTHING:
                self._driver.launchKernel(
                    grid.pointer, across, down, len(part), *BLOCK, 1, 0, stream, ctypes.addressof(arguments), 0)

    def tally(
        self, kernel: Kernel, ins: Sequence[PlaneArgument], over: PlaneArgument, bins: int, **params: Any
    ) -> npt.NDArray[np.int64]:
        """Exact integer sums of a TALLY kernel over the window `over`: int64 of length `bins`."""
        counts = self.zeros((bins,), np.int64)
        target = PlaneArgument(counts.data.ptr, 0, over.y0, over.x0, over.h, over.w, over.H, over.W)
        self._run(kernel, kernel.fill(ins, [target], params), over)
        return self.download(counts)

    def _run(self, kernel: Kernel, block: ctypes.Structure, over: PlaneArgument) -> None:
        if over.h <= 0 or over.w <= 0:
            return
        stream = self.stream.ptr
        grid = self._grids.get(f"{kernel.name}_grid") or self._load(kernel)
        across, down = grid.size(over)
        arguments = (ctypes.c_void_p * 1)(ctypes.addressof(block))
        with self._timed(kernel.name) if trace.is_on() else _NOTHING:
            self._driver.launchKernel(
                grid.pointer, across, down, 1, *BLOCK, 1, 0, stream, ctypes.addressof(arguments), 0)

    def prepare(self, headers: Sequence[str] | None = None) -> None:
        """Compiles and loads units (all by default), several at a time: what a first run would otherwise wait for."""
        wanted = sorted(nvrtc.units_in_use() if headers is None else headers, key=nvrtc.text_length, reverse=True)
        with ThreadPoolExecutor(COMPILING) as pool:
            list(pool.map(lambda header: nvrtc.cubin(header, self.architecture), wanted))
        for header in wanted:
            self._module(header)

    def _module(self, header: str) -> Any:
        path = nvrtc.cubin(header, self.architecture)
        with self._loading:
            if header not in self._modules:
                self._modules[header] = self._cupy.RawModule(path=str(path))
            return self._modules[header]

    def _load(self, kernel: Kernel) -> _Grid:
        size = ctypes.sizeof(kernel.block)
        if size > LARGEST_BLOCK_BYTES:
            raise DeviceError(
                "a kernel's parameters are too large for a GPU", where=kernel.name, found=f"{size} bytes",
                allowed=f"{LARGEST_BLOCK_BYTES} bytes", next_step="hand tables over by pointer",
            )
        return self._function(kernel, f"{kernel.name}_grid")

    def _many(self, kernel: Kernel) -> _Grid:
        name = f"{kernel.name}_many"
        return self._grids.get(name) or self._function(kernel, name)

    def _function(self, kernel: Kernel, name: str) -> _Grid:
        module = self._module(nvrtc.unit_of(kernel.name))
        with self._loading:
            grid = self._grids[name] = _Grid(module.get_function(name).kernel, pixels_of(kernel))
        return grid
