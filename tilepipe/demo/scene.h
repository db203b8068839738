// The invented scene as the camera's lens sees it: one function of the pixel, so any window has the bits of the whole.
#pragma once
#include "scene_grass.h"
#include "scene_water.h"

namespace invented {

SCENE_FN Rgb scene(double u, double v, const Light& light) {
    Paint front = {{0.0, 0.0, 0.0}, 0.0};
    if (v >= MEADOW_TOP - light.pixel) behind(front, grass(u, v, light, light.pixel));
    if (front.cover < 1.0 && twigs_may_reach(u, v)) behind(front, tree(u, v, light, light.pixel));
    if (front.cover < 1.0 && v >= SHELF_TOP) behind(front, near_rock(u, v, light, light.pixel));
    if (front.cover >= 1.0) return front.colour;
    double open = 1.0 - front.cover;
    add_standing<false>(front, u, v, light, light.pixel);
    if (front.cover < 1.0) {
        if (v < HORIZON)
            add_distance<false>(front, u, v, light, light.pixel, 0.0);
        else
            behind(front, {water(u, v, light), 1.0});
    }
    return u > 0.2 && u < 0.6 && v > 0.2 && v < HORIZON ? front.colour + lamp_halo(u, v) * open : front.colour;
}

// May this place look different at another time? Bounds, not pictures: a place that can never change is never marked.
SCENE_FN bool may_move(double u, double v, const Light& light, double pixel) {
    if (light.wind > 0.0 && grass_may_reach(u, v, pixel)) return true;
    if (light.wind > 0.0 && twigs_may_reach(u, v)) return true;
    if (v >= SHELF_TOP && near_rock(u, v, light, pixel).cover >= 1.0) return false;
    bool air_moves = light.drift > 0.0 && light.cloud > 0.0;
    if (light.wind > 0.0 && flag_may_reach(u, v, pixel)) return true;
    double left = 1.0;
    for (int k = 0; k < STACK_COUNT; k++) left *= 1.0 - sea_stack<false>(u, v, k, light, pixel).cover;
    if (u >= 0.10) left *= (1.0 - headland<false>(u, v, light, pixel).cover) * (1.0 - house(u, v, light, pixel).cover);
    if (v < HORIZON)
        for (int k = 0; k < 3; k++) left *= 1.0 - far_ridge<false>(u, v, k, light, pixel).cover;
    bool flag_mirrored = light.wind > 0.0 && magnitude(u - FLAG_U - 0.017) < 0.07;
    return left > 0.0 && (air_moves || (v >= HORIZON && (light.shimmer > 0.0 || flag_mirrored)));
}

// Where a pixel of a frame looks: the base picture's coordinates after the camera's turn and shift, in picture heights.
struct Place {
    double u, v;
};
template <class P> SCENE_FN Place place(const P& p, double y, double x, double scale) {
    double a = (x - 0.5 * p.width) * scale, b = (y - 0.5 * p.height) * scale;
    double u = p.cosine * a - p.sine * b + p.shift_x, v = p.sine * a + p.cosine * b + p.shift_y;
    return {u / p.height, v / p.height + 0.5};
}
template <class P> SCENE_FN Light light_of(const P& p) {
    return {1.0 / p.height, p.time, p.sunlight, p.haze, p.stars, p.cloud, p.drift, p.wind, p.shimmer};
}

// Light that strays inside the lens: a little everywhere, more around the sun.
SCENE_FN Rgb stray(double u, double v) {
    double du = u - SUN_U, dv = v - SUN_V, r = root(du * du + dv * dv);
    return Rgb{0.022, 0.019, 0.015} + Rgb{0.24, 0.17, 0.09} * bump(r * (1.0 / 0.16)) * bump(r * (1.0 / 0.5));
}

}  // namespace invented

struct scene_radiance {
    PARAMS(int height; int width; double time; double sunlight; double haze; double stars; double cloud; double drift;
         double wind; double shimmer; double cosine; double sine; double shift_y; double shift_x; double shake_y;
         double shake_x; int shake_samples; double vignetting; double lateral; double glare;);
    FORM(0, 3, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const invented::Light light = invented::light_of(p);
        double sum[3] = {0.0, 0.0, 0.0};
        const int views = p.lateral != 0.0 ? 3 : 1, samples = p.shake_samples > 1 ? p.shake_samples : 1;
        for (int s = 0; s < samples; s++) {
            double along = (s + 0.5) / samples - 0.5;
            for (int c = 0; c < views; c++) {
                invented::Place at = invented::place(p, y + 0.5 + along * p.shake_y, x + 0.5 + along * p.shake_x,
                                                     1.0 + (1 - c) * (views == 3 ? p.lateral : 0.0));
                invented::Rgb seen = invented::scene(at.u, at.v, light);
                if (p.glare > 0.0) seen = seen + invented::stray(at.u, at.v) * (p.glare * p.sunlight);
                if (views == 1 || c == 0) sum[0] += seen.r;
                if (views == 1 || c == 1) sum[1] += seen.g;
                if (views == 1 || c == 2) sum[2] += seen.b;
            }
        }
        double ry = (y + 0.5 - 0.5 * p.height) / p.height, rx = (x + 0.5 - 0.5 * p.width) / p.height,
               r = ry * ry + rx * rx;
        double corner = 0.25 + 0.25 * ((double)p.width / p.height) * ((double)p.width / p.height);
        double fall = 1.0 + p.vignetting * r / corner,
               kept = 1.0 / (fall * fall * samples);  // (1 + tan²)⁻², the cosine-fourth law's shape
        for (int c = 0; c < 3; c++) o[c] = (float)(sum[c] * kept);
    }
};
KERNEL(scene_radiance)

struct scene_moving {
    PARAMS(int height; int width; double time; double sunlight; double haze; double stars; double cloud; double drift;
         double wind; double shimmer; double cosine; double sine; double shift_y; double shift_x; double lateral;);
    FORM_OF(float, uint8_t, 0, 1, 0, 1);
    template <class A> static FN void at(A, uint8_t* o, const P& p, int y, int x) {
        const invented::Light light = invented::light_of(p);
        bool moves = false;
        for (int c = 0; c < (p.lateral != 0.0 ? 3 : 1); c++) {
            invented::Place at =
                invented::place(p, y + 0.5, x + 0.5, 1.0 + (p.lateral != 0.0 ? (1 - c) * p.lateral : 0.0));
            moves = moves || invented::may_move(at.u, at.v, light, light.pixel);
        }
        o[0] = moves ? 1 : 0;
    }
};
KERNEL(scene_moving)

// The ragged outline of a stitched panorama: straight and bowed pieces of a few picture parts each, uncovered outside.
struct scene_coverage {
    PARAMS(int height; int width; double depth;);
    FORM(0, 1, 0, 1);
    static FN double cut(double along, unsigned side) {
        double k = invented::whole(along), f = along - k;
        double h = invented::part(invented::cell((long long)k, (long long)side, 1101u), 8);
        return 0.40 + 0.60 * h + (h - 0.5) * (4.0 * f * (1.0 - f)) * 0.6;
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        double v = (y + 0.5) / p.height, u = (x + 0.5) / p.height, w = (double)p.width / p.height;
        bool out = v < p.depth * cut(u * 2.6, 0u) || 1.0 - v < p.depth * cut(u * 2.6, 1u) ||
                   u < p.depth * cut(v * 1.9, 2u) || w - u < p.depth * cut(v * 1.9, 3u);
        o[0] = out ? 0.0f : 1.0f;
    }
};
KERNEL(scene_coverage)
