"""The movement pass of a run: aligned frames read once more, tile by tile; groups into the facts, memberships kept."""

from __future__ import annotations

import base64
import hashlib
import zlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from tilepipe.digest import key_of
from tilepipe.geometry import Grid
from tilepipe.measure.motion import CELL_PX, REACH_PX, MotionSum
from tilepipe.measure.motion import VERSION as COUNTS_VERSION
from tilepipe.measure.motion_groups import AVERAGE, Groups
from tilepipe.measure.motion_groups import VERSION as GROUPS_VERSION
from tilepipe.plan.passes import MotionPass
from tilepipe.stages.motion import Motion
from tilepipe.stages.settle import VERSION as SETTLE_VERSION
from tilepipe.stages.settle import SettleMaps, in_primaries

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution


def find_motion(run: Execution, step: MotionPass) -> tuple[dict[str, Any], SettleMaps | None]:
    """The facts `motion` and `maps`, and the memberships (None where nothing moved), measured or recalled."""
    stage = next(each.stage for each in run.job.steps if isinstance(each.stage, Motion))
    parts = {
        "motion": [Motion.version, COUNTS_VERSION, GROUPS_VERSION], "parameters": stage.parameters(),
        "frames": run.frames_key(),
    }
    key = key_of(parts)
    local = all(feed.linear for feed in run.feeds)  # an encoded frame's curve is no light: what agrees there is chance
    known = run.workspace.recall("motion", key)
    if known is None:
        known = _kept(_measured(run, step, stage, local), local)
        run.workspace.remember("motion", key, known)
    facts = {
        "cell_px": CELL_PX, "digest": known["digest"], "settle": SETTLE_VERSION,
        "groups": [{**group, **_names(run, group)} for group in known["groups"]],
    }
    labels = _unpacked(known["labels"], "<u2", known["shape"][1:])
    return {"motion": facts, "maps": {**run.facts.get("maps", {}), "moved": {"array": labels}}}, _maps(known)


def _names(run: Execution, group: Mapping[str, Any]) -> dict[str, Any]:
    """The frames of a group by name."""
    names = [frame["name"] for frame in run.facts["frames"]]
    disagree = [[names[one], names[other]] for one, other in group["disagree"]]
    return {"name": "average" if group["frame"] == AVERAGE else names[group["frame"]], "disagree": disagree}


def motion_for_key(facts: Mapping[str, Any]) -> list[Any]:
    """What settled pixels depend on beside the frames."""
    motion = facts.get("motion")
    return [{"motion": motion["digest"], "settle": motion["settle"]}] if motion and motion["groups"] else []


def _measured(run: Execution, step: MotionPass, stage: Motion, local: bool) -> Groups:
    base = run.facts["base"]
    frames = [
        {**frame, "encoded": not feed.linear} for frame, feed in zip(run.facts["frames"], run.feeds, strict=True)
    ]
    facts = {**run.facts, "frames": frames}
    grid = Grid(step.shape, step.tile.height, step.tile.width)
    total = MotionSum(step.shape, base, len(frames))

    def work(index: int) -> None:
        window = grid[index]
        around = window.padded(REACH_PX).cut(step.shape)
        tiles = [
            in_primaries(run.device, feed.tile(run.device, around), frame, frames[base])
            for feed, frame in zip(run.feeds, frames, strict=True)
        ]
        total.add(window, *stage.measure_window(run.device, tiles, window, facts))

    run.engine.run_bag(step.name, range(len(grid)), work)
    return stage.groups(total.maps, frames, local)


def _kept(groups: Groups, local: bool) -> dict[str, Any]:
    """Groups as JSON values; the memberships packed, for they are mostly 0."""
    raw, alone = (np.ascontiguousarray(part).tobytes() for part in (groups.weights, groups.alone))
    own = hashlib.blake2b(alone, digest_size=32).hexdigest() if local else None
    return {
        "groups": groups.facts, "alone": _packed(alone) if local else None, "choices": list(groups.choices),
        "shape": list(groups.weights.shape), "weights": _packed(raw),
        "labels": _packed(groups.labels.astype("<u2").tobytes()),
        "digest": key_of([own, list(groups.choices), hashlib.blake2b(raw, digest_size=32).hexdigest()]),
    }


def _packed(raw: bytes) -> str:
    return base64.b64encode(zlib.compress(raw, 6)).decode("ascii")


def _unpacked(packed: str, dtype: str, shape: Sequence[int]) -> npt.NDArray[Any]:
    return np.frombuffer(zlib.decompress(base64.b64decode(packed)), dtype).reshape(shape)


def _maps(known: Mapping[str, Any]) -> SettleMaps | None:
    if not known["choices"]:
        return None
    alone = _unpacked(known["alone"], "u1", known["shape"][1:]) if known["alone"] else None
    return SettleMaps(tuple(known["choices"]), _unpacked(known["weights"], "u1", known["shape"]), CELL_PX, alone=alone)

