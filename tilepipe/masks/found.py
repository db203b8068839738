"""Masks that earlier steps found on the base frame: what moved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from pydantic import Field, field_validator

from tilepipe.device.tile import Tile
from tilepipe.errors import PlanError
from tilepipe.geometry import Shape, Window
from tilepipe.masks.image import over_base
from tilepipe.masks.mask import Mask, Source


class _Found(Mask):
    """A map over the base frame, left in `facts["maps"]` by the step that found it.

    The map is a mapping with `array`, numbers `(rows, cols)` that cover the whole base frame; those of `moved` are group
    numbers, 0 for none. Its digest stands in the fact that `needs` names, which enters the key.
    """

    source: ClassVar[Source] = "found"
    step: ClassVar[str] = ""

    def _map(self, facts: Mapping[str, Any]) -> Any:
        maps = facts.get("maps") or {}
        if self.name not in maps:
            raise PlanError(
                f"nothing has been found for the mask `{self.name}`", where=self.name, found="no such step before",
                next_step=f"add the step `{self.step}`, or use another mask",
            )
        return np.asarray(maps[self.name]["array"])

    def _values(self, found: Any) -> Any:
        """float32 `(rows, cols)`, 0 to 1."""
        return found.astype(np.float32)

    def plane(self, device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
        values = self._values(self._map(facts))
        rows, cols = values.shape

        def read(window: Window) -> Any:
            return values[window.rows, window.cols]

        return over_base(device, self.lie(tile.picture), read, Shape(rows, cols), 1.0, tile, wanted)


class Moved(_Found):
    """What moved between the frames, as the step that settles movement found it."""

    name: ClassVar[str] = "moved"
    needs: ClassVar[tuple[str, ...]] = ("motion",)
    step: ClassVar[str] = "motion"

    groups: tuple[int, ...] = Field((), description="Only these groups, by the numbers that the report lists; none: all.")

    @field_validator("groups")
    @classmethod
    def _are_numbers(cls, groups: tuple[int, ...]) -> tuple[int, ...]:
        if any(group < 1 for group in groups):
            raise ValueError("groups are numbered from 1")
        return groups

    def _values(self, found: Any) -> Any:
        return (np.isin(found, self.groups) if self.groups else found != 0).astype(np.float32)
