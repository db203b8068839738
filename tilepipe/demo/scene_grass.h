// The invented meadow in front: rows of single blades, back to front, leaning and moving with the wind.
#pragma once
#include "scene_tree.h"

namespace invented {

constexpr int ROWS = 15;

// The ground line of a row of blades; row 0 is the crest of the bank.
SCENE_FN double crest_line(double u) {
  return 0.795 + 0.185 * step(-0.78, 0.30, u) - 0.035 * step(0.30, 1.2, u) + 0.012 * line(u * 3.0, 1001u).value;
}
SCENE_FN double row_line(double u, double crest, int row) {
  double k = (double)row / (ROWS - 1);
  return crest + 0.300 * k * (0.30 + 0.70 * k) + 0.006 * line(u * 7.0 + 3.7 * row, 1011u + (unsigned)row).value;
}
SCENE_FN double row_tall(int row) { return 0.040 + 0.050 * (double)row / (ROWS - 1); }

SCENE_FN bool grass_may_reach(double u, double v, double pixel) { return v >= crest_line(u) - 0.062 - pixel; }

SCENE_FN Paint grass(double u, double v, const Light& light, double pixel) {
  double crest = crest_line(u);
  if (v < crest - 0.062) return {{0, 0, 0}, 0.0};
  Rgb out = {0, 0, 0};
  double left = 1.0, t = light.time * light.wind;
  double west = 0.25 + 0.75 * bump((u - SUN_U) * 1.6);
  double gust = light.wind * (0.5 * line(u * 2.3 - 1.3 * t, 1031u).value + 0.25 * line(u * 6.1 - 2.9 * t, 1032u).value);
  double patch = grain(u * 5.0, crest * 9.0 + v * 6.0, 1041u);
  for (int row = ROWS - 1; row >= 0; row--) {
    double tall = row_tall(row);
    if (v < row_line(u, crest, row) - tall * 1.15) continue;
    double scale = 0.55 + 0.9 * (double)row / (ROWS - 1), base = row_line(u, crest, row), up = base - v;
    double h = up / tall;
    if (up > 0.0 && h < 1.1) {
      double lean = (0.42 + 0.8 * gust + 0.25 * line(u * 9.0 + row * 4.1, 1051u).value) * tall * h * h;
      double x = u - lean, wide = 0.0034 * scale, at = whole(x / wide);
      for (int k = -2; k <= 2; k++) {
        unsigned q = cell((long long)at + k, row, 1061u);
        double high = 0.35 + 0.65 * part(q, 0) + 0.18 * patch;
        if (h >= high) continue;
        unsigned r = scramble(q + 77u);
        double g = h / high, own = (part(q, 8) - 0.5) * 3.2 + light.wind * 0.5 * (line(t * 3.0 + part(r, 16) * 97.0, 1071u).value - line(part(r, 16) * 97.0, 1071u).value);
        double centre = (at + k + 0.5 + (part(q, 16) - 0.5) * 0.9) * wide + own * wide * g * g;
        double half = (0.00042 + 0.00062 * part(q, 24)) * scale * (1.0 - 0.92 * g * g);
        bool ear = part(r, 0) > 0.90 && g > 0.80;  // some carry an ear of seed
        if (ear) half = 0.0011 * scale * (1.0 - (g - 0.9) * (g - 0.9) * 100.0) + 0.0001;
        double slope = (2.0 * (0.42 + 0.8 * gust) * h + 2.0 * own * wide * g / (high * tall));
        double d = (x - centre) / root(1.0 + slope * slope);
        double c = least(inside(half - magnitude(d), pixel), 2.0 * half / pixel);
        if (c <= 0.0) continue;
        double tip = g * g, tint = part(r, 8), side = unit(0.5 - d / half * 0.5);
        Rgb green = mix(Rgb{0.050, 0.062, 0.014}, Rgb{0.170, 0.120, 0.042}, unit(tint * 0.85 + 0.25 * patch));
        Rgb sky_part = Rgb{0.15, 0.15, 0.19} * (0.12 + 0.88 * g);
        Rgb through = Rgb{2.1, 1.15, 0.42} * ((0.02 + 0.55 * tip) * (0.35 + 0.65 * side) * west * light.sunlight);
        Rgb blade = green * (sky_part + through) * (ear ? 1.5 : 1.0);
        out = out + blade * (c * left);
        left *= 1.0 - c;
        if (left < 0.004) break;
      }
    } else if (up <= 0.0) {
      double c = inside(-up, pixel);
      double n = grain(u * 130.0, v * 160.0 + row, 1081u);
      out = out + Rgb{0.0040, 0.0042, 0.0022} * ((1.0 + 0.5 * n) * c * left);
      left *= 1.0 - c;
    }
    if (left < 0.004) break;
  }
  double cover = 1.0 - left;
  if (cover > 0.996) return {out * (1.0 / cover), 1.0};
  return {cover > 0.0 ? out * (1.0 / cover) : out, cover};
}

}  // namespace invented
