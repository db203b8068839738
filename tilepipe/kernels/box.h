// Halving a picture by the mean light of 2×2 pixels; at an odd rim, of the pixels that are there.
#pragma once
#include "pyramid.h"

struct box_reduce {   // `height`, `width`: of the finer picture
    PARAMS(int height; int width;);
    FORM(1, 1, 1, 2);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const int below = 2 * y + 1 < p.height ? 1 : 0, right = 2 * x + 1 < p.width ? 1 : 0;
        o[0] = ((a(0, 0, 0) + a(0, 0, right)) + (a(0, below, 0) + a(0, below, right))) * 0.25f;
    }
};
KERNEL(box_reduce)

struct box_reduce_covered {   // value, coverage → Σcv / Σc; where all coverage is 1 the bits are those of box_reduce
    PARAMS(int height; int width;);
    FORM(2, 1, 1, 2);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const int below = 2 * y + 1 < p.height ? 1 : 0, right = 2 * x + 1 < p.width ? 1 : 0;
        auto weight = [&](int dy, int dx) { return a(1, dy, dx); };
        auto light = [&](int dy, int dx) { return is_covered(a(1, dy, dx)) ? a(0, dy, dx) * a(1, dy, dx) : 0.0f; };
        const float sum = (light(0, 0) + light(0, right)) + (light(below, 0) + light(below, right));
        const float covered = (weight(0, 0) + weight(0, right)) + (weight(below, 0) + weight(below, right));
        o[0] = is_covered(covered) ? sum / covered : 0.0f;
    }
};
KERNEL(box_reduce_covered)
