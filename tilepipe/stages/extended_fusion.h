// Copies of a frame that keep a part of its range and bend the rest (Hessel and Morel, "An extended exposure fusion and its
// application to single image contrast enhancement", WACV 2020, and IPOL 2019).
//
// g(t) = t where |t − r| ≤ β/2, else r + sign(t − r)·(a − λ²/(|t − r| − b)), a = β/2 + λ, b = β/2 − λ; its slope there is
// (λ/(|t − r| − b))². A copy's weight is exposure fusion's of the copy, times the slopes of its three colours.
#pragma once
#include "forms.h"

struct extended_copy {   // red, green, blue 0..1 → the copy's, and the product of the three slopes; half = β/2, bend = λ
    PARAMS(float middle; float half; float above; float below; float bend;);
    FORM(3, 4, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float slope = 1.0f;
        for (int c = 0; c < 3; c++) {
            const float t = a(c, 0, 0), d = abs_of(t - p.middle);
            const bool inside = d <= p.half;
            const float q = p.bend / (inside ? p.bend : d - p.below), away = p.above - p.bend * q;
            o[c] = inside ? t : t < p.middle ? p.middle - away : p.middle + away;
            slope = slope * (inside ? 1.0f : q * q);
        }
        o[3] = slope;
    }
};
KERNEL(extended_copy)
