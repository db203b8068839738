// Exposure: scene-linear light times a gain.
#pragma once
#include "forms.h"

struct exposure_gain {
    PARAMS(float gain;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0) * p.gain;
    }
};
KERNEL(exposure_gain)
