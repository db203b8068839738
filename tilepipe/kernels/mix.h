// Mixing a step with the picture before it, and looking for values that are not finite.
#pragma once
#include "forms.h"

struct mix_planes {   // before + (after − before) · strength
    PARAMS(float strength;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = a(0, 0, 0) + (a(1, 0, 0) - a(0, 0, 0)) * p.strength;
    }
};
KERNEL(mix_planes)
MANY(mix_planes)

struct mix_where {   // before, after, mask → before + (after − before) · mask · strength; what is wholly one of them keeps its bits
    PARAMS(float strength;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float before = a(0, 0, 0), after = a(1, 0, 0), share = a(2, 0, 0) * p.strength;
        const float mixed = before + (after - before) * share;
        o[0] = share <= 0.0f ? before : share >= 1.0f ? after : mixed;
    }
};
KERNEL(mix_where)
MANY(mix_where)

struct nonfinite_count {   // how many values are NaN or infinite
    PARAMS(int unused;);
    FORM(1, 0, 0, 1);
    template <class A, class Put> static FN void tally(A a, const P&, int, int, Put put) {
        if (!finite_of(a(0, 0, 0))) put(0, 1);
    }
};
TALLY(nonfinite_count)

struct mask_overlay {   // red, green, blue, mask → the picture in its colours where the mask is, as dim grey where it is not
    PARAMS(float weight[3]; float dim;);
    FORM(4, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float y = (p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0)) + p.weight[2] * a(2, 0, 0);
        for (int c = 0; c < 3; c++) o[c] = p.dim * y + a(3, 0, 0) * (a(c, 0, 0) - p.dim * y);
    }
};
KERNEL(mask_overlay)
