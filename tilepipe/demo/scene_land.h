// The invented land: hazy far ridges, a headland, sea stacks and the rocks of the near shore.
#pragma once
#include "scene_sky.h"

namespace invented {

struct Paint {
    Rgb colour;
    double cover;  // share of the pixel
};
// A layer put behind what has been painted so far (colours multiplied by their cover).
SCENE_FN void behind(Paint& front, Paint p) {
    double left = (1.0 - front.cover) * p.cover;
    front.colour = front.colour + p.colour * left;
    front.cover += left;
}
SCENE_FN Rgb over(Paint p, Rgb below) { return p.colour * p.cover + below * (1.0 - p.cover); }

constexpr double HEADLAND_FOOT = 0.5855;

// Light on a surface: open sky above, the dim east behind the camera, the low sun in front of it (so only faces turned
// left, up or away catch it). The normal (x right, y up, z to the camera) needs no unit length.
SCENE_FN Rgb lit_by_evening(Rgb albedo, double x, double y, double z, double hollow, double u, const Light& light) {
    double k = 1.0 / root(x * x + y * y + z * z);
    x *= k, y *= k, z *= k;
    double west = 0.35 + 0.65 * bump((u - SUN_U) * 1.1);
    Rgb ambient =
        Rgb{0.125, 0.135, 0.170} * (0.45 + 0.40 * y + 0.15 * z) + Rgb{0.110, 0.080, 0.062} * (0.5 + 0.5 * y) * west;
    double facing = unit(0.30 * y - (u > SUN_U ? 0.80 : -0.80) * x * least(magnitude(u - SUN_U) * 6.0, 1.0) - 0.36 * z);
    Rgb sun = Rgb{2.6, 1.45, 0.62} * (facing * west * light.sunlight);
    return albedo * (ambient * hollow + sun * (hollow * hollow));
}

SCENE_FN Rgb hazed(Rgb colour, double u, double share, const Light& light) {
    double k = 1.0 - 1.0 / (1.0 + share * light.haze / (1.0 - share));
    return mix(colour, veil(u, light), k);
}

// One of three ridges on the far side of the bay.
template <bool mirrored> SCENE_PART Paint far_ridge(double u, double v, int which, const Light& light, double pixel) {
    const double tall = which == 0   ? 0.058
                        : which == 1 ? 0.036
                                     : 0.019,
                 cells = which == 0   ? 2.3
                         : which == 1 ? 3.1
                                      : 4.7;
    if (HORIZON - v > tall * 1.9) return {{0, 0, 0}, 0.0};
    Slope n =
        rough_line(u * cells + 9.0 * which, 401u + 16u * (unsigned)which, cells * pixel, which == 2 ? 0.52 : 0.47);
    double fall = which == 2   ? step(0.42, -0.30, u)
                  : which == 1 ? 0.55 + 0.45 * step(0.75, -0.9, u)
                               : 0.75 + 0.25 * step(-0.7, 0.5, u);
    double high = tall * fall * (0.92 + 0.75 * n.value), slope = tall * fall * 0.75 * cells * n.x;
    double below = v - (HORIZON - high);
    double cover = inside(below, pixel * root(1.0 + slope * slope));
    if (cover <= 0.0) return {{0, 0, 0}, 0.0};
    double foot = unit(below / (high + 0.001));
    double fold =
        coarse<0>(u * cells * 5.0 + below * 20.0, below * 60.0, 451u + 16u * (unsigned)which, cells * 5.0 * pixel, 0.55)
            .value;
    Rgb own = Rgb{0.034, 0.042, 0.060} * (1.0 + 0.45 * fold);
    double share = which == 0 ? 0.66 : which == 1 ? 0.46 : 0.27;
    return {hazed(own, u, share + (1.0 - share) * 0.45 * foot, light), cover};
}

template <bool mirrored> SCENE_PART Paint headland(double u, double v, const Light& light, double pixel) {
    if (u < 0.10 || v < HEADLAND_FOOT - 0.30 || v > HEADLAND_FOOT + 0.006) return {{0, 0, 0}, 0.0};
    double rise = step(0.125, 0.285, u), away = step(0.30, 1.1, u), middle = 4.0 * rise * (1.0 - rise);
    double bend = 0.012 * line(v * 23.0, 521u).value;
    Slope n = rough_line((u + bend) * 6.5, 501u, 6.5 * pixel, 0.50);
    double rugged = 0.011 + 0.030 * middle;
    double high = 0.132 * rise + 0.050 * away + rugged * n.value * step(0.11, 0.15, u) - 0.004;
    double slope = 6.5 * rugged * n.x + 1.6 * middle;
    double e = v - (HEADLAND_FOOT - high),
           shore = HEADLAND_FOOT + 0.0022 * rough_line(u * 31.0, 511u, 31.0 * pixel, 0.5).value;
    double cover = inside(e, pixel * root(1.0 + slope * slope)) * inside(shore - v, pixel);
    if (cover <= 0.0) return {{0, 0, 0}, 0.0};
    double warp = 0.5 * grain(u * 14.0, v * 9.0, 531u);
    Slope t = mirrored ? coarse<4>(u * 26.0 + warp, e * 16.0 + u * 5.0, 541u, 26.0 * pixel, 0.55)
                       : rough<5>(u * 26.0 + warp, e * 16.0 + u * 5.0, 541u, 26.0 * pixel, 0.62);
    // Buttresses and gullies down the cliff, broken into blocks.
    Facet large = facet(u * 21.0 + 0.45 * warp + 0.10 * t.value, e * 10.0 + 0.25 * t.value, 561u);
    Facet small = facet(u * 64.0 + 0.45 * t.value, e * 40.0 + u * 9.0 + 0.5 * t.value, 562u);
    double crack = step(0.0, 0.16, large.gap) * (0.55 + 0.45 * step(0.0, 0.22, small.gap));
    double turf = step(
        0.014, -0.014,
        e - 0.014 - 0.040 * rise * unit(0.45 + grain(u * 17.0, 3.0 + e * 10.0, 551u)) - 0.034 * away - 0.008 * t.value);
    turf =
        unit(turf + 0.8 * step(0.1, 0.45, t.value + 0.35 * large.lean_y) * step(0.10, 0.03, e)) * step(0.16, 0.27, u);
    Rgb rock = mix(Rgb{0.170, 0.130, 0.100}, Rgb{0.080, 0.072, 0.070}, unit(0.5 + 0.5 * t.value + 0.25 * small.lean_x));
    Rgb green = mix(Rgb{0.058, 0.066, 0.022}, Rgb{0.130, 0.098, 0.042}, unit(0.5 + 0.8 * t.value));
    double bare = 1.0 - turf, edge = bump(e * (1.0 / 0.005));  // turned away over the crest
    double x = bare * (0.55 * large.x + 0.35 * large.lean_x + 0.55 * small.lean_x) - (0.11 - 0.02 * turf) * t.x -
               0.45 * middle;
    double y = mix(0.10 - 0.30 * large.y + 0.38 * small.lean_y, 0.85, turf) + 0.12 * t.y + 0.9 * edge;
    double hollow = unit(0.74 + 0.40 * t.value) * mix(1.0, 0.25 + 0.75 * crack, bare);
    Rgb c = lit_by_evening(mix(rock, green, turf), x, y, 1.0 - 0.85 * edge, hollow, u, light);
    double wet = step(0.011, 0.001, shore - v + 0.004 * t.value);
    c = c * (1.0 - 0.70 * wet);
    if (!mirrored)
        c = mix(c, Rgb{0.26, 0.22, 0.22},
                0.7 * step(0.0022, 0.0004, shore - v + 0.0018 * t.value) * unit(0.3 + t.value));
    return {hazed(c, u, 0.034 + 0.060 * bump((u - 0.08) * 5.0) + 0.03 * unit(1.0 - e * 8.0), light), cover};
}

struct Stack {
    double u, foot, wide, high, lean;
    int arch;
};
constexpr int STACK_COUNT = 4;
SCENE_TABLE constexpr Stack STACKS[STACK_COUNT] = {{0.098, 0.5900, 0.0170, 0.083, 0.08, 0},
                                                   {0.131, 0.5885, 0.0075, 0.031, -0.15, 0},
                                                   {0.030, 0.5950, 0.0330, 0.066, 0.05, 1},
                                                   {-0.024, 0.5915, 0.0085, 0.014, 0.12, 0}};

constexpr double STACKS_TOP = 0.450, STACKS_LEFT = -0.05, STACKS_RIGHT = 0.15;  // they all stand in here

template <bool mirrored> SCENE_PART Paint sea_stack(double u, double v, int which, const Light& light, double pixel) {
    const Stack s = STACKS[which];
    double up = s.foot - v, across = u - s.u;
    if (up > s.high * 1.3 || up < -0.004 || magnitude(across) > s.wide * 1.6) return {{0, 0, 0}, 0.0};
    double h = up / s.high, cells = 26.0;
    Slope t = mirrored ? coarse<4>(u * cells + 40.0 * which, v * cells * 0.8, 601u, cells * pixel, 0.55)
                       : rough<5>(u * cells + 40.0 * which, v * cells * 0.8, 601u, cells * pixel, 0.60);
    double x = across - s.lean * up + s.wide * 0.22 * t.value;
    double half = s.wide * (1.0 - 0.42 * h + 0.10 * line(h * 4.0 + which, 641u).value);
    double inner = half - magnitude(x),
           top = (1.0 - 0.10 * x / s.wide + 0.10 * line(x / s.wide * 2.2 + 7.0 * which, 651u).value) * s.high - up;
    double d = least(inner, top);
    if (s.arch) {
        double ax = (across + 0.004) / 0.0105, ay = (up - 0.002) / 0.036;
        double hole = (root(ax * ax + ay * ay) - 1.0) * 0.011 + s.wide * 0.05 * t.value;
        d = least(d, hole);
    }
    double cover = inside(d, pixel * 1.25) * inside(s.foot + 0.0005 * t.value - v, pixel);
    if (cover <= 0.0) return {{0, 0, 0}, 0.0};
    double side = unit(magnitude(x) / half) * (x < 0.0 ? -1.0 : 1.0), crest = bump(top * (1.0 / 0.004));
    Rgb rock = mix(Rgb{0.135, 0.105, 0.086}, Rgb{0.080, 0.070, 0.068}, unit(0.5 + 0.7 * t.value));
    double z = root(unit(1.0 - side * side)) + 0.05;
    Rgb c = lit_by_evening(rock, side - 0.28 * t.x, 0.15 + 0.16 * t.y + 0.9 * crest, z * (1.0 - 0.8 * crest),
                           unit(0.75 + 0.4 * t.value), s.u, light);
    double wet = step(0.011, 0.002, up + 0.004 * t.value);
    c = c * (1.0 - 0.6 * wet);
    if (!mirrored)
        c = mix(c, Rgb{0.24, 0.21, 0.21}, 0.6 * step(0.0024, 0.0004, up + 0.0015 * t.value) * unit(0.4 + t.value));
    return {hazed(c, u, 0.075, light), cover};
}

// The rocks in front: a shelf of broken ledges, wet where it meets the bay.
SCENE_FN double shelf_line(double u) { return 0.905 - 0.150 * step(-0.05, 0.72, u) - 0.030 * step(0.75, 1.6, u); }

constexpr double SHELF_TOP = 0.650;  // above all of it

SCENE_PART Paint near_rock(double u, double v, const Light& light, double pixel) {
    double mean = shelf_line(u);
    if (v < mean - 0.075) return {{0, 0, 0}, 0.0};
    double bend = 0.016 * line(v * 17.0, 721u).value;
    Slope n = rough_line((u + bend) * 5.5, 701u, 5.5 * pixel, 0.52);
    double below = v - (mean - 0.046 * n.value), slope = 0.046 * 5.5 * n.x;
    double cover = inside(below, pixel * root(1.0 + slope * slope));
    if (cover <= 0.0) return {{0, 0, 0}, 0.0};
    double e = below / (0.30 + below * 1.3);         // nearer ground lies flatter before the eye
    double x = u / (0.45 + below), tilt = 0.55 * x;  // beds that dip to the left
    Slope fine = rough<5>(x * 17.0, e * 30.0 + tilt * 12.0, 751u, 30.0 * pixel, 0.66);
    double warp = 0.28 * n.value + 0.10 * fine.value;
    Facet block = facet(x * 4.2 + warp, e * 8.5 + tilt * 4.0 + warp, 741u);
    Facet chip = facet(x * 13.0 + 1.1 * warp + block.lean_x, e * 24.0 + tilt * 12.0 + 2.0 * warp, 742u);
    double crack = step(-0.02, 0.13, block.gap + 0.03 * fine.value),
           seam = step(-0.04, 0.16, chip.gap + 0.06 * fine.value);
    double hollow =
        unit(0.80 + 0.42 * fine.value) * (0.12 + 0.88 * crack) * (0.45 + 0.55 * seam) * unit(0.95 - 0.55 * block.y);
    Rgb stone = mix(Rgb{0.165, 0.136, 0.116}, Rgb{0.066, 0.064, 0.070},
                    unit(0.5 + 0.6 * fine.value + 0.3 * chip.lean_x + 0.3 * block.lean_x));
    double lichen =
        step(0.25, 0.50, grain(x * 11.0 + 3.0, e * 17.0, 771u) + 0.55 * fine.value) * step(0.02, 0.06, below) * crack;
    stone = mix(stone, Rgb{0.230, 0.150, 0.052}, 0.6 * lichen);
    double crest = bump(below * (1.0 / 0.006));
    double y =
        0.36 - 0.85 * block.y + 0.30 * block.lean_y - 0.30 * chip.y + 0.26 * chip.lean_y + 0.16 * fine.y + 1.0 * crest;
    double nx = 0.55 * block.x + 0.38 * block.lean_x + 0.34 * chip.lean_x - 0.17 * fine.x;
    Rgb c = lit_by_evening(stone, nx, y, 0.95 - 0.75 * crest, hollow, u, light);
    double wet = step(0.060, 0.0, below - 0.03 * block.lean_x), up = unit(y - 0.30);
    double sheen = (0.25 + 0.75 * wet) * up * up * hollow * 0.13;
    return {c * (1.0 - 0.45 * wet) + veil(u, light) * (sheen * unit(0.35 + fine.value)), cover};
}

}  // namespace invented
