"""Every registered stage, on every device and tile size: the same bits, and those that its version stands for.

Nothing here knows a stage by name. Parameters are made up from a stage's fields (units, ranges, options, examples),
pictures from integer hashes; a stage that this cannot handle fails with a sentence that says what it lacks.
`TILEPIPE_STORE_DIGESTS=1` stores the digests of new cases; a changed one is stored only with a new version number.
"""

from __future__ import annotations

import enum
import functools
import itertools
import json
import os
import re
import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import annotated_types
import numpy as np
import pytest
from pydantic import BaseModel, ValidationError, WithJsonSchema

from tilepipe.device import native
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.gpu import GpuDevice, device_count
from tilepipe.device.selftest import hashed
from tilepipe.device.tile import COLOUR, COVERAGE, Tile
from tilepipe.digest import key_of
from tilepipe.errors import DeviceError, TilepipeError
from tilepipe.geometry import Grid, Shape, Window
from tilepipe.measure.align import align_combine, refine_partial
from tilepipe.measure.match import match
from tilepipe.measure.motion import REACH_PX as MOTION_REACH_PX
from tilepipe.measure.motion import MotionSum
from tilepipe.measure.reduced import survey
from tilepipe.measure.spot_levels import SpotLevels
from tilepipe.measure.spot_search import search, search_tasks
from tilepipe.measure.spot_sightings import sightings
from tilepipe.stages.align import Align
from tilepipe.stages.lens_spots import LensSpots, candidates_of
from tilepipe.stages.match import Match
from tilepipe.stages.motion import Motion
from tilepipe.stages.spot_look import look
from tilepipe.stages.stage import Stage, all_stages
from tilepipe.units import Length

STORED = Path(__file__).with_name("stage_digests.json")
STORE_VARIABLE = "TILEPIPE_STORE_DIGESTS"
SHAPE = Shape(61, 83)  # no multiple of anything
SURVEYED = Shape(211, 307)
TILES = (23, 40)
LEVELS = (1, 3)  # hand-over levels of deep stages
PEAKS = ("peak_red", "peak_green", "peak_blue")
MEASURED_CASES = 3  # the others change only how the same integers are read
LIGHTS = (0.25, 1.0, 3.0)
_MATRIX = (0.9, 0.08, 0.02, 0.05, 0.9, 0.05, 0.01, 0.12, 0.87)
FACTS: dict[str, Any] = {  # invented; what a run would have measured
    "frames": [
        {"light": light, "shot": 3.2e-4, "read": 4.3e-6, "clip": 1.0, "to_working": list(_MATRIX)} for light in LIGHTS
    ],
    "base": 1, "as_shot": {"kelvin": 5200.0, "duv": 0.004}, "scene": {"log_average_stops": -5.1, "bright_stops": 0.5},
    "shape": {"height": SHAPE.height, "width": SHAPE.width},
}


class Unknown(Exception):
    """Says what a stage lacks for this test to make it up."""


# ---------------------------------------------------------------- parameters
def values_of(annotation: Any, metadata: Sequence[Any] = (), examples: Sequence[Any] | None = None) -> list[Any]:
    """Values, as a recipe would write them, for a field of this type; raises Unknown."""
    if examples:
        return list(examples)
    if typing.get_origin(annotation) is typing.Annotated:
        plain, *more = typing.get_args(annotation)
        return values_of(plain, [*metadata, *more])
    schema = next((item.json_schema or {} for item in metadata if isinstance(item, WithJsonSchema)), {})
    bounds = _bounds(metadata)
    if annotation is Length:
        return ["70px", "37.3%", "163px"]
    if schema and not (bounds and annotation in (float, int, float | None)):
        if schema.get("examples"):
            return list(schema["examples"])
        raise Unknown("its JSON schema gives no examples")
    return _values_of_type(annotation, metadata, bounds, schema.get("unit", ""))


def _values_of_type(
    annotation: Any, metadata: Sequence[Any], bounds: tuple[float, float] | None, unit: str
) -> list[Any]:
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Literal:
        return list(arguments)
    if origin in (typing.Union, types.UnionType):
        arms = [arm for arm in arguments if arm is not type(None)]
        return [value for arm in arms for value in values_of(arm, metadata)]
    if origin in (tuple, list):
        inner = [arm for arm in arguments if arm is not Ellipsis]
        if len(inner) > 1:
            return [list(pick) for pick in zip(*(values_of(arm) for arm in inner), strict=False)]
        return [values_of(inner[0])[:2]]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return models_of(annotation)
    if isinstance(annotation, type) and issubclass(annotation, enum.Enum):
        return [member.value for member in annotation]
    if annotation is bool:
        return [True, False]
    if annotation in (float, int) and bounds is not None:
        low, high = bounds
        numbers = [low + (high - low) * part for part in (0.37, 0.71)]
        return [f"{number:.4f}{unit}" if unit else annotation(number) for number in numbers]
    raise Unknown(f"a value of type {annotation} cannot be made up: give the field `ge` and `le`, or `examples`")


def _bounds(metadata: Sequence[Any]) -> tuple[float, float] | None:
    low = [value for item in metadata for kind, value in _limits(item) if kind in ("ge", "gt")]
    high = [value for item in metadata for kind, value in _limits(item) if kind in ("le", "lt")]
    return (float(low[0]), float(high[0])) if low and high else None


def _limits(item: Any) -> Iterator[tuple[str, float]]:
    if isinstance(item, annotated_types.BaseMetadata):
        for kind in ("ge", "gt", "le", "lt"):
            if getattr(item, kind, None) is not None:
                yield kind, getattr(item, kind)


def _fields(model: type[BaseModel]) -> dict[str, list[Any]]:
    found = {}
    for name, field in model.model_fields.items():
        extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
        examples = field.examples or extra.get("examples")
        if not examples and field.annotation in (str, str | None):  # a text: its description may say "such as …"
            examples = re.findall(r"such as (\S+?)[.,;]?(?:\s|$)", field.description or "")
        try:
            found[name] = values_of(field.annotation, field.metadata, examples)
        except Unknown as lack:
            raise Unknown(f"parameter `{name}`: {lack}") from None
    return found


def models_of(model: type[BaseModel]) -> list[dict[str, Any]]:
    """Two sets of values for a model's fields: the first of each, and the last."""
    values = _fields(model)
    return [{name: options[index] for name, options in values.items()} for index in (0, -1)]


def cases_of(kind: type[Stage]) -> list[Stage]:
    """Stages that do something: every field alone, all fields together twice, and with every option of each choice."""
    values = _fields(kind)
    first, last = ({name: options[index] for name, options in values.items()} for index in (0, -1))
    tried = [first, last, *({name: option} for name, options in values.items() for option in options[:1] + options[2:])]
    for name, options in values.items():
        if isinstance(options[0], str) and typing.get_origin(kind.model_fields[name].annotation) is typing.Literal:
            tried += [{**first, name: option} for option in options] + [{name: option} for option in options]
    extra = kind.model_config.get("json_schema_extra")
    tried += extra.get("examples", []) if isinstance(extra, dict) else []
    made: dict[str, Stage] = {}
    refused = []
    for given in ({}, *tried):
        try:
            stage = kind.model_validate(given)
            stage.output_shape(SHAPE)
        except (ValidationError, TilepipeError, ValueError) as error:
            refused.append(f"{given}: {error}")
            continue
        if not stage.is_neutral():
            made.setdefault(key_of(stage.parameters()), stage)
    if not made:
        raise Unknown(f"no values that were made up give a stage that does something: {refused or 'all are neutral'}; "
                      "give its fields `examples`")
    return list(made.values())


# ---------------------------------------------------------------- pictures
def _even(count: int, seed: str) -> Any:
    return (hashed(count, seed) >> np.uint64(40)).astype(np.float64) / 16777216.0


@functools.cache
def light(shape: Shape, seed: str) -> Any:
    """float32 (3, y, x): a dark and a bright side with an edge, a slope, fine texture, black, negatives, a sun."""
    y, x = np.mgrid[: shape.height, : shape.width].astype(np.float64)
    level = np.where(2 * x + y > shape.width + 7, 0.9, 0.02) * (0.4 + y / shape.height)
    texture = 0.5 + _even(3 * shape.pixels, seed).reshape(3, shape.height, shape.width)
    picture = level * texture - 0.004
    picture[:, 5:9, 60:66] = 40.0
    picture[:, 20:24, 3:9] = 0.0
    return picture.astype(np.float32)


@functools.cache
def cover(shape: Shape) -> Any:
    """float32 (y, x): a ragged edge, a hole, and fractions as a reduction leaves them."""
    covered = np.ones((shape.height, shape.width), np.float32)
    for row in range(shape.height // 2):
        covered[row, : (row * 7) % 13] = 0.0
    covered[30:37, 40:52] = 0.0
    covered[37, 40:52] = 0.25
    return covered


@functools.cache
def single(covered: bool) -> Tile:
    planes = [*light(SHAPE, "picture")]
    if covered:
        planes = [np.where(cover(SHAPE) > 0, plane, np.float32(0)) for plane in planes] + [cover(SHAPE)]
    return Tile(np.stack(planes), SHAPE.whole, SHAPE, COLOUR + ((COVERAGE,) if covered else ()))


@functools.cache
def bracket(covered: bool) -> tuple[Tile, ...]:
    """Frame tiles: the same light with each frame's own noise, clipped at 1, and peaks a sixteenth above the values."""
    tiles = []
    for index, gain in enumerate(LIGHTS):
        noise = _even(3 * SHAPE.pixels, f"noise {index}").reshape(3, SHAPE.height, SHAPE.width) - 0.5
        frame = np.minimum(light(SHAPE, "picture") * gain + 0.004 * noise, 1.0).astype(np.float32)
        peaks = np.minimum(frame * np.float32(1.0625), np.float32(1))
        planes = [*frame, *peaks]
        if covered:
            planes = [np.where(cover(SHAPE) > 0, plane, np.float32(0)) for plane in planes] + [cover(SHAPE)]
        names = COLOUR + PEAKS + ((COVERAGE,) if covered else ())
        tiles.append(Tile(np.stack(planes), SHAPE.whole, SHAPE, names))
    return tuple(tiles)


def given(device: Any, whole: Tile, window: Window) -> Tile:
    """A stage's input on a device: `window` amid a larger array of NaN, so that a read beyond it shows."""
    array = np.full((len(whole.planes), window.height + 6, window.width + 10), np.nan, np.float32)
    array[:, 3:-3, 5:-5] = whole.cut(window).array
    return Tile(device.upload(array)[:, 3:-3, 5:-5], window, whole.picture, whole.planes)


# ---------------------------------------------------------------- runs
class ByLaunches:
    """A CPU that offers what a GPU offers: no drivers, so that deep stages go level by level."""

    def __init__(self, device: CpuDevice) -> None:
        self.name = f"{device.name} by launches"
        for method in ("empty", "zeros", "tile", "plane", "planes", "launch", "tally", "upload", "download"):
            setattr(self, method, getattr(device, method))


@functools.cache
def devices() -> tuple[Any, ...]:
    """The first built variant, the others, one without drivers, and a GPU where there is one."""
    made = [CpuDevice(variant) for variant in native.built_variants()]
    return (*made, ByLaunches(made[0]), *gpus())


def gpus() -> tuple[Any, ...]:
    try:
        return tuple(GpuDevice(index) for index in range(min(device_count(), 1)))
    except DeviceError:
        return ()


@dataclass(frozen=True)
class Run:
    """How a case is computed: which device, tile size and hand-over level, with coverage or without."""

    device: Any
    covered: bool
    tile_px: int
    level: int = LEVELS[0]

    def __str__(self) -> str:
        return f"{self.device.name}, tiles {self.tile_px}, level {self.level}, coverage {self.covered}"


def computed(stage: Stage, run: Run) -> dict[str, Any]:
    """The whole result by tiles, one float32 array `(y, x)` a plane."""
    if stage.kind == "measure":
        raise Unknown("a measurement gives no picture")
    if stage.kind == "deep" or getattr(stage, "is_deep", False):
        return _deep(stage, run)
    if stage.kind == "blend":
        return _blended(stage, run)
    return _plain(stage, run)


def _collected(made: dict[str, Any], shape: Shape, run: Run, wanted: Window, tile: Tile) -> None:
    assert tile.window == wanted, f"asked for {wanted}, made {tile.window}"
    pixels = np.array(run.device.download(tile.array))
    for name, plane in zip(tile.planes, pixels, strict=True):
        whole = made.setdefault(name, np.full((shape.height, shape.width), np.nan, np.float32))
        whole[wanted.rows, wanted.cols] = plane


def _plain(stage: Stage, run: Run) -> dict[str, Any]:
    whole, shape, made = single(run.covered), stage.output_shape(SHAPE), {}
    for wanted in Grid(shape, run.tile_px, run.tile_px):
        tile = given(run.device, whole, stage.input_window(wanted, SHAPE, FACTS))
        before = np.array(run.device.download(tile.array)).view(np.uint32)
        _collected(made, shape, run, wanted, stage.run(run.device, tile, wanted, FACTS))
        after = np.array(run.device.download(tile.array)).view(np.uint32)
        assert (after == before).all(), f"{stage!r} changed its input"
    return made


def _blended(stage: Any, run: Run) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for wanted in Grid(SHAPE, run.tile_px, run.tile_px):
        tiles = [given(run.device, frame, wanted) for frame in bracket(run.covered)]
        _collected(made, SHAPE, run, wanted, stage.run(run.device, *tiles, wanted=wanted, facts=FACTS))
    return made


def _deep(stage: Any, run: Run) -> dict[str, Any]:
    device, level = run.device, run.level
    sources = bracket(run.covered) if stage.kind == "blend" else (single(run.covered),)
    coarse = SHAPE.halved(level)
    handed: list[Tile] = []
    planes: dict[str, Any] = {}
    for wanted in Grid(coarse, max(run.tile_px >> level, 1), max(run.tile_px >> level, 1)):
        tiles = [given(device, whole, stage.down_window(wanted, level, SHAPE)) for whole in sources]
        handed.append(stage.down(device, tiles, wanted, level, FACTS))
        _collected(planes, coarse, run, wanted, handed[-1])
    assert len(planes) == stage.coarse_planes(len(sources), run.covered, FACTS)
    together = Tile(device.upload(np.stack(list(planes.values()))), coarse.whole, coarse, handed[0].planes)
    solved = stage.solve(device, together, level, SHAPE, FACTS)
    back = Tile(np.array(device.download(solved.array)), coarse.whole, coarse, solved.planes)
    made: dict[str, Any] = {}
    for wanted in Grid(SHAPE, run.tile_px, run.tile_px):
        tiles = [given(device, whole, stage.up_window(wanted, level, SHAPE)) for whole in sources]
        needed = given(device, back, stage.coarse_window(wanted, level, SHAPE))
        _collected(made, SHAPE, run, wanted, stage.up(device, tiles, needed, wanted, level, FACTS))
    return made


# ---------------------------------------------------------------- measurements
@dataclass(frozen=True)
class Source:
    """An invented frame to be measured."""

    name: str
    light: float
    shift: int
    linear: bool = True
    shape: Shape = SURVEYED

    def tile(self, device: Any, window: Window) -> Tile:
        larger = light(Shape(SURVEYED.height + 4, SURVEYED.width + 4), "survey")
        rows, cols = (slice(self.shift, self.shift + side) for side in (SURVEYED.height, SURVEYED.width))
        frame = np.minimum(larger[:, rows, cols] * np.float32(self.light), np.float32(1))
        whole = Tile(np.stack([*frame, *frame]), SURVEYED.whole, SURVEYED, COLOUR + PEAKS)
        return given(device, whole, window)


def measured(stage: Any, device: Any, side_px: int) -> str:
    """The key of what a measurement finds in an invented bracket."""
    frames = [Source(f"frame {index}", gain, index % 2) for index, gain in enumerate(LIGHTS)]
    found = survey(device, frames, side_px)
    if isinstance(stage, Match):
        return key_of(match(device, found, 1, mode=stage.mode, curve=stage.curve, warn_stops=stage.warn))
    if isinstance(stage, Align):
        coarse = stage.coarse(device, found, 1, [0, 1, 2])
        sums = [refine_partial(device, frames, place) for place in coarse.places]
        return key_of(align_combine(coarse, sums, model=stage.model))
    if isinstance(stage, Motion):
        total = MotionSum(SURVEYED, 1, len(frames))
        for window in Grid(SURVEYED, side_px, side_px):
            tiles = [frame.tile(device, window.padded(MOTION_REACH_PX).cut(SURVEYED)) for frame in frames]
            total.add(window, *stage.measure_window(device, tiles, window, FACTS))
        groups = stage.groups(total.maps, FACTS["frames"])
        return key_of([groups.facts, list(groups.choices), groups.weights.tobytes().hex()])
    if isinstance(stage, LensSpots):
        return key_of(_spots(device, frames, side_px))
    raise Unknown(f"say here how the measurement `{stage.name}` is taken")


def _spots(device: Any, frames: Sequence[Source], side_px: int) -> list[Any]:
    """The candidates for dirt, and what the search says of all dark places."""
    levels = SpotLevels(SURVEYED, len(frames))
    for window in Grid(SURVEYED, side_px, side_px):
        for index, frame in enumerate(frames):
            levels.look(device, index, frame.tile(device, window))
    for index in range(len(frames)):
        levels.halve(device, index)
    found = sightings([blob for task in search_tasks(levels) for blob in search(device, levels, *task)], len(frames))
    matrices = [((1.0, 0.0, float(frame.shift)), (0.0, 1.0, float(frame.shift)), (0.0, 0.0, 1.0)) for frame in frames]
    looks = [(sighting, look(device, frames, matrices, sighting)) for sighting in found[:8]]
    pairs = [(sighting, seen) for sighting, seen in looks if seen is not None]
    return [[asdict(each) for each in found], [asdict(seen) for _, seen in pairs], candidates_of(pairs, len(frames), SURVEYED)]


# ---------------------------------------------------------------- the matrix
def difference(have: Mapping[str, Any], want: Mapping[str, Any]) -> str:
    """Where two results differ, compared as integers; empty if nowhere."""
    if list(have) != list(want):
        return f"planes {list(have)} instead of {list(want)}"
    for name, plane in want.items():
        unequal = have[name].view(np.uint32) != plane.view(np.uint32)
        if unequal.any():
            y, x = (int(value) for value in np.argwhere(unequal)[0])
            return (f"{int(unequal.sum())} of {unequal.size} values of {name} differ, first at (y {y}, x {x}): "
                    f"{have[name][y, x]!r} instead of {plane[y, x]!r}")
    return ""


def runs(stage: Stage, covered: bool, chosen: Sequence[Any]) -> Iterator[Run]:
    """Every device with every tile size; hand-over levels where there are any."""
    deep = stage.kind == "deep" or getattr(stage, "is_deep", False)
    for device, tile_px in itertools.product(chosen, (*TILES, max(SHAPE.height, SHAPE.width))):
        for level in LEVELS if deep else LEVELS[:1]:
            if not (deep and not hasattr(device, "drive") and tile_px == TILES[0]):  # that takes very many launches
                yield Run(device, covered, tile_px, level)


def reference(stage: Stage, covered: bool) -> dict[str, Any]:
    """The whole picture at once, by the first variant."""
    return computed(stage, Run(devices()[0], covered, 1024))


def checked(name: str) -> list[Stage]:
    """The cases of a stage; fails with a sentence where it needs something that is not there."""
    kind = all_stages()[name]
    missing = [fact for fact in kind.uses if fact not in FACTS]
    if missing:
        pytest.fail(f"stage {name} uses the facts {missing}: invent them in FACTS of this test")
    try:
        return cases_of(kind)
    except Unknown as lack:
        pytest.fail(f"stage {name} cannot be made up: {lack}")


def faults_of(name: str, chosen: Sequence[Any]) -> list[str]:
    """All differences of a stage's cases on the chosen devices."""
    found = []
    for index, stage in enumerate(checked(name)):
        if stage.kind == "measure":
            want = measured(stage, devices()[0], 1024) if index < MEASURED_CASES else ""
            found += [
                f"{stage!r} on {device.name}, windows of 64 px: other facts"
                for device in chosen if want and measured(stage, device, 64) != want
            ]
            continue
        for covered in (False, True):
            want_planes = reference(stage, covered)
            for run in runs(stage, covered, chosen):
                told = difference(computed(stage, run), want_planes)
                found += [f"{stage!r} on {run}: {told}"] if told else []
    return found


@pytest.mark.parametrize("name", sorted(all_stages()))
def test_a_stage_gives_the_same_bits_everywhere(name: str):
    assert faults_of(name, devices()) == []


@pytest.mark.parametrize("name", sorted(all_stages()))
def test_a_stages_results_are_finite_and_stay_with_coverage(name: str):
    for stage in checked(name):
        if stage.kind == "measure":
            continue
        plain, covered = reference(stage, False), reference(stage, True)
        assert all(np.isfinite(plane).all() for made in (plain, covered) for plane in made.values()), repr(stage)
        assert COVERAGE in covered, repr(stage)
        bare = covered[COVERAGE] == 0
        assert bare.any() or bare.size < 100, repr(stage)
        assert all((plane[bare] == 0).all() for name, plane in covered.items() if name in COLOUR), repr(stage)


def digests_of(name: str) -> dict[str, str]:
    """The digest of every case, by its parameters as JSON."""
    found = {}
    for index, stage in enumerate(checked(name)):
        if stage.kind == "measure":
            if index >= MEASURED_CASES:
                continue
            digest = measured(stage, devices()[0], 1024)
        else:
            results = [reference(stage, covered) for covered in (False, True)]
            digest = key_of([[plane, made[plane].tobytes().hex()] for made in results for plane in made])
        found[json.dumps(stage.parameters(), sort_keys=True)] = digest[:32]
    return found


@pytest.mark.parametrize("name", sorted(all_stages()))
def test_bits_change_only_with_the_version(name: str):
    stored = json.loads(STORED.read_text()) if STORED.exists() else {}
    version, have = all_stages()[name].version, digests_of(name)
    known = stored.get(name, {"version": version, "digests": {}})
    changed = [case for case, digest in have.items() if known["digests"].get(case, digest) != digest]
    if version == known["version"]:
        assert not changed, f"{name} {version} gives other bits than stored for {changed}: raise its version"
    new = version != known["version"] or set(have) != set(known["digests"])
    if os.environ.get(STORE_VARIABLE):
        stored[name] = {"version": version, "digests": have}
        STORED.write_text(json.dumps(dict(sorted(stored.items())), indent=1, sort_keys=True) + "\n")
    else:
        assert not new, f"{name} {version} has cases that are not stored: run this test with {STORE_VARIABLE}=1"


# ---------------------------------------------------------------- the matrix finds what it is for
def test_the_matrix_tells_a_stage_that_depends_on_tiles():
    stage = next(stage for stage in checked("exposure"))
    shifted = replace_run(stage)
    run = Run(devices()[0], False, TILES[0])
    assert difference(computed(stage, run), reference(stage, False)) == ""
    assert "differ" in difference(computed(shifted, run), reference(stage, False))


def replace_run(stage: Stage) -> Any:
    """The stage as one that adds 1 to the first pixel of every tile."""

    class Wrong:
        kind = stage.kind
        output_shape = stage.output_shape
        input_window = stage.input_window

        @staticmethod
        def run(device: Any, tile: Tile, wanted: Window, facts: Mapping[str, Any]) -> Tile:
            made = stage.run(device, tile, wanted, facts)
            array = made.array.copy()
            array[0, 0, 0] += 1
            return replace(made, array=array)

    return Wrong()


class Lens(BaseModel):
    """A model that no value can be made up for."""

    maker: str


def test_what_cannot_be_made_up_is_told():
    with pytest.raises(Unknown, match=r"parameter `maker`: .* cannot be made up"):
        models_of(Lens)
