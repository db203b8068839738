// OKLab (Ottosson 2020) of linear Rec.2020: cone responses, their cube roots, and moving a colour in a and b alone.
//
// The first matrix is Ottosson's for linear sRGB times Rec.2020 → sRGB, each row divided by its sum, so that equal channels
// have equal cone responses: greys are neutral. Frozen here to eight digits; tests/test_tone_channels.py derives it again.
#pragma once
#include "quick.h"
#include "forms.h"

struct Cones { float l, m, s; };   // responses, or their cube roots

FN Cones oklab_cones(float r, float g, float b) {
    return {0.61675579f * r + 0.36019840f * g + 0.02304581f * b, 0.26513306f * r + 0.63583936f * g + 0.09902757f * b,
            0.10010263f * r + 0.20390652f * g + 0.69599085f * b};
}
FN float oklab_medium(float r, float g, float b) { return 0.26513306f * r + 0.63583936f * g + 0.09902757f * b; }

// Cube root for colours: an estimate from the exponent and two steps, within 4 units in the last place for 2^-100 to 2^60;
// smaller counts as 0. Twice as fast as cbrt_f, whose last bit a colour does not need.
FN float oklab_root(float x) {
    const float size = abs_of(x), v = clamp_of(size, 7.8886091e-31f, 1.1529215e18f);
    const int third = (int)((float)exact_bits_f(v) * 0.333333343f);
    float y = exact_from_bits_f(0x54a1f600u - (unsigned int)third);   // x^(-1/3), as in cbrt_f
    const float e = 1.0f - (v * y) * (y * y);
    y = y + y * (e * (0.333329231f + e * (0.222214416f + e * (0.174461752f + e * 0.145938918f))));
    const float root = v * (y * y);
    return size < 7.8886091e-31f ? 0.0f : exact_signed_f(root, x);
}
FN Cones oklab_roots(Cones v) { return {oklab_root(v.l), oklab_root(v.m), oklab_root(v.s)}; }

FN float oklab_lightness(Cones root) { return 0.21045426f * root.l + 0.79361779f * root.m - 0.00407205f * root.s; }
// Written as differences of cones: of equal ones they are exactly 0.
FN float oklab_a(Cones root) { return 1.97799850f * (root.l - root.m) - 0.45059371f * (root.m - root.s); }
FN float oklab_b(Cones root) { return 0.02590404f * (root.l - root.m) + 0.80867577f * (root.m - root.s); }

struct Colour { float r, g, b; };
FN float oklab_cubed(float root, float d) { return d * ((3.0f * root + 3.0f * d) * root + d * d); }   // (root + d)³ − root³
// The colour v whose cube roots are `root`, after a and b have moved; lightness stays, and with no move every bit.
FN Colour oklab_moved(Colour v, Cones root, float a, float b) {
    const float l = oklab_cubed(root.l, 0.39633778f * a + 0.21580376f * b);
    const float m = oklab_cubed(root.m, -0.10556135f * a - 0.06385417f * b);
    const float s = oklab_cubed(root.s, -0.08948418f * a - 1.29148555f * b);
    return {v.r + (2.13990674f * l - 1.24638951f * m + 0.10648277f * s),
            v.g + (2.16323098f * m - 0.88473586f * l - 0.27849512f * s),
            v.b + (1.50307690f * s - 0.04857376f * l - 0.45450314f * m)};
}
