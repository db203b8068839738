// A frame as a display would show it: the way into exposure fusion.
#pragma once
#include "forms.h"
#include "exact.h"

struct blend_shown {   // frame primaries → linear Rec.2020, clipped to 0..1, encoded by the curve of IEC 61966-2-1
    PARAMS(float m[9];);
    FORM(3, 3, 0, 1);
    static FN float encoded(float v) {
        v = clamp_of(v, 0.0f, 1.0f);
        const float curved = 1.055f * pow_f(v, 1.0f / 2.4f) - 0.055f;
        return v <= 0.0031308f ? 12.92f * v : curved;
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        for (int c = 0; c < 3; c++) o[c] = encoded(p.m[3 * c] * r + p.m[3 * c + 1] * g + p.m[3 * c + 2] * b);
    }
};
KERNEL(blend_shown)
