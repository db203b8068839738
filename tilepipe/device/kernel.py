"""A kernel as Python declares it: planes in and out, reach, step and the C++ parameter text, word for word."""

from __future__ import annotations

import ctypes
import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import InitVar, dataclass, field
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt


class PlaneArgument(ctypes.Structure):
    """`Plane` of kernels/forms.h: one channel of a window, pitch in elements, global coordinates."""

    _fields_: ClassVar = [
        ("p", ctypes.c_void_p), ("pitch", ctypes.c_longlong),
        ("y0", ctypes.c_int), ("x0", ctypes.c_int), ("h", ctypes.c_int), ("w", ctypes.c_int),
        ("H", ctypes.c_int), ("W", ctypes.c_int),
    ]


_RUN = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int, ctypes.c_int)


class Entry(ctypes.Structure):
    """`Entry` of kernels/forms.h: one row of the library's table."""

    name: bytes
    params: bytes
    form: bytes
    source: bytes
    result: bytes
    ins: int
    outs: int
    reach: int
    step: int
    bytes: int
    run: Any
    _fields_: ClassVar = [
        *((text, ctypes.c_char_p) for text in ("name", "params", "form", "source", "result")),
        *((number, ctypes.c_int) for number in ("ins", "outs", "reach", "step", "bytes")),
        ("run", _RUN), ("next", ctypes.c_void_p),
    ]

    def next_pointer(self) -> Any:
        return ctypes.cast(self.next, ctypes.POINTER(Entry)) if self.next else None


_TYPES: dict[str, Any] = {
    "float": ctypes.c_float, "double": ctypes.c_double, "int": ctypes.c_int, "int64_t": ctypes.c_int64,
    "uint64_t": ctypes.c_uint64, "uint32_t": ctypes.c_uint32, "Plane": PlaneArgument,
}
_FIELD = re.compile(r"(?P<type>[A-Za-z_]\w*(?:\s*\*)?)\s*(?P<names>\w+(?:\[\d+\])?(?:\s*,\s*\w+(?:\[\d+\])?)*)$")


def parameter_fields(params: str) -> list[tuple[str, Any]]:
    """The C declaration `float gain; int level; float knots[64]; const float* table;` as ctypes fields."""
    fields: list[tuple[str, Any]] = []
    for statement in filter(None, (part.strip().removeprefix("const ").strip() for part in params.split(";"))):
        match = _FIELD.match(statement)
        if match is None:
            raise ValueError(f"cannot read the kernel parameter {statement!r}")
        written = match["type"].replace(" ", "")
        kind = ctypes.c_void_p if written.endswith("*") else _TYPES[written]
        for name in match["names"].split(","):
            plain, _, count = name.strip().partition("[")
            fields.append((plain, kind * int(count.rstrip("]")) if count else kind))
    return fields


_DECLARED: dict[str, Kernel] = {}


def declared_kernels() -> Mapping[str, Kernel]:
    """All kernels declared by the modules imported so far, by name."""
    return _DECLARED


@dataclass(frozen=True)
class Stack:
    """The same kernel `count` times in one launch, over planes that lie one after the other in memory.

    `ins`, `outs`: bytes from one time's plane to the next one's, for every plane of the kernel; 0: the same plane each time.
    `planes`: the same for planes among the parameters, by name; `numbers`: a parameter's value each time, by name.
    """

    count: int
    ins: Sequence[int]
    outs: Sequence[int]
    planes: Mapping[str, int] = field(default_factory=dict)
    numbers: Mapping[str, Sequence[Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Kernel:
    """A kernel's declaration; `form`: `at` (KERNEL, SPARSE), `tally` (TALLY: integer sums) or `driver` (DRIVER: host only)."""

    name: str
    ins: int = 0
    outs: int = 0
    reach: int = 0
    step: int = 1
    params: str = "int unused;"
    source: str = "float32"
    result: str = "float32"
    form: str = "at"
    header: str = ""  # the .h file that holds it, for the GPU's compiler
    example: Mapping[str, Any] = field(default_factory=dict, compare=False)  # parameters for the self-test
    declared: InitVar[bool] = True  # False for one that is read off the library's table

    def __post_init__(self, declared: bool) -> None:
        if declared:
            _DECLARED[self.name] = self

    @classmethod
    def of_entry(cls, entry: Entry) -> Kernel:
        """The kernel that a row of the library's table describes."""
        source, result = entry.source.decode() or "float32", entry.result.decode() or "float32"
        return cls(
            entry.name.decode(), entry.ins, entry.outs, entry.reach, entry.step, entry.params.decode(), source, result,
            entry.form.decode(), declared=False,
        )

    @functools.cached_property
    def parameters(self) -> type[ctypes.Structure]:
        return type(f"{self.name}_P", (ctypes.Structure,), {"_fields_": parameter_fields(self.params)})

    @functools.cached_property
    def block(self) -> type[ctypes.Structure]:
        """The argument block: planes in, planes out, parameters; a driver's block is its parameters alone."""
        if self.form == "driver":
            return self.parameters
        fields = [
            ("inputs", PlaneArgument * max(self.ins, 1)), ("outputs", PlaneArgument * max(self.outs, 1)),
            ("p", self.parameters),
        ]
        return type(f"{self.name}_Args", (ctypes.Structure,), {"_fields_": fields})

    @functools.cached_property
    def _names(self) -> frozenset[str]:
        return frozenset(entry[0] for entry in self.parameters._fields_) - {"unused"}

    def check_planes(self, ins: Sequence[PlaneArgument], outs: Sequence[PlaneArgument]) -> None:
        """Raises TypeError for another number of planes than the kernel takes."""
        if (len(ins), len(outs)) != (self.ins, self.outs):
            raise TypeError(f"kernel {self.name} takes {self.ins} → {self.outs} planes, not {len(ins)} → {len(outs)}")

    def fill(self, ins: Sequence[PlaneArgument], outs: Sequence[PlaneArgument], params: Mapping[str, Any]) -> Any:
        """An argument block ready to run; a parameter that is missing or unknown raises TypeError."""
        if params.keys() != self._names:
            raise TypeError(f"kernel {self.name}: parameters {sorted(params)} given, {sorted(self._names)} declared")
        block = self.block()
        target = block if self.form == "driver" else block.p
        for name, value in params.items():
            if isinstance(value, (list, tuple)):
                array = getattr(target, name)
                for index, item in enumerate(value):
                    array[index] = item
            else:
                setattr(target, name, value)
        if ins:
            block.inputs[: len(ins)] = ins
        if outs:
            block.outputs[: len(outs)] = outs
        return block

    def stacked(self, block: Any, stack: Stack) -> npt.NDArray[np.uint8]:
        """The block of every time, one after the other: uint8 `(count, bytes of a block)`."""
        size = ctypes.sizeof(block)
        made = np.empty((stack.count, size), np.uint8)
        made[:] = np.frombuffer(block, np.uint8)
        turns = np.arange(stack.count, dtype=np.int64)
        for offset, step in self._moving(stack):
            made[:, offset : offset + 8].view(np.int64)[:, 0] += turns * step
        first = type(block).p.offset
        for name, values in stack.numbers.items():
            kind, offset = self._kinds[name], first + getattr(self.parameters, name).offset
            made[:, offset : offset + ctypes.sizeof(kind)].view(np.dtype(kind))[:, 0] = values
        return made

    def _moving(self, stack: Stack) -> list[tuple[int, int]]:
        """(Where a plane's address lies in the block, its step), for planes that are not the same each time."""
        kind, plane = self.block, ctypes.sizeof(PlaneArgument)
        found = [(kind.inputs.offset + plane * i, step) for i, step in enumerate(stack.ins)]
        found += [(kind.outputs.offset + plane * i, step) for i, step in enumerate(stack.outs)]
        first = kind.p.offset
        found += [(first + getattr(self.parameters, name).offset, step) for name, step in stack.planes.items()]
        return [(offset, step) for offset, step in found if step]

    @functools.cached_property
    def _kinds(self) -> dict[str, Any]:
        return {entry[0]: entry[1] for entry in self.parameters._fields_}

    def faults(self, entry: Entry | None) -> list[str]:
        """How this declaration differs from the library's row, empty when they agree."""
        if entry is None:
            return [f"{self.name}: declared in Python, not in the library"]
        have: tuple[Any, ...] = (entry.form.decode(), entry.params.decode(), entry.bytes)
        want: tuple[Any, ...] = (self.form, self.params, ctypes.sizeof(self.block))
        if self.form != "driver":
            have += (entry.source.decode(), entry.result.decode(), entry.ins, entry.outs, entry.reach, entry.step)
            want += (self.source, self.result, self.ins, self.outs, self.reach, self.step)
        return [] if want == have else [f"{self.name}: Python declares {want}, the library has {have}"]
