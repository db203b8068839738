// Hues made brighter or darker, stronger or weaker, or turned, by as much as the guide says.
#pragma once
#include "hue_guide.h"

struct tone_channels_stops {   // brightness alone: one factor for all three channels
    PARAMS(Plane lines[2]; float low, high;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const Across at_pixel(p.lines[0], y, x);
        const float gain = quick_exp2(guide_line(at_pixel, p.lines, guide_of(oklab_cones(r, g, b)), p.low, p.high));
        o[0] = r * gain;
        o[1] = g * gain;
        o[2] = b * gain;
    }
};
KERNEL(tone_channels_stops)

struct tone_channels_colour {   // chroma and hue too; `low` and `high`: of stops, chroma's factor less 1, tangent of half the turn
    PARAMS(Plane lines[6]; float low[3], high[3];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const Colour v = {a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)};
        const Cones cones = oklab_cones(v.r, v.g, v.b), root = oklab_roots(cones);
        const Across at_pixel(p.lines[0], y, x);
        const float guide = guide_of(cones);
        const float gain = quick_exp2(guide_line(at_pixel, p.lines, guide, p.low[0], p.high[0]));
        const float chroma = guide_line(at_pixel, p.lines + 2, guide, p.low[1], p.high[1]);
        const float turn = guide_line(at_pixel, p.lines + 4, guide, p.low[2], p.high[2]);
        const float factor = 1.0f + chroma, inverse = 1.0f / (1.0f + turn * turn);
        const float along = chroma - (2.0f * turn * turn * inverse) * factor, aside = 2.0f * turn * inverse * factor;
        const float la = oklab_a(root), lb = oklab_b(root);
        const Colour moved = oklab_moved(v, root, la * along - lb * aside, lb * along + la * aside);
        o[0] = moved.r * gain;
        o[1] = moved.g * gain;
        o[2] = moved.b * gain;
    }
};
KERNEL(tone_channels_colour)
