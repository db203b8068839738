// The invented meadow in front: rows of single blades, back to front, leaning and moving with the wind.
#pragma once
#include "scene_tree.h"

namespace invented {

constexpr int ROWS = 17;

// The ground line of a row of blades; row 0 is the crest of the bank.
SCENE_FN double crest_line(double u) {
    return 0.795 + 0.185 * step(-0.78, 0.30, u) - 0.035 * step(0.30, 1.2, u) + 0.012 * line(u * 3.0, 1001u).value;
}
SCENE_FN double row_base(double crest, int row) {
    double k = row * (1.0 / (ROWS - 1));
    return crest + 0.300 * k * (0.30 + 0.70 * k);
}
SCENE_FN double row_tall(int row) { return 0.034 + 0.056 * (row * (1.0 / (ROWS - 1))); }
constexpr double ROW_WAVE = 0.0045, GRASS_REACH = 0.046;  // a row's ground swings by less; the crest's blades end below

constexpr double MEADOW_TOP = 0.735;  // nothing of it is above, wherever

SCENE_FN bool grass_may_reach(double u, double v, double pixel) {
    return v >= MEADOW_TOP - pixel && v >= crest_line(u) - GRASS_REACH - pixel;
}

// Against the sun a blade is dark at its foot and glows towards its tip.
SCENE_FN Rgb blade_colour(double g, double tint, double side, double west, const Light& light) {
    Rgb own = mix(Rgb{0.040, 0.048, 0.015}, Rgb{0.165, 0.122, 0.056}, unit(tint));
    Rgb through = Rgb{2.0, 1.16, 0.46} * ((0.015 + 0.62 * g * g * g) * (0.35 + 0.65 * side) * west * light.sunlight);
    return own * (Rgb{0.15, 0.15, 0.19} * (0.10 + 0.90 * g) + through);
}

SCENE_PART Paint grass(double u, double v, const Light& light, double pixel) {
    double crest = crest_line(u);
    if (v < crest - GRASS_REACH - pixel) return {{0, 0, 0}, 0.0};
    Rgb out = {0, 0, 0};
    double left = 1.0, per_pixel = 1.0 / pixel, t = light.time * light.wind,
           west = 0.22 + 0.78 * bump((u - SUN_U) * 1.6);
    double gust =
        light.wind * (0.5 * line(u * 2.3 - 1.3 * t, 1031u).value + 0.25 * line(u * 6.1 - 2.9 * t, 1032u).value);
    double patch = grain(u * 5.0, v * 9.0, 1041u), tuft = grain(u * 21.0, v * 30.0, 1042u);
    for (int row = ROWS - 1; row >= 0; row--) {
        double tall = row_tall(row), base = row_base(crest, row);
        if (v < base - ROW_WAVE - tall * 1.2) continue;
        Slope wave = line(u * 8.0 + 3.7 * row, 1011u + (unsigned)row);
        base += ROW_WAVE * wave.value;
        double up = base - v, per_tall = 1.0 / tall, h = up * per_tall;
        if (up <= 0.004) {  // the ground under this row
            double n = grain(u * 150.0, v * 190.0 + row, 1081u), c = inside(0.003 * n - up, pixel * 1.2);
            out = out + Rgb{0.0027, 0.0025, 0.0014} * ((1.0 + 0.6 * n + 0.5 * patch) * c * left);
            left *= 1.0 - c;
            if (left < 0.004) break;
            if (up <= 0.0) continue;
        }
        if (h >= 1.16) continue;
        double scale = 0.50 + 0.85 * (row * (1.0 / (ROWS - 1))), wide = 0.0024 * scale,
               bow = 0.42 + 0.8 * gust + 0.22 * wave.value;
        double x = u - bow * tall * h * h, at = whole(x / wide);
        const int reach = h < 0.4 ? 1 : 2;  // low down, no blade has left its neighbourhood
        for (int k = -reach; k <= reach; k++) {
            unsigned q = cell((long long)at + k, row, 1061u);
            double high = 0.32 + 0.60 * part(q, 0) + 0.20 * patch + 0.16 * tuft;
            if (h >= high) continue;
            double centre = (at + k + 0.5 + (part(q, 16) - 0.5) * 0.9) * wide, square = high * high,
                   own = (part(q, 8) - 0.5) * 3.0 * (high < 1.0 ? high : 1.0);
            if (magnitude((x - centre) * square - own * wide * h * h) >
                wide * (0.45 * square + 0.5 * light.wind * h * high))
                continue;
            double g = h / high;
            unsigned r = scramble(q + 77u);
            own += light.wind * 0.6 * line(t * 3.0 + part(r, 16) * 97.0, 1071u).value;
            centre += own * wide * g * g;
            double half = (0.00026 + 0.00050 * part(q, 24)) * scale * (1.0 - 0.93 * g * g);
            bool ear = part(r, 0) > 0.93 && g > 0.76;  // some carry an ear of seed
            if (ear) {
                double a = (g - 0.88) * (1.0 / 0.12), beads = g * 26.0 - whole(g * 26.0);
                half = 0.00066 * scale * (1.0 - a * a) * (0.70 + 1.2 * beads * (1.0 - beads)) + 0.00012;
            }
            double slope = 2.0 * bow * h + 2.0 * own * wide * h * per_tall / square;
            double away = x - centre, stretch = 1.0 + slope * slope, most_away = half + 0.5 * pixel;
            if (half <= 0.0 || away * away >= most_away * most_away * stretch) continue;
            double d = away / root(stretch),
                   c = least(unit((half - magnitude(d)) * per_pixel + 0.5), 2.0 * half * per_pixel);
            double tint = part(r, 8) * 0.8 + 0.35 * patch + 0.25 * tuft + (ear ? 0.5 : 0.0);
            out = out + blade_colour(ear ? 1.05 : g, tint, unit(0.5 - d / half * 0.5), west, light) * (c * left);
            left *= 1.0 - c;
        }
        if (left < 0.004) break;
    }
    double cover = 1.0 - left;
    return {cover > 0.0 ? out * (1.0 / cover) : out, cover > 0.996 ? 1.0 : cover};
}

}  // namespace invented
