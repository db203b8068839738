// The sum of a blend across scales: every layer's Laplacian by its share.
#pragma once
#include "forms.h"

struct fusion_begin {   // share, value, expanded coarser value → share · Laplacian, of the first frame
    PARAMS(int unused;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(0, 0, 0) * (a(1, 0, 0) - a(2, 0, 0)); }
};

struct fusion_add {   // and of the next ones, added to the sum (fourth)
    PARAMS(int unused;);
    FORM(4, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        o[0] = a(3, 0, 0) + a(0, 0, 0) * (a(1, 0, 0) - a(2, 0, 0));
    }
};

KERNEL(fusion_begin)
KERNEL(fusion_add)
