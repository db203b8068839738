// Saturation: OKLab's chroma times a factor, held back where a colour has little room left in a gamut.
#pragma once
#include "oklab.h"

struct saturation_chroma {
    PARAMS(float change; float to_gamut[9]; float weight[3];);
    FORM(3, 3, 0, 1);
    static FN float least(const P& p, Colour v) {
        auto row = [&](int k) { return p.to_gamut[k] * v.r + p.to_gamut[k + 1] * v.g + p.to_gamut[k + 2] * v.b; };
        return min_of(min_of(row(0), row(3)), row(6));
    }
    static FN float luminance(const P& p, Colour v) { return p.weight[0] * v.r + p.weight[1] * v.g + p.weight[2] * v.b; }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const Colour v = {a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)};
        // 1 for grey, 0 at the rim, where one channel is 0: the share of the way that is left.
        const float left = least(p, v) / max_of(luminance(p, v), 1e-30f), room = clamp_of(left, 0.0f, 1.0f);
        const float change = p.change > 0.0f ? p.change * room : p.change;
        const Cones root = oklab_roots(oklab_cones(v.r, v.g, v.b));
        const Colour moved = oklab_moved(v, root, oklab_a(root) * change, oklab_b(root) * change);
        // OKLab's chroma is not straight in light: what the step took beyond the rim comes back to it.
        const float grey = luminance(p, moved), lowest = least(p, moved);
        const bool beyond = room > 0.0f && lowest < 0.0f && grey > 0.0f;
        const float share = beyond ? grey / (grey - lowest) : 1.0f, rest = grey * (1.0f - share);
        o[0] = moved.r * share + rest;
        o[1] = moved.g * share + rest;
        o[2] = moved.b * share + rest;
    }
};
KERNEL(saturation_chroma)
