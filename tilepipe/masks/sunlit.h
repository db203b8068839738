// What sunlight falls on: brighter than the shade around it, and warmer.
//
// The shade around a pixel is what is darker than the mean there, in proportion; its log luminance and its warmth
// (log2 of red against blue) are means over Gaussians, on a coarse level. The rule is chosen here.
#pragma once
#include "softened.h"

struct sunlit_seen {   // red, green, blue → log2 luminance, warmth in stops
    PARAMS(float weight[3];);
    FORM(3, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float y = (p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0)) + p.weight[2] * a(2, 0, 0);
        const float light = clamp_of(y, 9.5367431640625e-7f, 4096.0f), little = light * 0.0078125f;
        const float red = max_of(min_of(a(0, 0, 0), 4096.0f), little), blue = max_of(min_of(a(2, 0, 0), 4096.0f), little);
        o[0] = log2_f(light);
        o[1] = log2_f(red) - log2_f(blue);
    }
};
KERNEL(sunlit_seen)

struct sunlit_shade {   // luminance, warmth, the luminance around → how much a shade, that times luminance, that times warmth
    PARAMS(int unused;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float shade = clamp_of(0.5f - (a(0, 0, 0) - a(2, 0, 0)), 0.015625f, 1.0f);
        o[0] = shade;
        o[1] = shade * a(0, 0, 0);
        o[2] = shade * a(1, 0, 0);
    }
};
KERNEL(sunlit_shade)

FN float sunlit_rise(float v, float begins, float slope) {
    const float t = clamp_of((v - begins) * slope, 0.0f, 1.0f);
    return t * t * (3.0f - 2.0f * t);
}

struct sunlit_lit {   // luminance and warmth of a pixel, the shade's means around it → 0..1
    PARAMS(Plane shade, luminance, warmth; double per_coarse; float brighter, bright_slope, warmer, warm_slope;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float share = max_of(mask_finer(p.shade, p.per_coarse, y, x), 0.0078125f);
        const float luminance = mask_finer(p.luminance, p.per_coarse, y, x) / share;
        const float warmth = mask_finer(p.warmth, p.per_coarse, y, x) / share;
        o[0] = sunlit_rise(a(0, 0, 0) - luminance, p.brighter, p.bright_slope) * sunlit_rise(a(1, 0, 0) - warmth, p.warmer, p.warm_slope);
    }
};
KERNEL(sunlit_lit)
