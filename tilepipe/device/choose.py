"""Opens the device that was wished for, and refuses one whose bits are not the CPU's."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable

from tilepipe.device import native, nvrtc, selftest
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.gpu import GpuDevice, cupy_module, device_count
from tilepipe.device.lanes import GpuLanes
from tilepipe.errors import DeviceError

Device = CpuDevice | GpuDevice | GpuLanes
WISHES = "auto, cpu, cpu v2 (or another variant), gpu, gpu:N, gpu:N,M, gpu:all"
_WISH = re.compile(r"(?P<auto>auto)|cpu(?: (?P<variant>\w+))?|(?P<gpu>gpu)(?::(?P<cards>all|\d+(?:,\d+)*))?")


def open_device(wish: str = "auto", tell: Callable[[str], None] | None = None) -> Device:
    """The device for `auto`, `cpu`, `cpu v3`, `gpu`, `gpu:N`, `gpu:0,1` or `gpu:all`, examined.

    `auto` takes the first GPU where one is usable, else the CPU, and hands `tell` one sentence that says why. Raises
    DeviceError where the wish cannot be met.
    """
    match = _WISH.fullmatch(wish.strip())
    if match is None:
        raise DeviceError("this is no device", where="device", found=wish, allowed=WISHES)
    if match["auto"]:
        return _best(tell or (lambda sentence: None))
    if match["gpu"]:
        return _cards(match["cards"] or "0")
    return _cpu(match["variant"])


def _cards(wish: str) -> GpuDevice | GpuLanes:
    """One card, or a lane for each of several."""
    numbers = range(device_count()) if wish == "all" else sorted({int(number) for number in wish.split(",")})
    cards = [_gpu(number) for number in numbers]
    return cards[0] if len(cards) == 1 else GpuLanes(cards)


def _best(tell: Callable[[str], None]) -> Device:
    try:
        return _gpu()
    except DeviceError as error:
        device = CpuDevice()
        tell(f"{_sentence(error)}; {device.name} is used")
        return device


def _sentence(error: DeviceError) -> str:
    fault = error.faults[0]
    return f"{fault.what} ({fault.found})" if fault.found else fault.what


def _cpu(variant: str | None) -> CpuDevice:
    built = native.built_variants()
    if variant and variant not in built:
        raise DeviceError(
            "this instruction-set variant cannot be used here", where="device", found=f"cpu {variant}",
            allowed=", ".join(f"cpu {name}" for name in built) or "none is built",
        )
    return CpuDevice(variant)


# ---------------------------------------------------------------- examination
_opened: dict[tuple[int, int], GpuDevice] = {}  # by CuPy's module and the card's number
_opening = threading.Lock()


def _gpu(index: int = 0) -> GpuDevice:
    """A card is examined once in a process, and then keeps its loaded kernels."""
    place = (id(cupy_module()), index)
    with _opening:
        if place not in _opened:
            _opened[place] = _examined(GpuDevice(index))
        return _opened[place]


def _examined(device: GpuDevice) -> GpuDevice:
    """All kernels at the first use of a card, driver, compiler or text; what all stand on every time."""
    stamp = nvrtc.cache_folder() / "examined" / _examination_key(device)
    known = stamp.exists()
    if not known:
        device.prepare()
    wrong = selftest.differing(device, first_only=known, rounds=1)
    if wrong:
        shown = ", ".join(wrong[:6]) + (f" and {len(wrong) - 6} more" if len(wrong) > 6 else "")
        raise DeviceError(
            "this GPU does not compute the CPU's bits", where=device.name,
            found=f"{len(wrong)} kernels differ: {shown}",
            next_step="update its driver, see `tilepipe doctor`, or run with --device cpu",
        )
    if not known:
        nvrtc.write_whole(stamp, b"")
    device.guard_threads()
    return device


def _examination_key(device: GpuDevice) -> str:
    parts = [device.identity, ".".join(map(str, nvrtc.compiler().version)), *nvrtc.OPTIONS, native.text_hash()]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]
