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

struct nonfinite_count {   // how many values are NaN or infinite
    PARAMS(int unused;);
    FORM(1, 0, 0, 1);
    template <class A, class Put> static FN void tally(A a, const P&, int, int, Put put) {
        if (!finite_of(a(0, 0, 0))) put(0, 1);
    }
};
TALLY(nonfinite_count)
