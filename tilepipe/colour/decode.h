// Code values → linear light, 1.0 at the highest code or where the sensor clips.
#pragma once
#include "forms.h"
#include "exact.h"

struct decode_table8 {   // any function of an 8-bit code
    PARAMS(const float* table;);
    FORM_OF(uint8_t, float, 1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) { o[0] = p.table[(int)a(0, 0, 0)]; }
};
KERNEL(decode_table8)

struct decode_table16 {   // any function of a 16-bit code
    PARAMS(const float* table;);
    FORM_OF(uint16_t, float, 1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) { o[0] = p.table[(int)a(0, 0, 0)]; }
};
KERNEL(decode_table16)

struct decode_srgb {   // IEC 61966-2-1 inverse, continued beyond 1 and odd below 0
    PARAMS(int unused;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float v = a(0, 0, 0), size = abs_of(v);
        const float curved = pow_f((size + 0.055f) / 1.055f, 2.4f);
        const float linear = size <= 0.04045f ? size / 12.92f : curved;
        o[0] = v < 0.0f ? -linear : linear;
    }
};
KERNEL(decode_srgb)

struct decode_gamma {   // x^gamma, continued beyond 1 and odd below 0
    PARAMS(float gamma;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float v = a(0, 0, 0), linear = pow_f(abs_of(v), p.gamma);
        o[0] = v < 0.0f ? -linear : linear;
    }
};
KERNEL(decode_gamma)

struct decode_curve {   // straight lines between the nodes of a table over 0..1, held beyond its ends
    PARAMS(const float* table; int nodes;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float at = clamp_of(a(0, 0, 0), 0.0f, 1.0f) * (float)(p.nodes - 1);
        const int low = min_of((int)at, p.nodes - 2);
        const float first = p.table[low];
        o[0] = first + (at - (float)low) * (p.table[low + 1] - first);
    }
};
KERNEL(decode_curve)

struct decode_within {   // float coverage, clamped to 0..1
    PARAMS(int unused;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = clamp_of(a(0, 0, 0), 0.0f, 1.0f); }
};
KERNEL(decode_within)

struct decode_covered {   // (value, coverage) → 0 where nothing is covered, whatever the file holds there
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(1, 0, 0) > 0.0f ? a(0, 0, 0) : 0.0f; }
};
KERNEL(decode_covered)
