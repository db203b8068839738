// Lightening and darkening around a brightness: a smooth weight over stops of luminance.
#pragma once
#include "oklab.h"

// (1 − u²)² of the distance u from `around` in units of `reach`: 1 there, 0 from `reach` on, smooth everywhere.
FN float brightness_weight(float luminance, float around, float inverse_reach) {
    const float u = (quick_log2(max_of(luminance, 1e-30f)) - around) * inverse_reach;
    const float t = clamp_of(1.0f - u * u, 0.0f, 1.0f);
    return t * t;
}

struct dodge_gain {   // all three channels alike
    PARAMS(float stops, around, inverse_reach; float weight[3];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float luminance = p.weight[0] * r + p.weight[1] * g + p.weight[2] * b;
        const float gain = quick_exp2(p.stops * brightness_weight(luminance, p.around, p.inverse_reach));
        o[0] = r * gain;
        o[1] = g * gain;
        o[2] = b * gain;
    }
};
KERNEL(dodge_gain)

struct dodge_lightness {   // OKLab's lightness as by the gain, its a and b as they were
    PARAMS(float stops, around, inverse_reach; float weight[3];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float luminance = p.weight[0] * r + p.weight[1] * g + p.weight[2] * b;
        const float stops = p.stops * brightness_weight(luminance, p.around, p.inverse_reach);
        const float gain = quick_exp2(stops), rise = quick_exp2(stops * 0.333333343f), back = 1.0f - rise;
        const Cones root = oklab_roots(oklab_cones(r, g, b));
        const Cones risen = {root.l * rise, root.m * rise, root.s * rise};
        const Colour moved = oklab_moved({r * gain, g * gain, b * gain}, risen, oklab_a(root) * back, oklab_b(root) * back);
        o[0] = moved.r;
        o[1] = moved.g;
        o[2] = moved.b;
    }
};
KERNEL(dodge_lightness)
