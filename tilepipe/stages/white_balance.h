// White balance: one 3×3 matrix on scene-linear light.
#pragma once
#include "forms.h"

struct white_balance_matrix {
    PARAMS(float m[9];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        for (int c = 0; c < 3; c++) o[c] = p.m[3 * c] * r + p.m[3 * c + 1] * g + p.m[3 * c + 2] * b;
    }
};
KERNEL(white_balance_matrix)
