"""From a Bayer mosaic's code values to three colours and the peaks that clipping is judged by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COLOUR, Tile
from tilepipe.errors import InputError
from tilepipe.formats.frame import CameraInfo
from tilepipe.geometry import Shape, Window

DEMOSAIC_REACH_PX = 16
SCRATCH_PLANES = 11
# Light below which the ratio of the light as shot weighs more than what is seen nearby, in parts of the clipping level:
# about five times the read noise at ISO 100. Chosen here; a third of it or three times it changes little.
LEAST_LIGHT = 0.01

SLACK = 0.002
# Added to both parts of a ratio of colours, in parts of the clipping level: about the read noise at ISO 100.
FAINT = 0.003
# Added to both parts of the contrast that a thin dark place is told by: ten times the read noise, so that noise is none.
THIN_LIGHT = 0.02

PEDESTAL = Kernel("mosaic_pedestal", 1, 1, params="float black[4];", source="uint16", header="demosaic.h")
COLUMNS = Kernel("mosaic_columns", 1, 2, 4, header="demosaic.h")
RATIOS = Kernel(
    "mosaic_ratios", 2, 2, 4, params="float red, blue, least; int red_y, red_x;", header="demosaic.h"
)
BALANCED = Kernel("mosaic_balanced", 3, 1, params="int red_y, red_x;", header="demosaic.h")
CANDIDATES = Kernel("demosaic_candidates", 1, 2, 2, params="int red_y, red_x;", header="demosaic.h")
DIRECTION = Kernel("demosaic_direction", 2, 2, 2, params="int height, width;", header="demosaic.h")
REFINE = Kernel("demosaic_refine", 2, 2, 2, header="demosaic.h")
COLOURS = Kernel("demosaic_colours", 4, 3, 2, params="float range; int red_y, red_x;", header="demosaic.h")
BOUNDED = Kernel("demosaic_bounded", 4, 3, 2, params="float slack, faint; int red_y, red_x;", header="demosaic.h")
THIN = Kernel("demosaic_thin", 4, 3, 2, params="float faint, least; int red_y, red_x;", header="demosaic.h")
SETTLED = Kernel("demosaic_settled", 6, 3, 2, params="float range, faint, least; int red_y, red_x;", header="demosaic.h")
PEAK = Kernel("mosaic_peak", 1, 1, 2, params="float range;", header="demosaic.h")


@dataclass(frozen=True)
class Pattern:
    """Row and column, 0 or 1, of the mosaic's first red site, and the code values between pedestal and clipping."""

    red_y: int
    red_x: int
    span: float

    @property
    def red(self) -> dict[str, int]:
        return {"red_y": self.red_y, "red_x": self.red_x}


def demosaic(
    device: Any, source: PlaneArgument, out: Tile, black: tuple[float, ...], pattern: Pattern,
    as_shot: tuple[float, float] | None,
) -> None:
    """Fills red, green, blue and the three peak planes of `out` (float32, 1.0 at the clipping level).

    `source` holds uint16 code values of `out`'s window padded by `DEMOSAIC_REACH_PX` and cut to the picture. `as_shot`:
    how much larger green is than red and than blue in a neutral surface, where too little light is nearby to see it;
    None demosaics the samples as they are, which is the published method alone.
    """
    whole = Window(source.y0, source.x0, source.h, source.w)
    mosaic = _scratch(device, whole, 0, out.picture, 1)
    device.launch(PEDESTAL, [source], device.planes(mosaic), black=black)
    if as_shot is None:
        refined, chosen = _guesses(device, mosaic, out.window, pattern)
        ins = _beside(device, mosaic, refined, chosen)
        device.launch(COLOURS, ins, device.planes(out)[:3], range=pattern.span, **pattern.red)
    else:
        _balanced(device, mosaic, out, pattern, as_shot)
    target = device.planes(out)
    device.launch(PEAK, device.planes(mosaic), target[3:4], range=pattern.span)
    out.array[4:6] = out.array[3:4]


def _balanced(device: Any, mosaic: Tile, out: Tile, pattern: Pattern, as_shot: tuple[float, float]) -> None:
    """The published method on balanced samples; what it guessed is bounded, and thin dark places take the colours nearby."""
    ratios = _ratios(device, mosaic, out, pattern, as_shot)
    faint = {"faint": FAINT * pattern.span, **pattern.red}
    levels = {"least": THIN_LIGHT * pattern.span, **faint}
    balanced, found = (_scratch(device, out.window, *size) for size in ((12, out.picture, 1), (4, out.picture, 3)))
    planes = device.planes(mosaic) + device.planes(ratios)
    device.launch(BALANCED, planes, device.planes(balanced), **pattern.red)
    refined, chosen = _guesses(device, balanced, found.window, pattern)
    ins = _beside(device, balanced, refined, chosen)
    device.launch(BOUNDED, ins, device.planes(found), slack=SLACK * pattern.span, **faint)
    del refined, chosen
    thin = _scratch(device, out.window, 2, out.picture, 3)
    device.launch(THIN, device.planes(balanced) + device.planes(found), device.planes(thin), **levels)
    ins = device.planes(thin) + device.planes(ratios) + device.planes(mosaic)
    device.launch(SETTLED, ins, device.planes(out)[:3], range=pattern.span, **levels)


def _ratios(device: Any, mosaic: Tile, out: Tile, pattern: Pattern, as_shot: tuple[float, float]) -> Tile:
    """Mean green ÷ mean red and ÷ mean blue nearby, over `out`'s window padded by 12."""
    columns = device.tile(
        Window.between(
            max(out.window.y - 12, 0), mosaic.window.x, min(out.window.y_end + 12, out.picture.height), mosaic.window.x_end
        ),
        out.picture, COLOUR[:2],
    )
    ratios = _scratch(device, out.window, 12, out.picture, 2)
    device.launch(COLUMNS, device.planes(mosaic), device.planes(columns))
    red, blue = as_shot
    device.launch(
        RATIOS, device.planes(columns), device.planes(ratios), red=red, blue=blue, least=LEAST_LIGHT * pattern.span,
        **pattern.red,
    )
    return ratios


def _guesses(device: Any, mosaic: Tile, wanted: Window, pattern: Pattern) -> tuple[Tile, Tile]:
    """The published method's passes but the last, over `wanted` padded by 2 and 4: the refined differences, the directions."""
    picture = mosaic.picture
    chosen = _scratch(device, wanted, 4, picture, 2)
    candidates = _scratch(device, wanted, 6, picture, 2)
    device.launch(CANDIDATES, device.planes(mosaic), device.planes(candidates), **pattern.red)
    device.launch(
        DIRECTION, device.planes(candidates), device.planes(chosen), height=picture.height, width=picture.width
    )
    del candidates
    refined = _scratch(device, wanted, 2, picture, 2)
    device.launch(REFINE, device.planes(chosen), device.planes(refined))
    return refined, chosen


def _beside(device: Any, mosaic: Tile, refined: Tile, chosen: Tile) -> list[PlaneArgument]:
    return [*device.planes(mosaic), *device.planes(refined), device.planes(chosen)[1]]


def ratios_as_shot(camera: CameraInfo) -> tuple[float, float]:
    """How much larger green is than red and than blue in what was neutral as shot; 1, 1 where the file does not say."""
    if camera.as_shot_neutral is None:
        return 1.0, 1.0
    red, green, blue = camera.as_shot_neutral
    return red / green, blue / green


def sensor_range(camera: CameraInfo) -> float:
    """Code values between the highest pedestal and the clipping level: one range for all, so that every clip is ≥ 1."""
    return float(camera.white) - max(camera.black)


def first_red(pattern: str, where: str = "") -> tuple[int, int]:
    """Row and column (0 or 1) of the first red site of a 2×2 mosaic such as RGGB; InputError for any other mosaic."""
    if pattern not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise InputError(
            "this sensor's mosaic cannot be demosaiced", where, found=pattern or "none",
            allowed="RGGB, BGGR, GRBG or GBRG", next_step="convert the frame to TIFF",
        )
    row, col = divmod(pattern.index("R"), 2)
    return row, col


def _scratch(device: Any, wanted: Window, margin_px: int, picture: Shape, planes: int) -> Tile:
    tile: Tile = device.tile(wanted.padded(margin_px).cut(picture), picture, COLOUR[:planes])
    return tile
