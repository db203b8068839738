"""Which steps may follow which, and how often each: the rules of a recipe, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence

from tilepipe.recipe.faults import FaultList
from tilepipe.recipe.layers import DraftStep
from tilepipe.recipe.node import Node
from tilepipe.stages.radiance import MOST_FRAMES
from tilepipe.stages.stage import Kind

_ONCE_KINDS: tuple[Kind, ...] = ("measure", "blend")
_ONCE_NAMES = ("white_balance", "display")  # each says what the whole picture is, so a second one contradicts it
_TWO_FRAMES = 2
_OF_ONE_FRAME = ("lens_spots",)  # measuring steps that one frame is enough for
_NAMING_FRAMES = {"motion": ("overrides",), "blend": ("frames",)}  # lists whose entries say `frame`


def check_order(steps: Sequence[DraftStep], frames: int | None, node: Node, faults: FaultList) -> None:
    """Notes every break of the rules among the steps that are on; `frames` is None where their number is unknown."""
    active = [step for step in steps if step.is_on]
    _once(active, faults)
    blends = [position for position, step in enumerate(active) if _kind(step) == "blend"]
    if blends:
        _around_blend(active, blends[0], faults)
    if frames is not None:
        _against_frames(active, bool(blends), frames, node, faults)


def _kind(step: DraftStep) -> Kind | None:
    return step.stage.kind if step.stage else None


def _once(active: Sequence[DraftStep], faults: FaultList) -> None:
    first: dict[str, DraftStep] = {}
    for step in active:
        name = step.stage_name
        if name in first and (_kind(step) in _ONCE_KINDS or name in _ONCE_NAMES):
            faults.at(
                step.node, step.address, f"is there twice; the first is {first[name].address}", found=name,
                allowed="once", next_step="remove one, or switch it off with `on: false`",
            )
        first.setdefault(name, step)
    blends = [step for step in active if _kind(step) == "blend"]
    for step in blends[1:]:
        if step.stage_name != blends[0].stage_name:
            faults.at(
                step.node, step.address, f"joins the frames again; {blends[0].address} did so already",
                found=step.stage_name, allowed="one step that joins frames", next_step="remove one of them",
            )


def _around_blend(active: Sequence[DraftStep], blend: int, faults: FaultList) -> None:
    name = active[blend].stage_name
    for step in active[:blend]:
        if _kind(step) not in ("measure", "blend"):
            reason = "moves pixels" if _kind(step) == "geometry" else "works on the one joined picture"
            faults.at(
                step.node, step.address, f"stands before `{name}`, but {reason}", found=step.stage_name,
                next_step=f"move it behind `{name}`",
            )
    for step in active[blend + 1 :]:
        if _kind(step) == "measure":
            faults.at(
                step.node, step.address, f"stands behind `{name}`, but measures the single frames",
                found=step.stage_name, next_step=f"move it before `{name}`",
            )


def _against_frames(
    active: Sequence[DraftStep], blended: bool, frames: int, node: Node, faults: FaultList
) -> None:
    if frames >= _TWO_FRAMES and not blended:
        faults.at(
            node, "steps", "has no step that joins the frames", found=f"{frames} frames", on_key=True,
            next_step="add `- blend: {method: radiance}`, or give one frame only",
        )
    if frames > MOST_FRAMES and blended:
        faults.at(
            node, "frames", "are more than can be joined", found=f"{frames} frames", allowed=f"1 to {MOST_FRAMES}",
            on_key=True, next_step="leave out some: a bracket rarely needs more than one frame for each two stops",
        )
    _named_frames(active, frames, faults)
    if frames >= _TWO_FRAMES:
        return
    for step in active:
        if _kind(step) in ("blend", "measure") and step.stage_name not in _OF_ONE_FRAME:
            faults.at(
                step.node, step.address, "needs two frames or more", found="1 frame",
                next_step="add frames of other exposures, or remove this step to develop the one frame",
            )


def _named_frames(active: Sequence[DraftStep], frames: int, faults: FaultList) -> None:
    """Steps that name frames by number, 1 = the darkest, name such that are there."""
    for step in active:
        for key in _NAMING_FRAMES.get(step.stage_name, ()):
            entries = step.values.mapping.get(key)
            for index, entry in enumerate(entries.items if entries is not None else ()):
                node = entry.mapping.get("frame")
                if node is not None and type(node.value) is int and node.value > frames:
                    faults.at(
                        node, f"{step.address}.{key}[{index}].frame", "names a frame that is not there",
                        allowed=f"1 to {frames}, 1 = the darkest", next_step="name one of these",
                    )
