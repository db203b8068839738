// What a device must do exactly: IEEE arithmetic, the exact functions, large parameter blocks. Run by device/selftest.py.
#pragma once
#include "forms.h"
#include "exact.h"

template <class T, class A> FN void selftest_operations(A a, T* o) {   // each operation alone, and those that a GPU likes to fuse
    const T u = a(0, 0, 0), v = a(1, 0, 0), size = abs_of(u);
    o[0] = u + v;
    o[1] = u - v;
    o[2] = u * v;
    o[3] = u / v;
    o[4] = sqrt_of(size);
    o[5] = u * v + u;
    o[6] = u - u * v;
    o[7] = floor_of(u);
    o[8] = rint_of(u);
    o[9] = clamp_of(u, v, v + (T)1);
}

struct selftest_float {
    PARAMS(int unused;);
    FORM(2, 11, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        selftest_operations<float>(a, o);
        o[10] = (float)(int)clamp_of(rint_of(a(0, 0, 0) * 65535.0f), 0.0f, 65535.0f);
    }
};
KERNEL(selftest_float)

struct selftest_double {
    PARAMS(int unused;);
    FORM_OF(double, double, 2, 11, 0, 1);
    template <class A> static FN void at(A a, double* o, const P&, int, int) {
        selftest_operations<double>(a, o);
        o[10] = (double)(float)a(0, 0, 0);
    }
};
KERNEL(selftest_double)

struct selftest_exact_float {
    PARAMS(int unused;);
    FORM(2, 5, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float u = a(0, 0, 0), v = a(1, 0, 0);
        o[0] = exp2_f(u);
        o[1] = log2_f(u);
        o[2] = pow_f(u, v);
        o[3] = cbrt_f(u);
        o[4] = atan2_f(u, v);
    }
};
KERNEL(selftest_exact_float)

struct selftest_exact_double {
    PARAMS(int unused;);
    FORM_OF(double, double, 2, 9, 0, 1);
    template <class A> static FN void at(A a, double* o, const P&, int, int) {
        const double u = a(0, 0, 0), v = a(1, 0, 0);
        o[0] = exp2_d(u);
        o[1] = log2_d(u);
        o[2] = pow_d(u, v);
        o[3] = cbrt_d(u);
        o[4] = atan2_d(u, v);
        o[5] = sin_d(u);
        o[6] = cos_d(u);
        o[7] = exp_d(u);
        o[8] = log_d(u);
    }
};
KERNEL(selftest_exact_double)

struct selftest_block {   // a parameter block of more than 4 KB, and the border rule at a distance
    PARAMS(float table[2048];);
    FORM(1, 1, 3, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float near = (a(0, -3, -3) + a(0, 3, 3)) + (a(0, -3, 3) + a(0, 3, -3));
        o[0] = near + p.table[(y * 61 + x) & 2047];
    }
};
KERNEL(selftest_block)

struct selftest_sums {   // exact integer sums: which of 64 steps, and how much in 2^-16
    PARAMS(int unused;);
    FORM_OF(float, int64_t, 1, 0, 0, 1);
    template <class A, class Put> static FN void tally(A a, const P&, int, int, Put put) {
        const float share = clamp_of(a(0, 0, 0), 0.0f, 1.0f);
        put((int)(share * 63.0f), (int)rint_of(share * 65536.0f));
    }
};
TALLY(selftest_sums)
