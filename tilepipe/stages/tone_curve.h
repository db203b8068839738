// The tone curve: a table over luminance, ratios between the channels kept; and the table's look-up itself.
#pragma once
#include "forms.h"

// A table has 64 knots an octave from 2^-24 to 2^16, at the floats whose low 17 bits are 0, so that a value's own bits are
// knot and fraction. It holds the curve's value; between knots it is linear, below the first it goes on to 0 as a ratio.
enum { CURVE_FIRST = (127 - 24) << 6, CURVE_KNOTS = 40 * 64 };
FN float curve_value(const float* table, float v) {
    const float within = clamp_of(v, 5.9604644775390625e-08f, 65535.99609375f);
    const int bits = bits_of(within), knot = (bits >> 17) - CURVE_FIRST;
    const float low = table[knot], high = table[knot + 1];
    return min_of(low + (high - low) * ((float)(bits & 0x1ffff) * 7.62939453125e-06f), high);   // never above the next knot
}
FN float curve_gain(const float* table, float v) {   // curve over value: what keeps the ratios between channels
    return curve_value(table, v) / clamp_of(v, 5.9604644775390625e-08f, 65535.99609375f);
}

struct tone_curve_ratio {
    PARAMS(const float* table; float weight[3]; float scale, lift;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float gain = curve_gain(p.table, p.weight[0] * r + p.weight[1] * g + p.weight[2] * b) * p.scale;
        o[0] = r * gain + p.lift;
        o[1] = g * gain + p.lift;
        o[2] = b * gain + p.lift;
    }
};
KERNEL(tone_curve_ratio)
