// Array entries to the functions of exact.h, for host scalars and tests.
#include "exact.h"

#define UNARY(NUMBER, CALL)                                             \
    case NUMBER:                                                        \
        for (long i = 0; i < n; ++i) out[i] = CALL(a[i]);               \
        return;
#define BINARY(NUMBER, CALL)                                            \
    case NUMBER:                                                        \
        for (long i = 0; i < n; ++i) out[i] = CALL(a[i], b[i]);         \
        return;

extern "C" {

// The position of a name is the number `which`; pow and atan2 take two arguments, the rest ignore b.
// The first five exist in float32 too. An unknown number fills the result with NaN.
const char* tilepipe_exact_names() { return "exp2 log2 pow cbrt atan2 sin cos exp log"; }

// atan2 takes a = y, b = x; pow takes a = base, b = exponent.
void tilepipe_exact(int which, const double* __restrict a, const double* __restrict b, double* __restrict out, long n) {
    switch (which) {
        UNARY(0, exp2_d)
        UNARY(1, log2_d)
        BINARY(2, pow_d)
        UNARY(3, cbrt_d)
        BINARY(4, atan2_d)
        UNARY(5, sin_d)
        UNARY(6, cos_d)
        UNARY(7, exp_d)
        UNARY(8, log_d)
    }
    for (long i = 0; i < n; ++i) out[i] = exact_nan_d();
}

void tilepipe_exact_f(int which, const float* __restrict a, const float* __restrict b, float* __restrict out, long n) {
    switch (which) {
        UNARY(0, exp2_f)
        UNARY(1, log2_f)
        BINARY(2, pow_f)
        UNARY(3, cbrt_f)
        BINARY(4, atan2_f)
    }
    for (long i = 0; i < n; ++i) out[i] = exact_nan_f();
}

}  // extern "C"
