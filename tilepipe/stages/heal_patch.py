"""Heals one place of a picture: chooses a donor by integer statistics, fills the coarse part, adds the donor's fine part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tilepipe.colour.spaces import luminance_row
from tilepipe.device import exact
from tilepipe.device.kernel import Kernel, PlaneArgument
from tilepipe.device.tile import COVERAGE, Tile
from tilepipe.geometry import Shape, Window

_HEADER = "heal.h"
LEVEL = Kernel("heal_level", 3, 1, params="float weight[3];", header=_HEADER)
DISTANCE = Kernel(
    "heal_distance", 1, 1, header=_HEADER,
    params="double centre[2]; double radius, spread; int count; const double* corners;",
)
RING = Kernel("heal_ring", 4, 0, 2, params="float inner, outer;", form="tally", header=_HEADER)
FIT_DONOR = Kernel(
    "heal_fit_donor", 7, 0, 2, params="float rim, inner, outer, low, high;", form="tally", header=_HEADER,
)
AROUND = Kernel("heal_around", 4, 1, params="float inner, outer, low, high;", header=_HEADER)
SLOPE = Kernel("heal_slope", 4, 0, params="int y0, x0;", form="tally", header=_HEADER)
BESIDE = Kernel("heal_beside", 4, 4, params="double plane[9]; int y0, x0;", header=_HEADER)
SUM = Kernel("heal_sum", 0, 4, params="Plane given[4]; const float* taps; int reach, down;", header=_HEADER)
REST = Kernel("heal_rest", 8, 4, header=_HEADER)
ONE = Kernel("heal_one", 3, 4, header=_HEADER)
APPLY = Kernel("heal_apply", 20, 3, params="double plane[9]; int y0, x0; float full, donor, rim;", header=_HEADER)

BINS, BIN, LOWEST = 1408, 64, 57344  # of levels, 4096 an octave
RIM, RING_WIDTH = 0.25, 1.0  # of the radius: how wide the rim fades, how wide the ring is
LEAST_RIM_PX, LEAST_RING_PX = 2, 6
WIDE, CLOSE = 0.75, 0.25  # of the radius: standard deviations of the two fills
DISTANCES, ANGLES = (2.3, 3.0, 3.9), 12  # donors that are tried: so many radii away, in so many directions
ALIKE = 6  # median absolute deviations of level (4 standard deviations of a Gaussian) that are still the same surface
LEAST_ALIKE = 256  # 1/16 stop
CLOSER = (0.5, 0.25, 0.12)  # of the radius: steps from the best donor to better ones beside it
BESIDE_STEPS = ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1))
MOST_BAD = 100  # of a donor's pixels, one may lie beyond that

Numbers = npt.NDArray[Any]


@dataclass(frozen=True)
class Spot:
    """One place in pixels of the picture at hand: a disc, or a polygon of corners (x, y) `(n, 2)` float64.

    `width_px`: detail finer than this comes from the donor; `donor` is a stated shift (y, x) in whole pixels.
    """

    y: float
    x: float
    radius: float
    width_px: float
    corners: Numbers | None = None
    donor: tuple[int, int] | None = None
    see_through: bool = False

    @property
    def rim_px(self) -> int:
        return max(round(RIM * self.radius), LEAST_RIM_PX)

    @property
    def outer_px(self) -> int:
        """From the place's line to the end of the ring around it."""
        return self.rim_px + max(round(RING_WIDTH * self.radius), LEAST_RING_PX)

    def touched(self, shape: Shape) -> Window:
        """The pixels that healing may change."""
        return self._box(self.rim_px).cut(shape)

    def box(self, shape: Shape) -> Window:
        """The place and the ring around it, cut to the picture."""
        return self._box(self.outer_px).cut(shape)

    def _box(self, beyond_px: int) -> Window:
        high = wide = self.radius
        if self.corners is not None:
            low_x, low_y = (float(value) for value in self.corners.min(0))
            high_x, high_y = (float(value) for value in self.corners.max(0))
            return Window.between(
                int(low_y // 1) - beyond_px, int(low_x // 1) - beyond_px, int(high_y // 1) + 2 + beyond_px,
                int(high_x // 1) + 2 + beyond_px,
            )
        return Window.between(
            int((self.y - high) // 1) - beyond_px, int((self.x - wide) // 1) - beyond_px,
            int((self.y + high) // 1) + 2 + beyond_px, int((self.x + wide) // 1) + 2 + beyond_px,
        )

    def shifts(self, shape: Shape) -> tuple[tuple[int, int], ...]:
        """The donors to try, as (y, x) shifts that keep the box inside the picture."""
        box = self.box(shape)
        if self.see_through:
            return ()
        if self.donor is not None:
            down = min(max(self.donor[0], -box.y), shape.height - box.y_end)
            across = min(max(self.donor[1], -box.x), shape.width - box.x_end)
            return ((down, across),)
        found = []
        for number, far in enumerate(DISTANCES):
            for step in range(ANGLES):
                angle = (step + 0.5 * (number % 2)) * 6.283185307179586 / ANGLES
                length = far * self.radius + 2.0 * LEAST_RIM_PX + 4.0
                shift = (round(exact.sin(angle) * length), round(exact.cos(angle) * length))
                moved = moved_by(box, shift).padded(2)  # the statistics look 2 px beside
                if moved.cut(shape) == moved:
                    found.append(shift)
        return tuple(found)

    @property
    def closer_px(self) -> tuple[int, ...]:
        """How far beside the best donor so far others are tried, one after the other; none beside a stated one."""
        if self.donor is not None or self.see_through:
            return ()
        return tuple(round(part * self.radius) for part in CLOSER if round(part * self.radius) > 0)

    def needed(self, shape: Shape) -> Window:
        """Everything that is looked at to heal this place, cut to the picture."""
        box = self.box(shape)
        needed = box
        for shift in self.shifts(shape):
            needed = needed.union(moved_by(box, shift))
        return needed.padded(2 + sum(self.closer_px)).cut(shape)

    def scratch_bytes(self, shape: Shape) -> int:
        return 4 * (5 * self.needed(shape).pixels + 24 * self.box(shape).pixels)


def moved_by(window: Window, shift: tuple[int, int]) -> Window:
    return Window(window.y + shift[0], window.x + shift[1], window.height, window.width)


class Patch:
    """The planes of everything that one place needs, and the choice and fill that are made of them."""

    def __init__(self, device: Any, tile: Tile, spot: Spot, others: Sequence[Spot]) -> None:
        self.device, self.spot, self.shape = device, spot, tile.picture
        self.tile = tile.cut(spot.needed(self.shape))
        self.box = spot.box(self.shape)
        window = self.tile.window
        self.level: Tile = device.tile(window, self.shape, ("level",))
        device.launch(LEVEL, device.planes(self.tile, 3), device.planes(self.level), weight=luminance_row())
        near = [other for other in others if _meet(other.touched(self.shape), window)]
        self.own = self._distances([spot], 0.0)
        self.free = self._distances(near, 1.0)
        self.all = self._distances([*near, spot], 1.0)
        self.cover: Tile = device.tile(window, self.shape, (COVERAGE,))
        self.cover.array.fill(1.0)
        if self.tile.has_coverage:
            self.cover.array[0] = self.tile.plane(COVERAGE)
        self.low, self.high, self.rough = (0.0, 0.0, 0.0) if spot.see_through else self._surface()

    def _distances(self, spots: Sequence[Spot], beyond: float) -> Tile:
        """How far each pixel is from the nearest of these places, or from `beyond` times their rims."""
        made: Tile = self.device.tile(self.tile.window, self.shape, ("distance",))
        made.array.fill(1e9)
        planes = self.device.planes(made)
        for spot in spots:
            count, held, address = 0, None, 0
            if spot.corners is not None:
                count = len(spot.corners)
                held = self.device.upload(np.ascontiguousarray(spot.corners, np.float64).reshape(1, -1))
                address = self.device.plane(held, Window(0, 0, 1, 2 * count), Shape(1, 2 * count)).p
            self.device.launch(
                DISTANCE, planes, planes, centre=[spot.x, spot.y], radius=spot.radius, spread=beyond * spot.rim_px,
                count=count, corners=address,
            )
            del held
        return made

    def _at(self, tile: Tile, shift: tuple[int, int] = (0, 0), margin_px: int = 0) -> list[PlaneArgument]:
        """A tile's planes over the box, or those beside it by `shift`, told as if they lay in the box."""
        window = self.box.padded(margin_px).cut(self.shape) if not margin_px else self.box.padded(margin_px)
        cut = tile.cut(moved_by(window, shift).cut(self.shape))
        return [self.device.plane(plane, moved_by(cut.window, (-shift[0], -shift[1])), self.shape) for plane in cut.array]

    def _ring(self) -> dict[str, float]:
        return {"inner": float(self.spot.rim_px), "outer": float(self.spot.outer_px)}

    def _surface(self) -> tuple[float, float, float]:
        """The lowest and highest level of the surface that the place lies on, and how rough it is."""
        planes = [*self._at(self.level, margin_px=2), *self._at(self.own), *self._at(self.free), *self._at(self.cover)]
        counts = self.device.tally(RING, planes, self.over(), BINS + 2, **self._ring())
        total = int(counts[:BINS].sum())
        if total == 0:
            return -1e9, 1e9, 0.0
        middle = _quantile(counts[:BINS], total)
        spread = np.zeros(BINS, np.int64)
        for index in np.flatnonzero(counts[:BINS]):
            spread[abs(int(index) - middle)] += int(counts[index])
        reach = max(ALIKE * (_quantile(spread, total) + 1) * BIN, LEAST_ALIKE)
        level = middle * BIN + BIN // 2 - LOWEST
        return float(level - reach), float(level + reach), int(counts[BINS]) / int(counts[BINS + 1])

    def over(self) -> PlaneArgument:
        """The box, for sums."""
        box, shape = self.box, self.shape
        return PlaneArgument(0, 0, box.y, box.x, box.height, box.width, shape.height, shape.width)

    def level_plane(self) -> PlaneArgument:
        """The level of all that was given."""
        plane: PlaneArgument = self.device.planes(self.level)[0]
        return plane

    def not_others(self) -> list[PlaneArgument]:
        """Over the box: the distance from the other places, and the coverage."""
        return [*self._at(self.free), *self._at(self.cover)]

    def donor(self) -> tuple[int, int] | None:
        """The shift to the donor whose surroundings continue the place's best; None where the picture has no room."""
        shifts = self.spot.shifts(self.shape)
        if self.spot.donor is not None or len(shifts) < 2:
            return shifts[0] if shifts else None
        best = min((self._cost(shift), shift) for shift in shifts)
        for step in self.spot.closer_px:
            beside = [(best[1][0] + down * step, best[1][1] + across * step) for down, across in BESIDE_STEPS]
            room = [shift for shift in beside if moved_by(self.box, shift).padded(2).cut(self.shape).pixels
                    == moved_by(self.box, shift).padded(2).pixels]
            best = min([best, *((self._cost(shift), shift) for shift in room)])
        return best[1]

    def _cost(self, shift: tuple[int, int]) -> tuple[int, float, int, int]:
        """First whether it is all on the same surface; then how much its level, its texture and its distance differ."""
        own = [*self._at(self.level), *self._at(self.own), *self._at(self.free), *self._at(self.cover)]
        planes = [*own, *self._at(self.level, shift, 2), *self._at(self.all, shift), *self._at(self.cover, shift)]
        found = self.device.tally(
            FIT_DONOR, planes, self.over(), 6, rim=float(self.spot.rim_px), low=self.low, high=self.high, **self._ring()
        )
        bad, rough, inside, count, total, squares = (int(value) for value in found)
        if count < 8:
            return (1 << 30, 0.0, *shift)
        apart = exact.sqrt(max(squares / count - (total / count) * (total / count), 0.0))
        texture = abs(rough / max(inside, 1) - self.rough)
        far = exact.sqrt(float(shift[0] * shift[0] + shift[1] * shift[1])) / self.spot.radius
        rank = 0 if bad * MOST_BAD <= inside else 1 + bad
        return (rank, (apart + 2.0 * texture) * (1.0 + 0.04 * far), *shift)

    def heal_into(self, out: Tile, wanted: Window) -> None:
        """Heals `wanted`, which lies inside the box, in `out`."""
        device, spot, middle = self.device, self.spot, (self.box.y + self.box.height // 2, self.box.x + self.box.width // 2)
        shift = self.donor()
        around: Tile = device.tile(self.box, self.shape, ("around",))
        mine = [*self._at(self.level), *self._at(self.own), *self._at(self.free), *self._at(self.cover)]
        device.launch(AROUND, mine, device.planes(around), low=self.low, high=self.high, **self._ring())
        place = {"y0": middle[0], "x0": middle[1]}
        colours = self._at(self.tile)[:3]
        sums = device.tally(SLOPE, [*colours, *device.planes(around)], self.over(), 15, **place)
        plane = plane_through([int(value) for value in sums])
        beside = self._four()
        device.launch(BESIDE, [*colours, *device.planes(around)], device.planes(beside), plane=plane, **place)
        wide = self._blurred(beside, WIDE * spot.radius, 2.6)
        rest = self._four()
        device.launch(REST, [*device.planes(beside), *device.planes(wide)], device.planes(rest))
        close, full = self._blurred(rest, CLOSE * spot.radius, 3.0), self._full(CLOSE * spot.radius, 3.0)
        taken = self._four()
        device.launch(ONE, self._at(self.tile, shift or (0, 0))[:3], device.planes(taken))
        blurred = self._blurred(taken, 0.5 * spot.width_px, 2.4)
        target = out.cut(wanted)
        device.launch(
            APPLY,
            [*device.planes(target, 3), *device.planes(wide), *device.planes(close), *device.planes(taken, 3),
             *device.planes(blurred), *self._at(self.own), *self._at(self.cover)],
            device.planes(target, 3), plane=plane, full=full, donor=0.0 if shift is None else 1.0,
            rim=float(spot.rim_px), **place,
        )

    def _four(self) -> Tile:
        made: Tile = self.device.tile(self.box, self.shape, ("red", "green", "blue", "weight"))
        return made

    def _blurred(self, given: Tile, sigma: float, ends: float) -> Tile:
        """Sums weighted by a Gaussian, cut `ends` deviations away, across and down; over the box and no further."""
        taps = gaussian_taps(sigma, ends)
        held = self.device.upload(np.array([taps], np.float32))
        address = self.device.plane(held, Window(0, 0, 1, len(taps)), Shape(1, len(taps))).p
        for down in (0, 1):
            made = self._four()
            self.device.launch(
                SUM, [], self.device.planes(made), given=self.device.planes(given), taps=address, reach=len(taps) - 1,
                down=down,
            )
            given = made
        del held
        return given

    @staticmethod
    def _full(sigma: float, ends: float) -> float:
        """What `_blurred` makes of ones where nothing is cut."""
        taps = gaussian_taps(sigma, ends)
        total = taps[0] + 2.0 * sum(taps[1:])
        return total * total


def gaussian_taps(sigma: float, ends: float) -> list[float]:
    """Weights of a Gaussian 0, 1, 2 … px away, 1 at 0, not normalised."""
    sigma = max(sigma, 0.7)
    return [exact.exp(-0.5 * (step / sigma) * (step / sigma)) for step in range(int(ends * sigma) + 2)]


def plane_through(sums: Sequence[int]) -> list[float]:
    """Of each colour the plane (1, u, v) that fits best, from the sums of `heal_slope`; level where it is not determined."""
    n, su, sv, suu, suv, svv = sums[:6]
    if n == 0:
        return [0.0] * 9
    uu, uv, vv = n * suu - su * su, n * suv - su * sv, n * svv - sv * sv  # whole numbers of any size: exact
    whole = uu * vv - uv * uv
    found: list[float] = []
    for c in range(3):
        total, by_u, by_v = sums[6 + 3 * c : 9 + 3 * c]
        du, dv = n * by_u - su * total, n * by_v - sv * total
        across = (du * vv - dv * uv) / (whole << 24) if whole > 0 else 0.0
        down = (dv * uu - du * uv) / (whole << 24) if whole > 0 else 0.0
        found += [total / (n << 24) - across * (su / n) - down * (sv / n), across, down]
    return found


def _quantile(counts: Numbers, total: int) -> int:
    """The bin that holds the middle one of all."""
    return int(np.searchsorted(np.cumsum(counts), (total + 1) // 2))


def _meet(one: Window, other: Window) -> bool:
    return one.intersection(other).pixels > 0
