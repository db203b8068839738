"""Examines this machine: devices, variants of the kernels, floating-point modes, and that all variants agree."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass

import psutil

from tilepipe.device import native
from tilepipe.device.bandwidth import rates
from tilepipe.device.choose import open_device
from tilepipe.device.cores import usable_cores
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.selftest import differing, variant_digests
from tilepipe.errors import TilepipeError


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at."""

    what: str
    found: str
    good: bool = True


def examine() -> Iterator[Finding]:
    """Findings one by one, as they are made."""
    memory = psutil.virtual_memory()
    yield Finding("cores", str(usable_cores()))
    yield Finding("memory", f"{memory.total / (1 << 30):.1f} GiB, {memory.available / (1 << 30):.1f} GiB free")
    yield Finding("temporary disk", f"{shutil.disk_usage(tempfile.gettempdir()).free / (1 << 30):.1f} GiB free")
    yield from _variants()
    said: list[str] = []
    try:
        device = open_device("auto", said.append)
    except TilepipeError as error:
        yield Finding("device in use", str(error), False)
        return
    yield Finding("device in use", f"{device.name} ({said[0]})" if said else device.name)
    if device.kind == "gpu":
        wrong = differing(device)
        agree = f"{len(wrong)} kernels differ: {', '.join(wrong[:6])}" if wrong else "all kernels agree"
        yield Finding("same bits on the GPU as on the CPU", agree, not wrong)
    yield Finding("bandwidth", ", ".join(f"{name} {rate:.1f} GB/s" for name, rate in rates(device).items()))


def _variants() -> Iterator[Finding]:
    built = native.built_variants()
    yield Finding("kernel variants", ", ".join(built) or "none", bool(built))
    try:
        yield Finding("variant in use", native.chosen_variant())
        digests = {variant: variant_digests(variant) for variant in built}
    except TilepipeError as error:
        yield Finding("kernels", str(error), False)
        return
    for variant in built:
        faults = CpuDevice(variant).library.environment_faults()
        mode = "changed" if faults else "subnormals kept, rounding to nearest"
        yield Finding(f"floating point in {variant}", mode, not faults)
    first = digests[built[0]]
    same = all(found == first for found in digests.values())
    yield Finding("same bits in all variants", f"{len(first)} kernels agree" if same else "they differ", same)
