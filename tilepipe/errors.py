"""Every error a person can meet, as a tree.

TilepipeError
├── InputError      a file or frame cannot be used (exit 2)
├── RecipeError     a recipe has faults; carries all of them (exit 2)
├── PlanError       the job cannot work as asked: memory, disk, folders (exit 2)
├── DeviceError     a device is missing, refuses or fails its self-test (exit 2)
├── StoreError      a working folder or store is damaged or in use (exit 2)
├── PixelError      a stage produced a value that is not finite (exit 3)
└── VerifyError     recomputed pixels differ from a receipt (exit 4)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, told to the person who must act: what, where, found, allowed, next step."""

    what: str
    where: str = ""
    found: str = ""
    allowed: str = ""
    next_step: str = ""

    def __str__(self) -> str:
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        labelled = (("found", self.found), ("allowed", self.allowed), ("next", self.next_step))
        parts += [f"    {label}: {text}" for label, text in labelled if text]
        return "\n".join(parts)


class TilepipeError(Exception):
    """The root of the tree; `faults` holds everything that is wrong, not only the first."""

    exit_code = 2

    def __init__(
        self, what: str = "", where: str = "", found: str = "", allowed: str = "", next_step: str = "",
        *, faults: Sequence[Fault] = (),
    ) -> None:
        told = dict.fromkeys(faults)  # one thing that is wrong is told once, however often it was met
        self.faults = tuple(told) or (Fault(what, where, found, allowed, next_step),)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class InputError(TilepipeError):
    """A file or frame cannot be used as it is."""


class RecipeError(TilepipeError):
    """A recipe has faults, all of them listed with their addresses."""


class PlanError(TilepipeError):
    """The job cannot work as asked; the message has the numbers and at least two ways out."""


class DeviceError(TilepipeError):
    """A device is missing, has the wrong library, or fails its self-test."""


class StoreError(TilepipeError):
    """A working folder or store is damaged, or another run holds it."""


class PixelError(TilepipeError):
    """A stage produced a value that is not finite."""

    exit_code = 3


class VerifyError(TilepipeError):
    """Recomputed pixels differ from those a receipt vouches for."""

    exit_code = 4
