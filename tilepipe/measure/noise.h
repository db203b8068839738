// How rough the smooth parts of a picture are, by brightness: exact counts of second differences, from which noise is read.
#pragma once
#include "forms.h"

enum { NOISE_LEVELS = 24, NOISE_ROUGH = 40, NOISE_SIZES = 162 };

// Nine values two apart (the same colour on a mosaic, hardly correlated by interpolation elsewhere), rounded to steps.
// Counted: |second difference| of the middle row, 8 bins to an octave, by brightness (24 levels, equal steps of its square
// root) and by the roughness of the outer rows (2 bins to an octave). Outer rows and middle row share no value, so that
// choosing smooth places by the former does not touch the noise of the latter. Then, per level, the sum of
// left + 2·middle + right over the places counted.
struct noise_differences {
    PARAMS(float unit, full; int covered;);
    FORM(1, 0, 2, 1);
    template <class A> static FN float value(A a, const P& p, int dy, int dx) {
        return rint_of(clamp_of(a(0, dy, dx) * p.unit, -p.full, 2.0f * p.full));
    }
    static FN int bin_of(float size, int shift) {   // 0 below 1, then equal parts of octaves
        return size < 1.0f ? 0 : ((bits_of(size) - bits_of(1.0f)) >> shift) + 1;
    }
    template <class A, class Put> static FN void tally(A a, const P& p, int, int, Put put) {
        const float left = value(a, p, 0, -2), middle = value(a, p, 0, 0), right = value(a, p, 0, 2);
        if (max_of(max_of(left, right), middle) > 0.9f * p.full) return;               // clipping has no noise
        if (p.covered && left == 0.0f && middle == 0.0f && right == 0.0f) return;     // beyond a ragged edge
        const float above0 = value(a, p, -2, -2), above1 = value(a, p, -2, 0), above2 = value(a, p, -2, 2);
        const float below0 = value(a, p, 2, -2), below1 = value(a, p, 2, 0), below2 = value(a, p, 2, 2);
        const float bend_above = (above0 + above2) - 2.0f * above1, bend_below = (below0 + below2) - 2.0f * below1;
        const float slope = ((above0 + above1) + above2) - ((below0 + below1) + below2);
        const float rough = sqrt_of(bend_above * bend_above + bend_below * bend_below + slope * slope);
        const float size = abs_of((left + right) - 2.0f * middle), sum = (left + right) + 2.0f * middle;
        const float part = clamp_of(sum / (4.0f * p.full), 0.0f, 1.0f);
        const int level = min_of((int)(sqrt_of(part) * (float)NOISE_LEVELS), NOISE_LEVELS - 1);
        const int roughness = min_of(bin_of(rough, 22), NOISE_ROUGH - 1);
        const int bin = min_of(bin_of(size, 20), NOISE_SIZES - 1);
        put((level * NOISE_ROUGH + roughness) * NOISE_SIZES + bin, 1);
        put(NOISE_LEVELS * NOISE_ROUGH * NOISE_SIZES + level, (int)sum);
    }
};
TALLY(noise_differences)
