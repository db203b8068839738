// Linear light in the primaries of a deliverable's space.
#pragma once
#include "forms.h"

struct linear_matrix {
    PARAMS(float m[9];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        for (int c = 0; c < 3; c++) o[c] = (p.m[3 * c] * r + p.m[3 * c + 1] * g) + p.m[3 * c + 2] * b;
    }
};
KERNEL(linear_matrix)
