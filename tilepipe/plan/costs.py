"""What passes cost: memory of a tile and of a worker, bytes on the disk, seconds; made without reading a pixel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tilepipe.device.tile import COVERAGE
from tilepipe.geometry import Shape, Window
from tilepipe.measure.lookout import cell_px
from tilepipe.measure.motion import CELL_PX, pairs_of
from tilepipe.measure.spot_levels import spots_bytes
from tilepipe.plan.chain import scratch_bytes
from tilepipe.plan.job import FrameSketch, Job
from tilepipe.plan.passes import (
    FRAMES,
    DeliverPass,
    MotionPass,
    Pass,
    PixelPass,
    RefinePass,
    SolvePass,
    SurveyPass,
    TileWindows,
    UnpackPass,
)
from tilepipe.stages.blend import Blend
from tilepipe.stages.deep import DeepStage
from tilepipe.stages.fusion import ExposureFusion

MIB = 1 << 20
# Host memory beside the tiles, from measured runs (scripts/show_memory.py): the interpreter with all libraries and the
# compiled kernels; a worker's idle buffers; what packing a deliverable takes for each worker and plane, whatever the
# picture's size: 15 to 27 MiB, the most for scene-linear files with their colours changed (JPEG files come on top).
PROCESS_BYTES = 128 * MIB
WORKER_BYTES = 16 * MIB
DELIVER_PLANE_BYTES = 28 * MIB
SURVEY_TILE = Shape(1024, 1024)
REDUCED_PX, REDUCED_BYTES = 1500, 26  # the survey's sums: three int64 planes per frame, and two of uint16 made of them
SETTLED_PLANES, SETTLE_SCRATCH_PLANES = 11, 34  # of each frame once more and what it keeps; of what one is made in
LOOK_ROWS = 128  # of a joined tile, looked at in one go: shares, coverage and the merge once more
MOTION_PLANES = 7  # of a pair: verdict, mean, difference, level; green around, of both; a full coverage
MOTION_CELL_BYTES = 40  # a frame and cell: its maps, and what grouping them takes for a moment
SOLVE_PLANES = 12  # of the hand-over level that solving local contrast keeps beside it
# Nanoseconds per pixel and worker, from the demo's pass times in its receipt (6 MP × 4 raw, two cores of a server
# processor); they only feed the estimate of time.
NANOSECONDS = {
    "unpack": 30.0, "survey": 270.0, "mosaic": 160.0, "colour": 60.0, "point": 35.0, "deep": 120.0, "deliver": 200.0,
    "motion": 25.0,
}
REFINE_SECONDS = 3.0  # of one worker, for each bracket that is aligned

def pass_bytes(job: Job, step: Pass, workers: int, facts: Mapping[str, Any]) -> int:
    """What a pass takes beside the process itself and what reading threads keep."""
    if isinstance(step, UnpackPass):
        return job.frames[step.frame].decode_bytes
    if isinstance(step, SurveyPass):
        return _survey_bytes(job, workers)
    if isinstance(step, MotionPass):
        return _motion_bytes(job, step, workers)
    if isinstance(step, PixelPass):
        return workers * (_tile_bytes(job, step, facts) + WORKER_BYTES) + _look_bytes(job, step)
    if isinstance(step, SolvePass):
        return _solve_bytes(step)
    if isinstance(step, DeliverPass):
        return workers * step.planes * DELIVER_PLANE_BYTES
    return 0


def _look_bytes(job: Job, step: PixelPass) -> int:
    """What looking at the blend sums up over the whole picture: shares, noise and clipping of each cell."""
    if step.source != FRAMES or step.part == "down" or not job.identified:
        return 0
    side = cell_px(step.shape)
    cells = (step.shape.height // side + 1) * (step.shape.width // side + 1)
    return cells * (8 * (len(job.frames) + 4) + 1)


def _survey_bytes(job: Job, workers: int) -> int:
    """The sums of all frames' reduced pictures, and one decoded tile a worker."""
    factor = -(-max(job.shape.height, job.shape.width) // REDUCED_PX)
    sums = len(job.frames) * (job.shape.pixels // (factor * factor)) * REDUCED_BYTES
    tile = SURVEY_TILE.whole.cut(job.shape)
    if "lens_spots" in job.measured:
        sums += spots_bytes(job.shape, len(job.frames), workers)
    return sums + workers * (max(_decoding_bytes(frame, tile) for frame in job.frames) + WORKER_BYTES)


def _motion_bytes(job: Job, step: MotionPass, workers: int) -> int:
    """All frames' tiles and what compares two of them a worker, and the maps of the whole picture."""
    reading, given = _frames_bytes(job, step.tile.whole.cut(step.shape))
    comparing = given + MOTION_PLANES * 4 * step.tile.pixels
    cells = step.shape.pixels // (CELL_PX * CELL_PX)
    return workers * (max(reading, comparing) + WORKER_BYTES) + cells * len(job.frames) * MOTION_CELL_BYTES


def _middle_tile(step: PixelPass) -> Window:
    """A tile away from the border, where margins are whole."""
    grid = step.grid
    return grid[(grid.rows // 2) * grid.cols + grid.cols // 2]


def _tile_bytes(job: Job, step: PixelPass, facts: Mapping[str, Any]) -> int:
    """The most that is alive while one tile is made, from its source to what writing it copies."""
    wanted = _middle_tile(step)
    windows = step.windows(wanted, facts)
    planes = max(len(job.planes), len(step.names))
    made = wanted.pixels * step.planes * 4
    if step.source == FRAMES:
        source, given = _frames_bytes(job, windows.source)
        if "motion" in job.measured:
            given += windows.source.pixels * 4 * (SETTLED_PLANES * len(job.frames) + SETTLE_SCRATCH_PLANES)
        if step.part != "down" and job.identified:
            given += 4 * LOOK_ROWS * windows.source.width * (3 * len(job.frames) + 8)
    else:
        source = scratch_bytes(step.before, windows.before[-1], planes, facts)
        given = windows.before[-1].pixels * planes * 4
    head = given
    if step.head is not None:
        head += windows.head.pixels * step.planes * 4 + _head_scratch(job, step, windows)
        if step.head.where is not None and step.part == "up":
            head += windows.head.pixels * planes * 4 + step.head.where.scratch_bytes(windows.head)
    after = scratch_bytes(step.after, wanted, step.planes, facts) if step.part != "down" else 0
    return max(source, head, given + after if step.head is None else after, 2 * made)


def _head_scratch(job: Job, step: PixelPass, windows: TileWindows) -> int:
    """What the head keeps beside its input and output, at the hand-over level of this plan."""
    assert step.head is not None
    stage = step.head.stage
    if step.part == "whole":
        return stage.scratch_bytes(windows.head, sum(frame.aligned_planes for frame in job.frames))
    assert isinstance(stage, DeepStage)
    shape, area, covered = step.before.result, windows.head, COVERAGE in step.names
    if step.part == "down":
        scale = 1 << step.level
        area = Window(area.y * scale, area.x * scale, area.height * scale, area.width * scale).cut(shape)
    if not isinstance(stage, Blend):
        return stage.deep_scratch_bytes(area, step.level, shape, covered)
    frames = len(job.frames)
    covered = covered or any(frame.aligned_planes > frame.decoded_planes for frame in job.frames)
    if not isinstance(stage.deep, ExposureFusion):
        return stage.deep.deep_scratch_bytes(area, step.level, shape, covered, frames=frames)
    shown = windows.before[-1].pixels * frames * 4 * (8 if covered else 3)  # covered: some of them once more before that
    return shown + stage.deep.deep_scratch_bytes(area, step.level, shape, covered, frames=frames)


def _frames_bytes(job: Job, wanted: Window) -> tuple[int, int]:
    """(The most while the frames are read one by one, what all of them are at the end); the base stays as decoded."""
    results = [
        wanted.pixels * 4 * (frame.decoded_planes if index == job.base else frame.aligned_planes)
        for index, frame in enumerate(job.frames)
    ]
    total = sum(results)
    reading = [
        total - made + max(_decoding_bytes(frame, wanted), _decoded(frame, wanted) + made)
        for frame, made in zip(job.frames, results, strict=True)
    ]
    return max(reading), total


def _decoded(frame: FrameSketch, wanted: Window) -> int:
    return wanted.padded(frame.margin_px).cut(frame.shape).pixels * 4 * frame.decoded_planes


def _decoding_bytes(frame: FrameSketch, wanted: Window) -> int:
    padded = wanted.padded(frame.margin_px).cut(frame.shape).pixels
    return padded * (frame.pixel_bytes + 4 * (frame.decoded_planes + frame.scratch_planes))


def _solve_bytes(step: SolvePass) -> int:
    """The level itself, and what solving it keeps beside: a few planes, or as much again where frames are fused."""
    beside = step.planes * 2 if step.head.stage.kind == "blend" else step.planes // 5 + SOLVE_PLANES
    return step.shape.halved(step.level).pixels * (step.planes + beside) * 4


def picture_bytes(job: Job, passes: Sequence[Pass]) -> dict[str, int]:
    """The bytes of each working picture, by its name in the working folder."""
    found: dict[str, int] = {}
    for step in passes:
        if isinstance(step, UnpackPass):
            found[step.name] = step.shape.pixels * job.frames[step.frame].pixel_bytes
        elif isinstance(step, PixelPass):
            found[step.output] = step.shape.pixels * step.planes * 4
    return found


def seconds_of(job: Job, passes: tuple[Pass, ...], workers: int) -> float:
    """About how long the passes take: for people to plan by, nothing depends on it."""
    total = 0.0
    for step in passes:
        if isinstance(step, UnpackPass):
            total += step.shape.pixels * NANOSECONDS["unpack"]
        elif isinstance(step, SurveyPass):
            total += step.shape.pixels * step.frames * NANOSECONDS["survey"]
        elif isinstance(step, PixelPass):
            total += _pass_nanoseconds(job, step)
        elif isinstance(step, DeliverPass):
            total += step.shape.pixels * NANOSECONDS["deliver"]
        elif isinstance(step, MotionPass):
            reading = sum(NANOSECONDS["mosaic" if frame.mosaic else "colour"] for frame in job.frames)
            total += step.shape.pixels * (reading + len(pairs_of(job.base, len(job.frames))) * NANOSECONDS["motion"])
        elif isinstance(step, RefinePass):
            total += REFINE_SECONDS * 1e9
    return total / workers / 1e9


def _pass_nanoseconds(job: Job, step: PixelPass) -> float:
    pixels = step.before.result.pixels if step.part == "down" else step.shape.pixels
    each = NANOSECONDS["point"] * (1 + len(step.before.steps) + len(step.after.steps))
    if step.source == FRAMES:
        each += sum(NANOSECONDS["mosaic" if frame.mosaic else "colour"] for frame in job.frames)
    if step.part != "whole":
        each += NANOSECONDS["deep"]
    return pixels * each


def size_text(count: float) -> str:
    """A number of bytes as a person reads it."""
    return f"{count / (1 << 30):.2f} GiB" if count >= 1 << 30 else f"{count / MIB:.0f} MiB"
