// Where a finished picture holds colours that a space cannot show: 1 there, else 0, for two spaces at once.
#pragma once
#include "forms.h"

struct gamut_outside {
    PARAMS(float narrow[9], wide[9], beyond;);
    FORM(3, 2, 0, 1);
    template <class A> static FN float outside(A a, const float* m, float beyond) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float red = m[0] * r + m[1] * g + m[2] * b;
        const float green = m[3] * r + m[4] * g + m[5] * b;
        const float blue = m[6] * r + m[7] * g + m[8] * b;
        const float least = min_of(min_of(red, green), blue), most = max_of(max_of(red, green), blue);
        return least < -beyond || most > 1.0f + beyond ? 1.0f : 0.0f;
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = outside(a, p.narrow, p.beyond);
        o[1] = outside(a, p.wide, p.beyond);
    }
};
KERNEL(gamut_outside)
