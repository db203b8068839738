// The invented land: hazy far ridges, a headland, sea stacks and the rocks of the near shore.
#pragma once
#include "scene_sky.h"

namespace invented {

struct Paint {
  Rgb colour;
  double cover;  // share of the pixel
};
SCENE_FN Rgb over(Paint p, Rgb below) { return p.colour * p.cover + below * (1.0 - p.cover); }

constexpr double HEADLAND_FOOT = 0.5855;

// Light on a surface: open sky above, the dim east behind the camera, the low sun in front of it (so only faces turned
// left, up or away catch it). The normal (x right, y up, z to the camera) needs no unit length.
SCENE_FN Rgb lit_by_evening(Rgb albedo, double x, double y, double z, double hollow, double u, const Light& light) {
  double k = 1.0 / root(x * x + y * y + z * z);
  x *= k, y *= k, z *= k;
  double west = 0.35 + 0.65 * bump((u - SUN_U) * 1.1);
  Rgb ambient = Rgb{0.125, 0.135, 0.170} * (0.45 + 0.40 * y + 0.15 * z) + Rgb{0.110, 0.080, 0.062} * (0.5 + 0.5 * y) * west;
  double facing = unit(0.30 * y - (u > SUN_U ? 0.80 : -0.80) * x * least(magnitude(u - SUN_U) * 6.0, 1.0) - 0.36 * z);
  Rgb sun = Rgb{2.6, 1.45, 0.62} * (facing * west * light.sunlight);
  return albedo * (ambient * hollow + sun * (hollow * hollow));
}

SCENE_FN Rgb hazed(Rgb colour, double u, double share, const Light& light) {
  double k = 1.0 - 1.0 / (1.0 + share * light.haze / (1.0 - share));
  return mix(colour, veil(u, light), k);
}

// One of three ridges on the far side of the bay.
template <bool mirrored> SCENE_FN Paint far_ridge(double u, double v, int which, const Light& light, double pixel) {
  const double tall = which == 0 ? 0.058 : which == 1 ? 0.036 : 0.019, cells = which == 0 ? 2.3 : which == 1 ? 3.1 : 4.7;
  if (HORIZON - v > tall * 1.9) return {{0, 0, 0}, 0.0};
  Slope n = rough_line(u * cells + 9.0 * which, 401u + 16u * (unsigned)which, cells * pixel, which == 2 ? 0.52 : 0.47, 11);
  double fall = which == 2 ? step(0.42, -0.30, u) : which == 1 ? 0.55 + 0.45 * step(0.75, -0.9, u) : 0.75 + 0.25 * step(-0.7, 0.5, u);
  double high = tall * fall * (0.92 + 0.75 * n.value), slope = tall * fall * 0.75 * cells * n.x;
  double below = v - (HORIZON - high);
  double cover = inside(below, pixel * root(1.0 + slope * slope));
  if (cover <= 0.0) return {{0, 0, 0}, 0.0};
  double foot = unit(below / (high + 0.001));
  double fold = coarse<0>(u * cells * 5.0 + below * 20.0, below * 60.0, 451u + 16u * (unsigned)which, cells * 5.0 * pixel, 0.55).value;
  Rgb own = Rgb{0.034, 0.042, 0.060} * (1.0 + 0.45 * fold);
  double share = which == 0 ? 0.66 : which == 1 ? 0.46 : 0.27;
  return {hazed(own, u, share + (1.0 - share) * 0.45 * foot, light), cover};
}

template <bool mirrored> SCENE_FN Paint headland(double u, double v, const Light& light, double pixel) {
  if (u < 0.06) return {{0, 0, 0}, 0.0};
  if (v < HEADLAND_FOOT - 0.30 || v > HEADLAND_FOOT + 0.003) return {{0, 0, 0}, 0.0};
  double rise = step(0.085, 0.275, u), away = step(0.30, 1.1, u);
  double bend = 0.010 * line(v * 23.0, 521u).value;
  Slope n = rough_line((u + bend) * 6.5, 501u, 6.5 * pixel, 0.50, 10);
  double high = 0.128 * rise + 0.050 * away + (0.010 + 0.045 * rise * (1.0 - rise) * 2.0) * n.value * step(0.07, 0.11, u) - 0.004;
  double slope = 6.5 * (0.010 + 0.09 * rise * (1.0 - rise)) * n.x + 6.0 * rise * (1.0 - rise);
  double below = v - (HEADLAND_FOOT - high);
  double cover = inside(below, pixel * root(1.0 + slope * slope)) * inside(HEADLAND_FOOT + 0.0006 * n.value - v, pixel);
  if (cover <= 0.0) return {{0, 0, 0}, 0.0};
  double e = below;
  double warp = 0.35 * grain(u * 14.0, v * 9.0, 531u);
  Slope t = mirrored ? coarse<4>(u * 22.0 + warp, e * 13.0 + u * 5.0, 541u, 22.0 * pixel, 0.55)
                     : rough<5>(u * 22.0 + warp, e * 13.0 + u * 5.0, 541u, 22.0 * pixel, 0.60);
  double turf = step(0.012, -0.012, e - 0.022 - 0.028 * rise * grain(u * 19.0, 3.0 + e * 12.0, 551u) - 0.030 * away) * step(0.15, 0.3, u);
  Rgb rock = mix(Rgb{0.150, 0.118, 0.094}, Rgb{0.085, 0.076, 0.074}, unit(0.5 + 0.6 * t.value));
  Rgb green = mix(Rgb{0.070, 0.072, 0.026}, Rgb{0.120, 0.092, 0.040}, unit(0.5 + 0.7 * t.value));
  double relief = mix(0.34, 0.10, turf);
  double edge = bump(e * (1.0 / 0.006));  // turned away over the crest
  double x = -relief * t.x - 0.55 * rise * (1.0 - rise) * 4.0, y = mix(0.22, 0.85, turf) + relief * t.y * 0.5 + 0.8 * edge;
  Rgb c = lit_by_evening(mix(rock, green, turf), x, y, 1.0 - 0.85 * edge, unit(0.72 + 0.42 * t.value), u, light);
  double wet = step(0.010, 0.0, HEADLAND_FOOT - v + 0.004 * t.value);
  c = c * (1.0 - 0.65 * wet);
  if (!mirrored) {
    double foam = step(0.0022, 0.0004, HEADLAND_FOOT - v + 0.0015 * t.value) * unit(0.4 + t.value);
    c = mix(c, Rgb{0.22, 0.20, 0.21}, 0.6 * foam);
  }
  return {hazed(c, u, 0.055 + 0.06 * bump((u - 0.05) * 4.0), light), cover};
}

struct Stack {
  double u, foot, wide, high, lean;
  int arch;
};
constexpr int STACK_COUNT = 5;
SCENE_TABLE constexpr Stack STACKS[STACK_COUNT] = {
    {0.052, 0.5905, 0.0150, 0.078, 0.10, 0}, {0.018, 0.5880, 0.0085, 0.036, -0.15, 0}, {-0.395, 0.5950, 0.0340, 0.074, 0.05, 1},
    {-0.335, 0.5935, 0.0100, 0.050, -0.10, 0}, {-0.462, 0.5915, 0.0130, 0.022, 0.12, 0}};

template <bool mirrored> SCENE_FN Paint sea_stack(double u, double v, int which, const Light& light, double pixel) {
  const Stack s = STACKS[which];
  double up = s.foot - v, across = u - s.u;
  if (up > s.high * 1.3 || up < -0.004 || magnitude(across) > s.wide * 1.6) return {{0, 0, 0}, 0.0};
  double h = up / s.high, cells = 26.0;
  Slope t = mirrored ? coarse<4>(u * cells + 40.0 * which, v * cells * 0.8, 601u, cells * pixel, 0.55)
                     : rough<5>(u * cells + 40.0 * which, v * cells * 0.8, 601u, cells * pixel, 0.60);
  double x = across - s.lean * up + s.wide * 0.22 * t.value;
  double half = s.wide * (1.0 - 0.42 * h + 0.10 * line(h * 4.0 + which, 641u).value);
  double inner = half - magnitude(x), top = (1.0 - 0.10 * x / s.wide + 0.10 * line(x / s.wide * 2.2 + 7.0 * which, 651u).value) * s.high - up;
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
  Rgb c = lit_by_evening(rock, side - 0.28 * t.x, 0.15 + 0.16 * t.y + 0.9 * crest, z * (1.0 - 0.8 * crest), unit(0.75 + 0.4 * t.value), s.u, light);
  double wet = step(0.011, 0.002, up + 0.004 * t.value);
  c = c * (1.0 - 0.6 * wet);
  if (!mirrored) c = mix(c, Rgb{0.24, 0.21, 0.21}, 0.6 * step(0.0024, 0.0004, up + 0.0015 * t.value) * unit(0.4 + t.value));
  return {hazed(c, u, 0.075, light), cover};
}

// The rocks in front: a shelf of broken ledges, wet where it meets the bay.
SCENE_FN double shelf_line(double u) { return 0.905 - 0.150 * step(-0.05, 0.72, u) - 0.030 * step(0.75, 1.6, u); }

SCENE_FN Paint near_rock(double u, double v, const Light& light, double pixel) {
  double mean = shelf_line(u);
  if (v < mean - 0.075) return {{0, 0, 0}, 0.0};
  double bend = 0.016 * line(v * 17.0, 721u).value;
  Slope n = rough_line((u + bend) * 5.5, 701u, 5.5 * pixel, 0.52, 11);
  double below = v - (mean - 0.046 * n.value), slope = 0.046 * 5.5 * n.x;
  double cover = inside(below, pixel * root(1.0 + slope * slope));
  if (cover <= 0.0) return {{0, 0, 0}, 0.0};
  double e = below / (0.35 + below * 1.6);  // nearer ground lies flatter before the eye
  double x = u / (0.45 + below), ledge = e * 26.0 + 2.2 * grain(x * 3.0, e * 8.0, 731u) + x * 2.5;
  Slope big = coarse<3>(x * 3.4 + 0.5 * n.value, ledge * 0.40, 741u, 9.0 * pixel, 0.55);
  Slope fine = rough<4>(x * 15.0 + 0.6 * big.value, ledge * 1.5, 751u, 34.0 * pixel, 0.62);
  double crack = magnitude(grain(x * 6.0 + 0.5 * fine.value, ledge * 0.8 + 0.3 * fine.value, 761u));
  double split = unit(1.0 - crack * 9.0);
  double hollow = unit(0.80 + 0.45 * big.value + 0.35 * fine.value) * (1.0 - 0.75 * split);
  Rgb stone = mix(Rgb{0.150, 0.126, 0.110}, Rgb{0.070, 0.068, 0.072}, unit(0.5 + 0.8 * fine.value + 0.5 * big.value));
  double lichen = step(0.22, 0.42, grain(x * 11.0 + 3.0, ledge * 1.4, 771u) + 0.45 * fine.value) * step(0.02, 0.06, below);
  stone = mix(stone, Rgb{0.260, 0.170, 0.055}, 0.55 * lichen);
  double crest = bump(below * (1.0 / 0.007));
  double y = 0.42 + 0.55 * big.y * 0.45 + 0.20 * fine.y + 1.1 * crest, nx = -0.35 * big.x - 0.26 * fine.x;
  Rgb c = lit_by_evening(stone, nx, y, 0.95 - 0.75 * crest, hollow, u, light);
  double wet = step(0.050, 0.0, below - 0.02 * big.value), up = unit(y - 0.35);
  double sheen = wet * up * up * hollow * 0.16;
  return {c * (1.0 - 0.45 * wet) + veil(u, light) * (sheen * (0.3 + unit(0.5 + fine.value))), cover};
}

}  // namespace invented
