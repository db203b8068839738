"""Extended exposure fusion: frames enter as copies that keep a part of their range each."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from tilepipe.stages.fusion import ExposureFusion


class ExtendedFusion(ExposureFusion):
    """Exposure fusion of M = ⌈1/part⌉ copies of every frame (Hessel and Morel, WACV 2020; IPOL 2019).

    Copy k keeps values within part/2 of r_k = (1 − part/2) − k·(1 − part)/(M − 1) as they are and bends the rest towards
    them; its weight is exposure fusion's of the copy, times the slopes of the bend of its three colours. Memory and time
    are M times exposure fusion's; with `part` 1 the bits are exposure fusion's.
    """

    version: ClassVar[int] = 1

    part: float = Field(0.3, ge=0.1, le=1.0, description="Which part of a frame's range a copy keeps as it is (β).")
    bend: float = Field(0.125, ge=0.01, le=1.0, description="How far beyond it values may still reach (λ).")

    @property
    def middles(self) -> tuple[float, ...]:
        whole = int(1.0 / self.part)
        count = whole + (whole * self.part < 1.0)
        if count == 1:
            return (0.5,)
        return tuple((1.0 - self.part / 2.0) - k * (1.0 - self.part) / (count - 1) for k in range(count))

    def curve(self) -> dict[str, float]:
        half = self.part / 2.0
        return {"half": half, "above": half + self.bend, "below": half - self.bend, "bend": self.bend}
