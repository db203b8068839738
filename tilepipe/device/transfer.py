"""Copies between host memory and one GPU: straight where the host's pages are locked, else through a pinned buffer."""

from __future__ import annotations

import collections
import contextlib
import ctypes
import math
import mmap
import threading
import weakref
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
TABLE_BYTES = 1 << 20  # read-only arrays up to this size are tables: they stay on the GPU
TABLES = 256
POPULATING, PIECE_BYTES = 8, 4 << 20  # threads that make pages of a result, bytes at a time
_libc = ctypes.CDLL(None)
_POPULATE_WRITE = 23  # MADV_POPULATE_WRITE of madvise(2)
_UP, _DOWN = 1, 2  # cudaMemcpyHostToDevice, cudaMemcpyDeviceToHost
_LOCKED, _PORTABLE = 1, 1  # cudaMemoryTypeHost, cudaHostRegisterPortable


def is_interleaved(array: Any) -> bool:
    """True for `(plane, y, x)` that is a view of pixels with their channels side by side."""
    if array.ndim != 3 or array.shape[0] == 1:
        return False
    planes, item = array.shape[0], array.itemsize
    return bool(array.strides[0] == item and array.strides[2] == planes * item)


def block_of(array: Any) -> tuple[int, int]:
    """How many last axes lie without gaps, and the bytes of one such run."""
    run, axes = array.itemsize, 0
    for size, stride in zip(reversed(array.shape), reversed(array.strides), strict=True):
        if stride != run and size != 1:
            break
        run, axes = run * size, axes + 1
    return axes, run


def _pieces(first: int, nbytes: int) -> Iterator[tuple[int, int]]:
    """(Address, bytes) of whole pages inside, short enough for others to get memory in between."""
    page = mmap.PAGESIZE
    begin, end = -(-first // page) * page, (first + nbytes) // page * page
    return ((start, min(PIECE_BYTES, end - start)) for start in range(begin, end, PIECE_BYTES))


def _populate(array: Array, pieces: collections.deque[tuple[int, int]], begin: threading.Event) -> None:
    """Asks Linux to make pages now; where it does not know how (before 5.14), they are made when they are touched."""
    begin.wait()
    while array.nbytes:  # keeps the memory alive
        try:
            first, nbytes = pieces.popleft()
        except IndexError:
            return
        _libc.madvise(ctypes.c_void_p(first), ctypes.c_size_t(nbytes), _POPULATE_WRITE)


def _address(array: Any) -> int:
    first: int = array.__array_interface__["data"][0] if isinstance(array, np.ndarray) else array.data.ptr
    return first


class Transfers:
    """The copies of one GPU, each on the calling thread's stream."""

    def __init__(self, device: Any, cupy: Any) -> None:
        self._device, self._cupy, self._runtime = device, cupy, cupy.cuda.runtime
        self._tables: collections.OrderedDict[int, tuple[Array, Any]] = collections.OrderedDict()
        self._guard = threading.Lock()
        self._releasing: list[threading.Thread] = []
        self._making: list[threading.Thread] = []

    # ------------------------------------------------------------ host memory
    def pinned(self, shape: Sequence[int], kind: np.dtype[Any]) -> Array:
        count = math.prod(shape)
        memory = self._cupy.cuda.alloc_pinned_memory(max(count * kind.itemsize, 1))
        return np.frombuffer(memory, kind, count).reshape(shape)

    def is_locked(self, array: Array) -> bool:
        """True for memory that the GPU can read and write by itself."""
        return bool(self._runtime.pointerGetAttributes(_address(array)).type == _LOCKED)

    @contextlib.contextmanager
    def locked(self, arrays: Sequence[Array], last: Array | None) -> Iterator[None]:
        """Locks the pages of large arrays while the context lasts; what cannot be locked goes through pinned buffers.

        `last`, which is written at the end, is locked in a thread of its own meanwhile. Pages are unlocked in a thread too,
        which holds the arrays until it is done; the next call waits for it.
        """
        with self._guard:
            waiting, self._releasing = self._releasing, []
        for thread in waiting:
            thread.join()
        held: list[Array] = []
        beside = threading.Thread(target=self._lock_last, args=(last, held))
        try:
            self._lock(arrays, held)
            beside.start()
            yield
        finally:
            thread = threading.Thread(target=self._unlock, args=(beside, held))
            with self._guard:
                self._releasing.append(thread)
            thread.start()

    def _lock_last(self, last: Array | None, held: list[Array]) -> None:
        self._wait_for_pages()
        if last is not None:
            self._lock([last], held)

    def _wait_for_pages(self) -> None:
        """Locking holds up every launch, the longer the more pages are still to be made."""
        making, self._making = self._making, []
        for thread in making:
            thread.join()

    def _lock(self, arrays: Sequence[Array], held: list[Array]) -> None:
        self._device.use()
        for array in arrays:
            if array.flags.c_contiguous and array.nbytes > TABLE_BYTES and not self.is_locked(array):
                with contextlib.suppress(self._runtime.CUDARuntimeError):
                    self._runtime.hostRegister(_address(array), array.nbytes, _PORTABLE)
                    held.append(array)

    def _unlock(self, beside: threading.Thread, held: list[Array]) -> None:
        if beside.ident is not None:
            beside.join()
        self._device.use()
        while held:
            self._runtime.hostUnregister(_address(held[-1]))
            held.pop()

    def lock_while_alive(self, array: Array) -> Array:
        """The array, its pages locked until nothing refers to it any more."""
        self._wait_for_pages()
        held: list[Array] = []
        self._lock([array], held)
        if held:
            weakref.finalize(array, self._runtime.hostUnregister, _address(array))
        return array

    def populated(self, array: Array) -> Array:
        """A new array whose pages the system makes in threads of their own: locked one by one they take ten times as long."""
        if array.nbytes > TABLE_BYTES:
            pieces, begin = collections.deque(_pieces(_address(array), array.nbytes)), threading.Event()
            threads = [threading.Thread(target=_populate, args=(array, pieces, begin)) for _ in range(POPULATING)]
            for thread in threads:
                thread.start()
            self._making = threads
            begin.set()  # not before all are there: a new thread's own memory would wait for the pages
        return array

    # ------------------------------------------------------------ copies
    def up(self, array: Array, waiting: collections.deque[tuple[Any, Any]]) -> Any:
        """Host memory → the GPU without waiting; `waiting` keeps what the copy still reads."""
        if not array.flags.writeable and array.base is None and 0 < array.nbytes <= TABLE_BYTES:
            return self._table(array)
        return self._up(array, waiting)

    def _up(self, array: Array, waiting: collections.deque[tuple[Any, Any]]) -> Any:
        while waiting and waiting[0][0].done:
            waiting.popleft()
        beside = is_interleaved(array)
        given = array.transpose(1, 2, 0) if beside else array
        made = self._device.empty(given.shape, given.dtype)
        if not given.size:
            return made.transpose(2, 0, 1) if beside else made
        if not self._goes_straight(given):
            host = self.pinned(given.shape, given.dtype)
            np.copyto(host, given)
            given = host
        self._copy(made, given, _UP)
        waiting.append((self._device.stream.record(), given))
        return self._cupy.ascontiguousarray(made.transpose(2, 0, 1)) if beside else made

    def _table(self, array: Array) -> Any:
        with self._guard:
            known = self._tables.get(id(array))
            if known is None:
                made = self._up(array, collections.deque())
                self._device.stream.synchronize()  # other threads use it on streams of their own
                known = self._tables[id(array)] = (array, made)
                if len(self._tables) > TABLES:
                    self._tables.popitem(last=False)
            return known[1]

    def down(self, array: Any, target: Array) -> None:
        """The GPU → `target`, host memory of the same shape; complete on return."""
        beside = is_interleaved(target)
        given = self._cupy.ascontiguousarray(array.transpose(1, 2, 0) if beside else array)
        to = target.transpose(1, 2, 0) if beside else target
        straight = self._goes_straight(to)
        host = to if straight else self.pinned(to.shape, to.dtype)
        self._copy(host, given, _DOWN)
        self._device.synchronize()
        if not straight:
            np.copyto(to, host)

    def _goes_straight(self, array: Array) -> bool:
        forward = all(stride > 0 for stride, size in zip(array.strides, array.shape, strict=True) if size > 1)
        return forward and block_of(array)[0] > 0 and self.is_locked(array)

    def _copy(self, to: Any, source: Any, kind: int) -> None:
        """Runs of bytes; one of both sides may have gaps between them, from an axis on."""
        stream = self._device.stream.ptr
        if not source.size:
            return
        axes = min(block_of(to)[0], block_of(source)[0])
        if axes == source.ndim:
            self._runtime.memcpyAsync(_address(to), _address(source), source.nbytes, kind, stream)
            return
        run = source.itemsize * math.prod(source.shape[source.ndim - axes :])
        outer, rows = source.shape[: source.ndim - axes - 1], source.shape[source.ndim - axes - 1]
        for index in np.ndindex(*outer):
            here, there = to[index], source[index]
            pitches = [max(side.strides[0], run) for side in (here, there)]  # of a single row it may be anything
            self._runtime.memcpy2DAsync(
                _address(here), pitches[0], _address(there), pitches[1], run, rows, kind, stream)
