// Logarithm and power of two for weights and gains, where the last bits do not matter: the same bits everywhere, a third of
// the time of exact.h. Whole powers of two are exact in both.
//
// Worst error measured over every fifth float32 or more: quick_log2 1.3e-7 from 1/2 to 2, elsewhere 8e-8 · (1 + |log2 x|);
// quick_exp2 1e-7 of the value.
#pragma once
#include "exact.h"

// Arguments below 2^-126 count as that, beyond 2^127 as that.
FN float quick_log2(float x) {
    const float v = x > 1.17549435e-38f ? (x < 1.70141183e38f ? x : 1.70141183e38f) : 1.17549435e-38f;
    const unsigned int u = exact_bits_f(v) + (0x3f800000u - 0x3f3504f3u);
    const float whole = (float)((int)(u >> 23) - 127);
    const float m = exact_from_bits_f((u & 0x007fffffu) + 0x3f3504f3u);   // within the root of a half and that of two
    const float s = (m - 1.0f) / (m + 1.0f), z = s * s;   // log2 m = 2/ln 2 · atanh s
    return whole + s * (2.88539008f + z * (0.961796694f + z * (0.577078016f + z * 0.42f)));
}

// Arguments are kept within −126 and 127.
FN float quick_exp2(float x) {
    const float t = x > -126.0f ? (x < 127.0f ? x : 127.0f) : -126.0f, whole = exact_nearest_f(t), r = t - whole;
    const float q = 0.693147188f + r * (0.240226511f + r * (0.0555035663f + r * (0.00961802764f + r * (0.00133911199f + r * 0.000154709328f))));
    return (1.0f + r * q) * exact_two_to_f(whole);
}
