// Saturation: OKLab's chroma times a factor, held back where a colour has little room left in a gamut.
#pragma once
#include "oklab.h"

struct saturation_chroma {
    PARAMS(float change; float to_gamut[9]; float weight[3];);
    FORM(3, 3, 0, 1);
    static FN float least(const P& p, float r, float g, float b) {
        return min_of(min_of(p.to_gamut[0] * r + p.to_gamut[1] * g + p.to_gamut[2] * b,
                             p.to_gamut[3] * r + p.to_gamut[4] * g + p.to_gamut[5] * b),
                      p.to_gamut[6] * r + p.to_gamut[7] * g + p.to_gamut[8] * b);
    }
    static FN float luminance(const P& p, float r, float g, float b) { return p.weight[0] * r + p.weight[1] * g + p.weight[2] * b; }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        // 1 for grey, 0 at the rim, where one channel is 0: the share of the way that is left.
        const float room = clamp_of(least(p, r, g, b) / max_of(luminance(p, r, g, b), 1e-30f), 0.0f, 1.0f);
        const float change = p.change * (p.change > 0.0f ? room : 1.0f);
        const Cones root = oklab_roots(oklab_cones(r, g, b));
        const Colour moved = oklab_moved({r, g, b}, root, oklab_a(root) * change, oklab_b(root) * change);
        // OKLab's chroma is not straight in light: what the step took beyond the rim comes back to it.
        const float lowest = least(p, moved.r, moved.g, moved.b), beyond = room > 0.0f ? lowest : 0.0f;
        const float grey = luminance(p, moved.r, moved.g, moved.b), light = max_of(grey, 1e-30f);
        const float share = light / (light - min_of(beyond, 0.0f)), rest = grey * (1.0f - share);
        o[0] = moved.r * share + rest;
        o[1] = moved.g * share + rest;
        o[2] = moved.b * share + rest;
    }
};
KERNEL(saturation_chroma)
