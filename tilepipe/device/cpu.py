"""The CPU as a device: pooled numpy arrays and kernels run row by row by the compiled library."""

from __future__ import annotations

import contextlib
import ctypes
import threading
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import native
from tilepipe.device.cores import usable_cores
from tilepipe.device.kernel import Kernel, PlaneArgument, Stack
from tilepipe.device.tile import Tile
from tilepipe.device.transfer import is_interleaved
from tilepipe.errors import DeviceError
from tilepipe.geometry import Shape, Window

Array = npt.NDArray[Any]
_GRAIN_BYTES = 1 << 16
IDLE_BYTES = 16 << 20  # a worker's free buffers, when it asks for one of another size; chosen here: a plane or two of a tile


class Pool:
    """Buffers that return by themselves when the array over them is gone, so that tiles cost no page faults."""

    def __init__(self) -> None:
        self._free: list[npt.NDArray[np.uint8]] = []
        self.held_bytes = 0

    def take(self, nbytes: int) -> npt.NDArray[np.uint8]:
        rounded = -(-max(nbytes, 1) // _GRAIN_BYTES) * _GRAIN_BYTES
        fitting = [index for index, buffer in enumerate(self._free) if rounded <= buffer.nbytes <= 2 * rounded]
        if fitting:
            return self._free.pop(min(fitting, key=lambda index: self._free[index].nbytes))
        self._shrink(IDLE_BYTES)
        self.held_bytes += rounded
        return np.empty(rounded, np.uint8)

    def _shrink(self, idle_bytes: int) -> None:
        """Gives free buffers back to the system, the largest first, until at most `idle_bytes` are left waiting."""
        waiting = sum(buffer.nbytes for buffer in self._free)
        for buffer in sorted(self._free, key=lambda buffer: -buffer.nbytes):
            if waiting <= idle_bytes:
                return
            self._free = [other for other in self._free if other is not buffer]
            self.held_bytes -= buffer.nbytes
            waiting -= buffer.nbytes

    def give(self, buffer: npt.NDArray[np.uint8]) -> None:
        self._free.append(buffer)

    def clear(self) -> None:
        """Forgets the free buffers, so that their memory returns to the system."""
        self._shrink(0)


class _Loan:
    """The owner of one lent buffer: every array over it keeps this object alive, and its end returns the buffer."""

    __slots__ = ("__array_interface__", "_buffer", "_pool")

    def __init__(self, pool: Pool, buffer: npt.NDArray[np.uint8], kind: np.dtype[Any], shape: tuple[int, ...]) -> None:
        self._pool, self._buffer = pool, buffer
        self.__array_interface__ = {
            "shape": shape, "typestr": kind.str, "data": (buffer.ctypes.data, False), "version": 3,
        }

    def __del__(self) -> None:
        self._pool.give(self._buffer)


class CpuDevice:
    """Runs kernels on the calling thread; one instance may serve several threads, each with its own pool."""

    kind = "cpu"

    def __init__(self, variant: str | None = None) -> None:
        self.library = native.load(variant or native.chosen_variant())
        self._threads = threading.local()
        self._pools: list[Pool] = []

    @property
    def name(self) -> str:
        return f"cpu {self.library.variant}"

    @property
    def pool(self) -> Pool:
        pool: Pool | None = getattr(self._threads, "pool", None)
        if pool is None:
            self._guard()
            pool = self._threads.pool = Pool()
            self._pools.append(pool)
        return pool

    def trim(self) -> None:
        """Returns the memory that no tile uses to the system; between passes, whose tiles have other sizes."""
        for pool in self._pools:
            pool.clear()

    def _guard(self) -> None:
        faults = self.library.environment_faults()
        if faults:
            what = "subnormal numbers are flushed to zero" if faults & 1 else "rounding is not to nearest"
            raise DeviceError(
                f"this thread's floating-point mode was changed: {what}", where=threading.current_thread().name,
                next_step="a library loaded into this process changed it; run tilepipe in a process of its own",
            )

    def empty(self, shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> Array:
        """An uninitialised array from this thread's pool."""
        kind = np.dtype(dtype)
        count = int(np.prod(shape, dtype=np.int64))
        pool = self.pool
        return np.asarray(_Loan(pool, pool.take(count * kind.itemsize), kind, shape))

    def zeros(self, shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> Array:
        array = self.empty(shape, dtype)
        array.fill(0)
        return array

    def upload(self, array: Array) -> Array:
        """Host memory → this device's memory: here the same array, planes put apart where they are interleaved."""
        return np.ascontiguousarray(array) if is_interleaved(array) else np.asarray(array)

    def download(self, array: Array) -> Array:
        return np.asarray(array)

    def write(self, array: Array, target: Array) -> None:
        """A result → `target`, a view of memory."""
        np.copyto(target, array)

    @staticmethod
    def held(shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
        """Memory for a whole working picture."""
        return np.empty(shape, dtype)

    @staticmethod
    def result(shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
        """New memory for a whole result."""
        return np.empty(shape, dtype)

    @property
    def workers(self) -> int:
        """Threads that keep this device busy."""
        return usable_cores()

    @staticmethod
    def tile_px(workers: int) -> int:
        """The largest tile that is any use; `workers` share the memory."""
        return 2048

    @staticmethod
    def has_any(array: Array) -> bool:
        """True if not all values are 0."""
        return bool(array.any())

    @staticmethod
    def settled(array: Array) -> Array:
        """The array, when every thread may use it: here at once."""
        return array

    @staticmethod
    def locked(arrays: Sequence[Array], last: Array | None = None) -> contextlib.AbstractContextManager[None]:
        """Nothing to lock: kernels read memory as it is."""
        return contextlib.nullcontext()

    def tile(self, window: Window, picture: Shape, planes: tuple[str, ...]) -> Tile:
        """A new tile with uninitialised pixels."""
        return Tile(self.empty((len(planes), window.height, window.width)), window, picture, planes)

    @staticmethod
    def plane(array: Array, window: Window, picture: Shape) -> PlaneArgument:
        """One channel `(y, x)` as the kernels see it; rows must be contiguous."""
        if array.shape[1] > 1 and array.strides[1] != array.itemsize:
            raise ValueError("a plane's rows must be contiguous")
        return PlaneArgument(
            array.ctypes.data, array.strides[0] // array.itemsize,
            window.y, window.x, window.height, window.width, picture.height, picture.width,
        )

    def planes(self, tile: Tile, count: int | None = None) -> list[PlaneArgument]:
        """The tile's first `count` planes (all by default) as kernel arguments."""
        channels = tile.array[: count if count is not None else len(tile.planes)]
        return [self.plane(channel, tile.window, tile.picture) for channel in channels]

    def launch(
        self, kernel: Kernel, ins: Sequence[PlaneArgument], outs: Sequence[PlaneArgument], *, stack: Stack | None = None,
        **params: Any,
    ) -> None:
        """Runs a kernel over the whole window of its first output; with a `stack` as many times as it says."""
        kernel.check_planes(ins, outs)
        block = kernel.fill(ins, outs, params)
        run = self.library.function(kernel)
        if stack is None:
            run(ctypes.addressof(block), 0, outs[0].h)
            return
        for each in kernel.stacked(block, stack):
            run(each.ctypes.data, 0, outs[0].h)

    def tally(
        self, kernel: Kernel, ins: Sequence[PlaneArgument], over: PlaneArgument, bins: int, **params: Any
    ) -> npt.NDArray[np.int64]:
        """Exact integer sums of a TALLY kernel over the window `over`: int64 of length `bins`."""
        counts = np.zeros(bins, np.int64)
        target = PlaneArgument(counts.ctypes.data, 0, over.y0, over.x0, over.h, over.w, over.H, over.W)
        block = kernel.fill(ins, [target], params)
        self.library.function(kernel)(ctypes.addressof(block), 0, over.h)
        return counts

    def drive(self, kernel: Kernel, first: int = 0, last: int = 0, **params: Any) -> None:
        """Runs a host driver on its parameter block."""
        block = kernel.fill((), (), params)
        self.library.function(kernel)(ctypes.addressof(block), first, last)
