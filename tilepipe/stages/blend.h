// A frame as a display would show it: the way into exposure fusion.
#pragma once
#include "forms.h"
#include "exact.h"
#include "highlights.h"

struct blend_shown {   // frame primaries, clipped highlights neutral → Rec.2020, clipped to 0..1, IEC 61966-2-1's curve
    PARAMS(float m[9]; float neutral[3], balance[3]; float per_clip, slope;);
    FORM(3, 3, 0, 1);
    static FN float encoded(float v) {
        v = clamp_of(v, 0.0f, 1.0f);
        const float curved = 1.055f * pow_f(v, 1.0f / 2.4f) - 0.055f;
        return v <= 0.0031308f ? 12.92f * v : curved;
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float v[3] = {a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)};
        raise_clipped(v, p.neutral, p.balance, p.per_clip, p.slope);
        for (int c = 0; c < 3; c++) o[c] = encoded(p.m[3 * c] * v[0] + p.m[3 * c + 1] * v[1] + p.m[3 * c + 2] * v[2]);
    }
};
KERNEL(blend_shown)
