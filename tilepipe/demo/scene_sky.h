// The invented evening sky: clear air with the sun's glow, two decks of drifting cloud, the sun's disc, stars.
#pragma once
#include "scene_noise.h"

namespace invented {

// Everything is measured in picture heights: u to the right from the middle, v down from the top.
constexpr double HORIZON = 0.560, SUN_U = -0.155, SUN_V = 0.447, SUN_RADIUS = 0.0085;

struct Light {
    double pixel;     // one pixel in picture heights
    double time;      // frame time; whole scene periods do not exist
    double sunlight;  // factor on everything that comes from the sun
    double haze;      // factor on the veil of distance
    double stars;     // brightness of stars, 0: none
    double cloud;     // factor on cloud cover
    double drift;     // factor on the clouds' way
    double wind;      // factor on grass, flag and twigs
    double shimmer;   // factor on the water's movement
};

// Clear evening air without disc and cloud; below the horizon it stays as it is there.
SCENE_FN Rgb air(double u, double v, const Light& light) {
    double up = most(HORIZON - v, 0.0);
    double du = u - SUN_U, dv = (v > HORIZON ? HORIZON : v) - SUN_V;
    double side = bump(du * (1.0 / 0.62)), low = bump(up * (1.0 / 0.19)), middle = bump((up - 0.20) * (1.0 / 0.17));
    low = low * low;
    Rgb blue = Rgb{0.046, 0.104, 0.236} * (1.0 - 0.45 * up);
    Rgb pale = Rgb{0.200, 0.205, 0.215} * (0.55 + 0.45 * side);
    Rgb rose = {0.330, 0.215, 0.200}, gold = {1.000, 0.590, 0.260};
    Rgb sky = blue * (1.0 - 0.75 * low) + (pale * (middle * (1.0 - 0.6 * low))) +
              mix(rose, gold, side * side) * (low * light.sunlight);
    double r = du * du + dv * dv, wide = du * du * 0.45 + dv * dv * 1.35;
    double a = bell(r * (1.0 / (0.030 * 0.030))), b = bell(wide * (1.0 / (0.105 * 0.105))),
           c = bell(wide * (1.0 / (0.36 * 0.36)));
    Rgb glow = Rgb{1.0, 0.80, 0.50} * (9.0 * a * root(a)) + Rgb{1.0, 0.66, 0.32} * (2.0 * b * root(b)) +
               Rgb{1.0, 0.52, 0.25} * (0.42 * c * root(c));
    return sky + glow * light.sunlight;
}

// What lies between the eye and something far away: the air's colour at the foot of the sky.
SCENE_FN Rgb veil(double u, const Light& light) { return air(u, HORIZON - 0.012, light); }

struct Cloud {
    double cover;  // 0 clear .. 1 closed
    double lit;    // 0 in its own shade .. 1 turned to the sun
};

// The high deck hangs on a ceiling: the closer to the horizon, the smaller and flatter its cells.
template <bool mirrored> SCENE_FN Cloud high_cloud(double u, double v, const Light& light) {
    double up = HORIZON - v, q = 1.0 / (up + 0.085);
    double x = u * q * 0.62 + 3.4 + 0.012 * light.drift * light.time, z = q * 1.15 + 0.004 * light.drift * light.time;
    double reach = most(q * 0.62, q * q * 1.15) * light.pixel;
    double bend = grain(x * 0.8 + 11.0, z * 0.8, 77u);
    x += 0.35 * bend;
    double px = x * 1.5 + 0.7 * z, pz = z * 2.1 - 0.5 * x;
    Slope n = mirrored ? coarse<4>(px, pz, 101u, reach * 2.2, 0.60) : rough<4>(px, pz, 101u, reach * 2.2, 0.60);
    double gap = grain(x * 0.55 + 2.0, z * 0.5 + 5.0, 131u);
    double d = n.value * 0.85 + gap * 0.55 + 0.12 - 0.25 * (1.0 - light.cloud);
    double dx = u - SUN_U, dy = v - SUN_V, far = root(dx * dx + dy * dy) + 0.03;
    double nu = (1.5 * n.x - 0.5 * n.y) * 0.62 * q, nv = (0.7 * n.x + 2.1 * n.y) * 1.15 * q * q;
    double toward = (nu * dx + nv * dy) / far;  // grows away from the sun: this side faces it
    double fade = step(0.0, 0.05, up);
    return {unit(d * 1.25) * fade * light.cloud, unit(0.5 + 0.040 * toward)};
}

// Long low bars near the sun.
template <bool mirrored> SCENE_FN Cloud low_cloud(double u, double v, const Light& light) {
    double band = bump((v - 0.462) * (1.0 / 0.040)) + 0.55 * bump((v - 0.345) * (1.0 / 0.035)),
           some = step(0.07, 0.20, band);
    if (some <= 0.0) return {0.0, 0.0};
    double x = u * 2.1 + 0.012 * light.drift * light.time, y = v * 17.0;
    double bend = grain(x * 2.0, y * 0.35, 177u);
    Slope n = mirrored ? coarse<3>(x + 0.10 * bend, y + 0.5 * bend, 201u, light.pixel * 17.0, 0.5)
                       : rough<3>(x + 0.10 * bend, y + 0.5 * bend, 201u, light.pixel * 17.0, 0.5);
    double d = n.value * 0.9 + band - 0.62 - 0.5 * (1.0 - light.cloud);
    double toward = (34.0 * step(-0.012, 0.012, v - SUN_V) - 17.0) * n.y;  // lit from its sun-side rim, without a line between
    return {unit(d * 1.6) * some * light.cloud, unit(0.5 + 0.03 * toward)};
}

SCENE_FN Rgb starlight(double u, double v, const Light& light) {
    double size = most(light.pixel * 0.8, 0.0003);
    double x = u * 70.0, y = v * 70.0, fx = whole(x), fy = whole(y);
    unsigned h = cell((long long)fx, (long long)fy, 301u);
    if ((h & 7u) > 2u) return {0.0, 0.0, 0.0};
    double dx = (x - fx - 0.2 - 0.6 * part(h, 8)) / 70.0, dy = (y - fy - 0.2 - 0.6 * part(h, 16)) / 70.0;
    double m = part(h, 24), close = unit(1.0 - (dx * dx + dy * dy) / (4.0 * size * size));
    double k = light.stars * close * close * (0.05 + 1.6 * m * m * m * m) * step(0.05, 0.40, HORIZON - v);
    return Rgb{0.85 + 0.3 * part(h, 3), 0.95, 1.25 - 0.3 * part(h, 3)} * k;
}

template <bool mirrored> SCENE_PART Rgb sky(double u, double v, const Light& light, double blur) {
    Rgb clear = air(u, v, light);
    double du = u - SUN_U, dv = v - SUN_V, r = root(du * du + dv * dv);
    if (light.stars > 0.0) clear = clear + starlight(u, v, light);
    Cloud high = high_cloud<mirrored>(u, v, light), low = low_cloud<mirrored>(u, v, light);
    Rgb shade = Rgb{0.078, 0.080, 0.122} + clear * 0.20;
    double disc = inside(SUN_RADIUS - r, light.pixel + blur);
    if (disc > 0.0) {
        double limb = unit(1.0 - (r / SUN_RADIUS) * (r / SUN_RADIUS));
        double through = (1.0 - 0.8 * high.cover) * (1.0 - 0.93 * low.cover);
        clear = clear + Rgb{1.0, 0.80, 0.48} * (760.0 * disc * (0.45 + 0.55 * root(limb)) * through * light.sunlight);
    }
    // Forward scattering makes thin cloud near the sun brighter than the air around it; thick parts keep their shade.
    double near = bump(r * (1.0 / 0.085)), around = bump(r * (1.0 / 0.42));
    Rgb fire =
        (Rgb{1.0, 0.72, 0.38} * (5.0 * near) + Rgb{1.0, 0.46, 0.24} * (0.95 * around) + Rgb{0.60, 0.235, 0.24} * 0.16) *
        light.sunlight;
    Rgb top = mix(shade, fire + shade * 0.5, high.lit * high.lit * (1.0 - 0.55 * high.cover * high.cover));
    Rgb out = mix(clear, top, 0.88 * high.cover);
    Rgb bar = mix(shade * 1.1, fire * 0.9, unit(0.15 + 0.85 * low.lit) * (1.0 - 0.72 * low.cover));
    return mix(out, bar, 0.90 * low.cover);
}

}  // namespace invented
