"""What is known of a deliverable once it is written, and the refusal of one that reads back differently."""

from __future__ import annotations

from dataclasses import dataclass

from tilepipe.errors import StoreError
from tilepipe.geometry import Shape
from tilepipe.recipe.deliver import Deliverable

Found = list[dict[tuple[int, int], bytes]]  # region digests by place, one mapping per level


@dataclass(frozen=True)
class Written:
    """A file's size in bytes, the root digest of its codes at full size, and its picture's size."""

    file_bytes: int
    digest: str
    shape: Shape


def refuse_differing(item: Deliverable, same: bool, what: str) -> None:
    """Raises StoreError where something does not read back as it was written."""
    if not same:
        raise StoreError(
            "the file that was just written reads back differently", item.file_name, what,
            next_step="the disk or its connection may be failing: check it, then run again; the file is not kept",
        )
