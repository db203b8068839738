"""Applies one step: its stage, as strongly as it says, where its mask says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tilepipe.device.kernel import Kernel, Stack
from tilepipe.device.tile import Tile
from tilepipe.geometry import Window
from tilepipe.recipe.model import Step

MIX = Kernel("mix_planes", 2, 1, params="float strength;", header="mix.h")
WHERE = Kernel("mix_where", 3, 1, params="float strength;", header="mix.h")


def applied(device: Any, step: Step, before: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
    """The pixels of `wanted` after the step; where its mask is nothing all over, the stage is not run."""
    mask = mask_of(device, step, before, wanted, facts)
    if mask is not None and not device.has_any(mask):
        return before.cut(wanted)
    return mixed(device, step, before, step.stage.run(device, before, wanted, facts), mask)


def mask_of(device: Any, step: Step, before: Tile, wanted: Window, facts: Mapping[str, Any]) -> Any:
    """The plane of the step's mask over `wanted`, measured in the step's own input; None where it has none."""
    return None if step.where is None else step.where.plane(device, before, wanted, facts)


def mixed(device: Any, step: Step, before: Tile, after: Tile, mask: Any) -> Tile:
    """What was before and what the stage made, by the step's strength and mask, in its own domain; 0 and 1 are exact."""
    if mask is None and step.strength == 1.0:
        return after
    made: Tile = device.tile(after.window, after.picture, after.planes)
    if len(after.planes) > 3:
        made.array[3:] = after.array[3:]
    kernel, beside = MIX, []
    if mask is not None:
        kernel, beside = WHERE, [device.plane(mask, after.window, after.picture)]
    low, high, out = (device.planes(tile, 1)[0] for tile in (before.cut(after.window), after, made))
    steps = [int(tile.array.strides[0]) for tile in (before, after)] + [0] * len(beside)
    stack = Stack(3, steps, [int(made.array.strides[0])])
    device.launch(kernel, [low, high, *beside], [out], stack=stack, strength=step.strength)
    return made
