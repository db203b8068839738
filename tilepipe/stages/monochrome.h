// Monochrome: luminance, brighter or darker by hue.
#pragma once
#include "hue_guide.h"

struct monochrome_mix {
    PARAMS(Plane lines[2]; float low, high; float weight[3];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const Across at_pixel(p.lines[0], y, x);
        const float gain = quick_exp2(guide_line(at_pixel, p.lines, guide_of(oklab_cones(r, g, b)), p.low, p.high));
        const float grey = (p.weight[0] * r + p.weight[1] * g + p.weight[2] * b) * gain;
        o[0] = grey;
        o[1] = grey;
        o[2] = grey;
    }
};
KERNEL(monochrome_mix)
