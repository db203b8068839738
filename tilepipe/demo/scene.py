"""The invented scene: its switches, the frames of a bracket, and the true light of any window of any frame."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.device import exact
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.kernel import Kernel
from tilepipe.geometry import Shape, Window

Radiance = npt.NDArray[np.float32]

_LIGHT = (
    "int height; int width; double time; double sunlight; double haze; double stars; double cloud; double drift; "
    "double wind; double shimmer; double cosine; double sine; double shift_y; double shift_x; "
)
SCENE_RADIANCE = Kernel(
    "scene_radiance", outs=3, header="scene.h",
    params=_LIGHT
    + "double shake_y; double shake_x; int shake_samples; double vignetting; double lateral; double glare;",
)
SCENE_MOVING = Kernel("scene_moving", outs=1, result="uint8", params=_LIGHT + "double lateral;", header="scene.h")
SCENE_COVERAGE = Kernel("scene_coverage", outs=1, params="int height; int width; double depth;", header="scene.h")

_MOST_SHAKE_SAMPLES = 8
_SHAKE_PX = (7.0, -4.5)
_RAGGED_DEPTH = 0.045
# A path of small camera movements in px and degrees, chosen here; entry 0 is the base frame's and is nothing.
_STEPS = ((0.0, 0.0, 0.0), (0.7, -1.3, 0.02), (-1.6, 0.9, -0.015), (2.2, 1.7, 0.03), (-0.4, -2.3, 0.01))


@dataclass(frozen=True)
class SceneOptions:
    """What the invented scene and its camera do; the defaults are a fair evening with an honest camera.

    `stars`, `shaken`, `ragged` switch things on; `haze`, `cloud`, `drift`, `wind`, `shimmer` are factors (1: as meant,
    0: none); `vignetting` is how much wider the light spreads at the corner (0.35: 0.87 EV darker), `lateral_colour`
    the relative difference of scale from red to green and from green to blue, `glare` a factor on stray light,
    `light_drift_stops` the change of sunlight from one frame to the next, `specks` the depth of two dirt spots,
    `moved` a factor on the camera's shift and rotation, `seed` chooses the noise.
    """

    stars: bool = False
    shaken: bool = False
    ragged: bool = False
    haze: float = 1.0
    cloud: float = 1.0
    drift: float = 1.0
    wind: float = 1.0
    shimmer: float = 1.0
    vignetting: float = 0.0
    lateral_colour: float = 0.0
    glare: float = 0.0
    light_drift_stops: float = 0.0
    specks: float = 1.0
    moved: float = 1.0
    seed: int = 1


@dataclass(frozen=True)
class FrameSetting:
    """One frame of the invented bracket: its exposure, its moment and how the camera stood.

    The base picture's point `p` seen at the frame's pixel centre `q` is `p = m + R·(q − m) + shift`, `m` the picture's
    middle, `R` the turn by `rotation_degrees` (x towards y). `gain` is the light relative to the base frame's, exactly
    the ratio of the shutter times.
    """

    name: str
    seconds: Fraction
    base_seconds: Fraction
    time: float
    shift_y_px: float
    shift_x_px: float
    rotation_degrees: float
    light_stops: float
    shake_px: tuple[float, float]
    number: int
    options: SceneOptions
    iso: int = 100
    f_number: int = 8

    @property
    def gain(self) -> float:
        ratio = self.seconds / self.base_seconds
        return ratio.numerator / ratio.denominator

    @property
    def is_base(self) -> bool:
        return self.seconds == self.base_seconds


# −4.5, −2, 0 and +2.5 EV, each to the nearest time that a camera shows.
SHUTTER_TIMES = (Fraction(1, 181), Fraction(1, 32), Fraction(1, 8), Fraction(7, 10))


def scene_frames(
    height: int, width: int, options: SceneOptions | None = None, seconds: tuple[Fraction, ...] = SHUTTER_TIMES,
) -> list[FrameSetting]:
    """The frames of one bracket, darkest first; the base is the one of 1/8 s, or the middle one.

    The moments follow the order of the frames, the base's is 0; a shaken bracket shakes its longest exposure only.
    """
    options = options or SceneOptions()
    base = seconds.index(Fraction(1, 8)) if Fraction(1, 8) in seconds else (len(seconds) - 1) // 2
    frames = []
    for number, time in enumerate(seconds):
        away = number - base
        shift_y, shift_x, turn = _STEPS[0] if away == 0 else _STEPS[1 + (away - 1) % (len(_STEPS) - 1)]
        shaken = options.shaken and time == max(seconds)
        scale = height / 2000.0
        frames.append(FrameSetting(
            name=f"frame_{number + 1}", seconds=time, base_seconds=seconds[base], time=float(away),
            shift_y_px=shift_y * options.moved, shift_x_px=shift_x * options.moved,
            rotation_degrees=turn * options.moved, light_stops=options.light_drift_stops * away,
            shake_px=(_SHAKE_PX[0] * scale, _SHAKE_PX[1] * scale) if shaken else (0.0, 0.0),
            number=number, options=options,
        ))
    return frames


@functools.cache
def default_device() -> CpuDevice:
    """The processor with its fastest variant, shared by all calls that name no device."""
    return CpuDevice()


def render_truth(
    window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
) -> Radiance:
    """The light that meets the sensor in `window` of a picture of `shape`: (3, h, w) float32, linear Rec.2020, D65.

    1.0 saturates a white surface in the base frame. Exposure is not in it (`FrameSetting.gain` is), lens faults are.
    """
    options = setting.options
    shaken = setting.shake_px != (0.0, 0.0)
    radiance: Radiance = _rendered(
        SCENE_RADIANCE, window, shape, np.float32, device, **_light(shape, setting),
        shake_y=setting.shake_px[0], shake_x=setting.shake_px[1], shake_samples=_MOST_SHAKE_SAMPLES if shaken else 1,
        vignetting=options.vignetting, lateral=options.lateral_colour, glare=options.glare,
    )
    return radiance


def static_truth(
    window: Window, shape: Shape, options: SceneOptions | None = None, device: CpuDevice | None = None,
) -> Radiance:
    """The scene itself as the base frame stands: no lens faults, no shake, no drift of the light; as `render_truth`."""
    plain = replace(
        options or SceneOptions(), vignetting=0.0, lateral_colour=0.0, glare=0.0, shaken=False, light_drift_stops=0.0,
    )
    base = next(frame for frame in scene_frames(shape.height, shape.width, plain) if frame.is_base)
    return render_truth(window, shape, base, device)


def may_move(
    window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
) -> npt.NDArray[np.bool_]:
    """Where this frame could look different at another moment: (h, w) bool. What is False never changes with time."""
    moving = _rendered(
        SCENE_MOVING, window, shape, np.uint8, device, **_light(shape, setting), lateral=setting.options.lateral_colour,
    )
    return np.asarray(moving[0] != 0)


def coverage(
    window: Window, shape: Shape, setting: FrameSetting, device: CpuDevice | None = None,
) -> npt.NDArray[np.float32]:
    """Where the frame has a picture: (h, w) float32, 1 or 0; all 1 unless the options say `ragged`."""
    if not setting.options.ragged:
        return np.ones((window.height, window.width), np.float32)
    found = _rendered(
        SCENE_COVERAGE, window, shape, np.float32, device,
        height=shape.height, width=shape.width, depth=_RAGGED_DEPTH,
    )
    return np.asarray(found[0])


def _light(shape: Shape, setting: FrameSetting) -> dict[str, Any]:
    options = setting.options
    angle = setting.rotation_degrees * (3.141592653589793 / 180.0)
    return {
        "height": shape.height, "width": shape.width, "time": setting.time,
        "sunlight": exact.exp2(setting.light_stops), "haze": options.haze, "stars": 1.0 if options.stars else 0.0,
        "cloud": options.cloud, "drift": options.drift, "wind": options.wind, "shimmer": options.shimmer,
        "cosine": exact.cos(angle), "sine": exact.sin(angle),
        "shift_y": setting.shift_y_px, "shift_x": setting.shift_x_px,
    }


def _rendered(
    kernel: Kernel, window: Window, shape: Shape, dtype: npt.DTypeLike, device: CpuDevice | None, **params: Any,
) -> Any:
    device = device or default_device()
    pixels = np.empty((kernel.outs, window.height, window.width), dtype)
    device.launch(kernel, (), [device.plane(plane, window, shape) for plane in pixels], **params)
    return pixels
