// The invented lighthouse with its lamp, the keeper's cottage and the flag beside it.
#pragma once
#include "scene_land.h"

namespace invented {

constexpr double TOWER_U = 0.395, TOWER_FOOT = 0.448, FLAG_U = 0.468, FLAG_FOOT = 0.452;

SCENE_FN double box(double u, double v, double left, double top, double right, double bottom, double pixel) {
    return inside(u - left, pixel) * inside(right - u, pixel) * inside(v - top, pixel) * inside(bottom - v, pixel);
}

// How the wind displaces the flag's cloth at a place along it (0 at the pole).
SCENE_FN double flag_wave(double along, const Light& light) {
    double t = light.time * light.wind;
    return light.wind * along *
               (0.62 * line(along * 2.3 - 1.9 * t + 4.0, 911u).value + 0.26 * line(along * 5.1 - 3.1 * t, 912u).value) +
           0.16 * along * along;
}

SCENE_FN bool flag_may_reach(double u, double v, double pixel) {
    return u > FLAG_U - 0.003 - pixel && u < FLAG_U + 0.038 + pixel && v > FLAG_FOOT - 0.110 - pixel &&
           v < FLAG_FOOT - 0.025 + pixel;
}

SCENE_FN Paint flag(double u, double v, const Light& light, double pixel) {
    const double LONG = 0.034, TALL = 0.019, TOP = FLAG_FOOT - 0.078;
    double s = (u - FLAG_U) / LONG;
    if (s < -0.05 || s > 1.05) return {{0, 0, 0}, 0.0};
    double w = flag_wave(s, light), y = (v - TOP) / TALL - w;
    double cover = inside(s * LONG, pixel) * inside((1.0 - s - 0.32 * (1.0 - magnitude(2.0 * y - 1.0))) * LONG, pixel) *
                   inside((y - 0.14 * s) * TALL, pixel) * inside((1.0 - 0.14 * s - y) * TALL, pixel);
    if (cover <= 0.0) return {{0, 0, 0}, 0.0};
    double fold = (flag_wave(s + 0.02, light) - w) * 50.0;
    Rgb cloth = mix(Rgb{0.40, 0.125, 0.060}, Rgb{0.60, 0.55, 0.46},
                    inside((s - 0.14) * LONG, pixel) * inside((0.30 - s) * LONG, pixel));
    return {cloth * (Rgb{0.16, 0.14, 0.15} +
                     Rgb{0.85, 0.50, 0.26} * ((0.16 + 0.85 * unit(0.5 - 0.55 * fold)) * light.sunlight)),
            cover};
}

SCENE_FN Paint tower(double u, double v, const Light& light, double pixel) {
    double x = u - TOWER_U, up = TOWER_FOOT - v;
    if (magnitude(x) > 0.020 || up < -0.020 || up > 0.150) return {{0, 0, 0}, 0.0};
    double half = 0.0128 - 0.038 * up + 0.28 * unit(0.012 - up) * 0.10;
    double shaft = inside(half - magnitude(x), pixel) * inside(0.108 - up, pixel) * inside(up + 0.020, pixel);
    double gallery = box(x, -up, -0.0122, -0.1105, 0.0122, -0.1070, pixel);
    double rail = box(x, -up, -0.0120, -0.1162, 0.0120, -0.1155, pixel);
    double post = 0.0;
    if (up > 0.110 && up < 0.117) {
        double p = (x + 0.0120) / 0.0040, f = p - whole(p) - 0.5;
        post = magnitude(x) < 0.0125 ? inside(0.00030 - magnitude(f) * 0.0040, pixel) * inside(0.116 - up, pixel) : 0.0;
    }
    double room = box(x, -up, -0.0066, -0.1270, 0.0066, -0.1100, pixel);
    double dome_y = (up - 0.1268) / 0.0095, dome_x = x / 0.0078;
    double dome = inside((1.0 - root(dome_x * dome_x + dome_y * dome_y)) * 0.0078, pixel) * inside(up - 0.1268, pixel);
    double tip = box(x, -up, -0.0005, -0.1455, 0.0005, -0.1350, pixel);
    double ball_y = up - 0.1385, ball = inside(0.0013 - root(x * x + ball_y * ball_y), pixel);
    // The white round shaft: the sun grazes its left limb, the sky fills the rest.
    double side = x / half;
    side = side < -1.0 ? -1.0 : side > 1.0 ? 1.0 : side;
    double grainy = 0.9 + 0.1 * coarse<0>(u * 260.0, v * 90.0, 921u, 260.0 * pixel, 0.6).value;
    Rgb white = Rgb{0.62, 0.60, 0.57} * grainy, red = Rgb{0.25, 0.080, 0.058} * grainy;
    double band = inside(up - 0.040, pixel) * inside(0.066 - up, pixel);
    Rgb skin = mix(white, red, band);
    double z = root(unit(1.0 - side * side)), graze = unit(-side * 0.93 - z * 0.34);
    Rgb c = skin * (Rgb{0.120, 0.118, 0.145} * (0.62 + 0.38 * z) + Rgb{0.075, 0.050, 0.036} * unit(0.4 - 0.6 * side) +
                    Rgb{2.6, 1.40, 0.60} * (graze * light.sunlight));
    double pane =
        box(x, -up, -0.0016, -0.0330, 0.0014, -0.0275, pixel) + box(x, -up, -0.0012, -0.0830, 0.0012, -0.0785, pixel);
    c = mix(c, Rgb{0.010, 0.011, 0.014}, unit(pane) * 0.9);
    double door = box(x, -up, -0.0028, -0.0105, 0.0028, 0.004, pixel);
    c = mix(c, Rgb{0.020, 0.016, 0.014}, door * 0.9);
    c = c * (1.0 - 0.45 * bump((0.1065 - up) * 400.0));  // the gallery's shadow
    Rgb iron = Rgb{0.022, 0.021, 0.024} + Rgb{0.10, 0.055, 0.024} * (unit(-x * 110.0) * light.sunlight);
    // The lamp behind its panes.
    double lx = x / 0.0022, ly = (up - 0.1180) / 0.0036, heat = bell(lx * lx + ly * ly);
    Rgb glass = Rgb{0.55, 0.34, 0.16} + Rgb{1.0, 0.80, 0.46} * (46.0 * heat * heat * heat);
    double f = (x + 0.0066) / 0.0033;
    f = f - whole(f) - 0.5;
    double bars = 1.0 - 0.85 * inside(magnitude(f) * 0.0033 - 0.00145, pixel);
    Rgb out = c * shaft;
    double cover = shaft;
    out = mix(out, glass * bars, room), cover = most(cover, room);
    double dark = unit(gallery + rail + post + dome + tip + ball);
    out = mix(out, iron, dark), cover = most(cover, dark);
    return {cover > 0.0 ? out * (1.0 / cover) : out, cover};
}

SCENE_FN Paint cottage(double u, double v, const Light& light, double pixel) {
    double x = u - 0.432, up = 0.4495 - v;
    if (magnitude(x) > 0.026 || up < -0.010 || up > 0.040) return {{0, 0, 0}, 0.0};
    double wall = box(x, -up, -0.0190, -0.0150, 0.0190, 0.010, pixel);
    double slant = least(0.0280 - up, (0.0225 - magnitude(x)) * 1.0);
    double roof =
        inside(least(slant, (0.0225 - magnitude(x)) * 0.8 - (up - 0.0145) * 0.45), pixel) * inside(up - 0.0145, pixel);
    double stacks =
        box(x, -up, -0.0150, -0.0345, -0.0115, -0.0200, pixel) + box(x, -up, 0.0118, -0.0335, 0.0150, -0.0200, pixel);
    double slate = coarse<0>(u * 160.0, v * 420.0, 931u, 420.0 * pixel, 0.6).value;
    Rgb c = Rgb{0.42, 0.40, 0.37} * (Rgb{0.105, 0.105, 0.130} * (1.0 + 0.10 * slate) +
                                     Rgb{0.35, 0.19, 0.08} * (unit(-x * 9.0 - 0.12) * light.sunlight));
    double panes =
        box(x, -up, -0.0115, -0.0105, -0.0080, -0.0050, pixel) + box(x, -up, 0.0085, -0.0105, 0.0120, -0.0050, pixel);
    c = mix(c, Rgb{0.95, 0.52, 0.17}, unit(panes));
    c = mix(c, Rgb{0.020, 0.016, 0.014}, box(x, -up, -0.0018, -0.0100, 0.0022, 0.010, pixel));
    Rgb tile = Rgb{0.090, 0.078, 0.080} * (Rgb{0.22, 0.22, 0.26} * (1.0 + 0.35 * slate)) +
               Rgb{0.10, 0.052, 0.022} * (bump((0.0270 - up) * 700.0) * light.sunlight);
    Rgb out = c * wall;
    double cover = wall;
    out = mix(out, Rgb{0.024, 0.021, 0.020}, unit(stacks)), cover = most(cover, unit(stacks));
    out = mix(out, tile, roof), cover = most(cover, roof);
    return {cover > 0.0 ? out * (1.0 / cover) : out, cover};
}

SCENE_PART Paint house(double u, double v, const Light& light, double pixel) {
    if (u < TOWER_U - 0.10 || u > FLAG_U + 0.06 || v > 0.470 || v < 0.24) return {{0, 0, 0}, 0.0};
    Rgb out = {0, 0, 0};
    double cover = 0.0;
    double pole = box(u, v, FLAG_U - 0.00075, FLAG_FOOT - 0.083, FLAG_U + 0.00075, FLAG_FOOT + 0.01, pixel);
    Paint parts[4] = {flag(u, v, light, pixel),
                      {Rgb{0.07, 0.062, 0.062} + Rgb{0.12, 0.07, 0.03} * light.sunlight, pole},
                      cottage(u, v, light, pixel),
                      tower(u, v, light, pixel)};
    for (int k = 0; k < 4; k++) {
        out = over(parts[k], out);
        cover = 1.0 - (1.0 - cover) * (1.0 - parts[k].cover);
    }
    return {cover > 0.0 ? out * (1.0 / cover) : out, cover};
}

// The lamp's halo in the evening air, added to whatever lies behind it.
SCENE_FN Rgb lamp_halo(double u, double v) {
    double x = u - TOWER_U, y = v - (TOWER_FOOT - 0.118), r = root(x * x + y * y);
    double a = bump(r * (1.0 / 0.0052)), b = bump(r * (1.0 / 0.030));
    return Rgb{1.0, 0.70, 0.36} * (0.9 * a * a + 0.035 * b * b);
}

}  // namespace invented
