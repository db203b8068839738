// Masks measured in the picture: ranges of luminance, of hue and of chroma, and what is clipped.
//
// Hue and chroma are those of OKLab (Ottosson 2020) of linear Rec.2020; chroma is taken relative to lightness, so that
// neither depends on exposure.
#pragma once
#include "exact.h"
#include "forms.h"
#include "places.h"

// A range with soft ends: half at `low` and `high`, `slope` per unit; an open end lies beyond any value.
FN float mask_range(float v, float low, float high, float slope) {
    const float up = mask_ramp((v - low) * slope + 0.5f), down = mask_ramp((high - v) * slope + 0.5f);
    return min_of(up, down);
}

struct mask_luminance {   // in stops above diffuse white; no light is darker than any end
    PARAMS(float weight[3]; float low, high, slope;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float y = (p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0)) + p.weight[2] * a(2, 0, 0);
        o[0] = mask_range(log2_f(clamp_of(y, 1e-30f, 1e30f)), p.low, p.high, p.slope);
    }
};
KERNEL(mask_luminance)

struct MaskLab { float l, a, b; };
FN MaskLab mask_oklab(const float* m, const float* n, float red, float green, float blue) {
    const float l = cbrt_f((m[0] * red + m[1] * green) + m[2] * blue);
    const float c = cbrt_f((m[3] * red + m[4] * green) + m[5] * blue);
    const float s = cbrt_f((m[6] * red + m[7] * green) + m[8] * blue);
    return {(n[0] * l + n[1] * c) + n[2] * s, (n[3] * l + n[4] * c) + n[5] * s, (n[6] * l + n[7] * c) + n[8] * s};
}
FN float mask_chroma_of(MaskLab v) {   // relative to lightness; at most 4, where light has next to no lightness
    const float c = sqrt_of(v.a * v.a + v.b * v.b), l = max_of(v.l, 1e-6f);
    return clamp_of(c / l, 0.0f, 4.0f);
}

struct mask_chroma {
    PARAMS(float m[9]; float n[9]; float low, high, slope;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = mask_range(mask_chroma_of(mask_oklab(p.m, p.n, a(0, 0, 0), a(1, 0, 0), a(2, 0, 0))), p.low, p.high, p.slope);
    }
};
KERNEL(mask_chroma)

struct mask_hue {   // half at `reach` degrees from `at`; greys, whose hue is noise, count less and less below `grey`
    PARAMS(float m[9]; float n[9]; float centre, reach, slope, grey;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const MaskLab v = mask_oklab(p.m, p.n, a(0, 0, 0), a(1, 0, 0), a(2, 0, 0));
        const float hue = atan2_f(v.b, v.a) * 57.29577951f;
        const float turn = abs_of(hue - p.centre), apart = turn > 180.0f ? 360.0f - turn : turn;
        const float coloured = mask_ramp(mask_chroma_of(v) / max_of(p.grey, 1e-6f));
        o[0] = mask_ramp((p.reach - apart) * p.slope + 0.5f) * coloured;
    }
};
KERNEL(mask_hue)

struct mask_clipped {   // the brightest channel against `top`, in stops: 1 from it on, 0 from `1 / slope` stops below
    PARAMS(float top, slope;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float most = max_of(max_of(a(0, 0, 0), a(1, 0, 0)), a(2, 0, 0));
        o[0] = mask_ramp((log2_f(clamp_of(most, 1e-30f, 1e30f)) - p.top) * p.slope + 1.0f);
    }
};
KERNEL(mask_clipped)
