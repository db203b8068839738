// Joining masks: the least, the most, and what is left of 1. Each is exact.
#pragma once
#include "forms.h"

struct mask_least {
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = min_of(a(0, 0, 0), a(1, 0, 0)); }
};
KERNEL(mask_least)

struct mask_most {
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = max_of(a(0, 0, 0), a(1, 0, 0)); }
};
KERNEL(mask_most)

struct mask_rest {
    PARAMS(int unused;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = 1.0f - a(0, 0, 0); }
};
KERNEL(mask_rest)
