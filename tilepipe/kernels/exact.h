// Elementary functions with the same bits on every instruction set, compiler and GPU.
//
// Built from + - * /, comparisons with selects, integers and bit casts only: no library calls, no fused operations, no
// branches. They need round-to-nearest, subnormals kept, no contraction and no reassociation (-ffp-contract=off;
// NVRTC: --fmad=false --ftz=false --prec-div=true). Coefficients come from scripts/fit_exact.py.
//
// One rule for what is not a plain number, everywhere:
//   - every result is finite or NaN: what would be infinite is the largest finite number of that sign;
//   - an infinite argument counts as the largest finite number of that sign;
//   - a NaN argument, or an argument outside the domain, gives the one NaN 0x7fc00000 / 0x7ff8000000000000;
//   - subnormal arguments and results are exact numbers like any other.
//
// Worst error measured, |result - true| in units in the last place of the true result. The float32 functions of one argument
// were measured over every float32; each other one over 0.7 to 40 million random arguments of its whole range:
//
//           exp2    log2    pow     cbrt    atan2   sin     cos     exp     log
//   float32 0.777   0.967   0.84    0.5001  0.84    -       -       -       -
//   float64 0.749   0.5004  0.93    0.5001  0.75    0.78    0.78    0.747   0.5004
//
// Normal results of exp2 and exp stay below 0.65; subnormal ones are rounded twice. exp2_f, log2_f and cbrt_f never fall
// where their argument rises (every float32 tried). pow_d's 0.93 is at |y*log2 x| near 1024; for moderate powers 0.61.
//
// One file because the functions share their parts: sums of two numbers, splitting, scaling and the two polynomial cores.
#pragma once

#ifdef __FAST_MATH__
#error "exact.h must not be compiled with -ffast-math"
#endif

#ifndef FN
#ifdef __CUDACC__
#define FN __device__ __forceinline__
#else
#define FN inline __attribute__((always_inline))
#endif
#endif

// ---- bits ----------------------------------------------------------------------------------------------------------

#ifdef __CUDACC__
FN unsigned int exact_bits_f(float x) { return __float_as_uint(x); }
FN float exact_from_bits_f(unsigned int u) { return __uint_as_float(u); }
FN unsigned long long exact_bits_d(double x) { return (unsigned long long)__double_as_longlong(x); }
FN double exact_from_bits_d(unsigned long long u) { return __longlong_as_double((long long)u); }
#else
FN unsigned int exact_bits_f(float x) { unsigned int u; __builtin_memcpy(&u, &x, 4); return u; }
FN float exact_from_bits_f(unsigned int u) { float x; __builtin_memcpy(&x, &u, 4); return x; }
FN unsigned long long exact_bits_d(double x) { unsigned long long u; __builtin_memcpy(&u, &x, 8); return u; }
FN double exact_from_bits_d(unsigned long long u) { double x; __builtin_memcpy(&x, &u, 8); return x; }
#endif

FN float exact_nan_f() { return exact_from_bits_f(0x7fc00000u); }
FN double exact_nan_d() { return exact_from_bits_d(0x7ff8000000000000ull); }
FN float exact_abs_f(float x) { return exact_from_bits_f(exact_bits_f(x) & 0x7fffffffu); }
FN double exact_abs_d(double x) { return exact_from_bits_d(exact_bits_d(x) & 0x7fffffffffffffffull); }
// |x| with the sign bit of s.
FN float exact_signed_f(float x, float s) {
    return exact_from_bits_f((exact_bits_f(x) & 0x7fffffffu) | (exact_bits_f(s) & 0x80000000u));
}
FN double exact_signed_d(double x, double s) {
    return exact_from_bits_d((exact_bits_d(x) & 0x7fffffffffffffffull) | (exact_bits_d(s) & 0x8000000000000000ull));
}
FN float exact_finite_f(float x) {
    x = x > 3.402823466e38f ? 3.402823466e38f : x;
    return x < -3.402823466e38f ? -3.402823466e38f : x;
}
FN double exact_finite_d(double x) {
    x = x > 1.7976931348623157e308 ? 1.7976931348623157e308 : x;
    return x < -1.7976931348623157e308 ? -1.7976931348623157e308 : x;
}
// The leading 12 (26) bits: a product of two such parts is exact.
FN float exact_head_f(float x) { return exact_from_bits_f(exact_bits_f(x) & 0xfffff000u); }
FN double exact_head_d(double x) { return exact_from_bits_d(exact_bits_d(x) & 0xfffffffff8000000ull); }
// a*b - p, where p is the rounded product (Dekker 1971).
FN float exact_rest_f(float a, float b, float p) {
    float ah = exact_head_f(a), al = a - ah, bh = exact_head_f(b), bl = b - bh;
    return ((ah * bh - p) + ah * bl + al * bh) + al * bl;
}
FN double exact_rest_d(double a, double b, double p) {
    double ah = exact_head_d(a), al = a - ah, bh = exact_head_d(b), bl = b - bh;
    return ((ah * bh - p) + ah * bl + al * bh) + al * bl;
}
// a + b - s, where s is the rounded sum, for any a and b (Knuth).
FN float exact_sum_rest_f(float a, float b, float s) {
    float t = s - a;
    return (a - (s - t)) + (b - t);
}
FN double exact_sum_rest_d(double a, double b, double s) {
    double t = s - a;
    return (a - (s - t)) + (b - t);
}
// Nearest integer, half to even, for |x| below 2^22 (2^51).
FN float exact_nearest_f(float x) { return (x + 12582912.0f) - 12582912.0f; }
FN double exact_nearest_d(double x) { return (x + 6755399441055744.0) - 6755399441055744.0; }
// 2^n for an integer n with a normal result.
FN float exact_two_to_f(float n) { return exact_from_bits_f(exact_bits_f(n + (12582912.0f + 127.0f)) << 23); }
FN double exact_two_to_d(double n) { return exact_from_bits_d(exact_bits_d(n + (6755399441055744.0 + 1023.0)) << 52); }
// p * 2^n with one rounding, p in [0.5, 2], |n| below 252 (2044); saturates at the largest finite number.
FN float exact_scale_f(float p, float n) {
    float half = exact_nearest_f(n * 0.5f);
    float v = p * exact_two_to_f(half) * exact_two_to_f(n - half);
    return v > 3.402823466e38f ? 3.402823466e38f : v;
}
FN double exact_scale_d(double p, double n) {
    double half = exact_nearest_d(n * 0.5);
    double v = p * exact_two_to_d(half) * exact_two_to_d(n - half);
    return v > 1.7976931348623157e308 ? 1.7976931348623157e308 : v;
}

// ---- float32 -------------------------------------------------------------------------------------------------------

// 2^r for |r| <= 0.51: 1 + r*ln 2 + r^2*q(r), q of degree 4. The first product is exact: it keeps exp2 monotone.
FN float exact_exp2_core_f(float r) {
    float q = 0.000153271874f;
    q = q * r + 0.00133901997f;
    q = q * r + 0.00961850397f;
    q = q * r + 0.0555036217f;
    q = q * r + 0.240226477f;
    float head = exact_head_f(r);
    float a = head * 0.693115234f;
    float h = 1.0f + a;
    return h + (((1.0f - h) + a) + (r * r * q + (r * 3.19461833e-05f + (r - head) * 0.693115234f)));
}

// 2^x. Splits off the nearest integer. exp2(integer) is exact.
// x >= 128: largest finite number; x <= -150: 0.
FN float exp2_f(float x) {
    float t = x > 128.0f ? 128.0f : x;
    t = t < -151.0f ? -151.0f : t;
    float n = exact_nearest_f(t);
    float v = exact_scale_f(exact_exp2_core_f(t - n), n);
    return x != x ? exact_nan_f() : v;
}

// Splits x > 0 into m * 2^k, m in [sqrt(1/2), sqrt(2)); gives m and k.
FN float exact_split_f(float x, float* k) {
    float small = x < 1.17549435e-38f ? 1.0f : 0.0f;
    unsigned int u = exact_bits_f(x < 1.17549435e-38f ? x * 16777216.0f : x) + (0x3f800000u - 0x3f3504f3u);
    *k = (float)((int)(u >> 23) - 127) - small * 24.0f;
    return exact_from_bits_f((u & 0x007fffffu) + 0x3f3504f3u);
}

// log2(x). f/ln 2 is taken in two parts, the rest is f^2*(c + f*q(f)), q of degree 8, f = m - 1. log2(2^k) is exact.
// x = +-0: minus the largest finite number; x < 0: NaN.
FN float log2_f(float x) {
    float k;
    float f = exact_split_f(exact_finite_f(x), &k) - 1.0f;
    float q = 0.0954433605f;
    q = q * f + -0.167277783f;
    q = q * f + 0.171840221f;
    q = q * f + -0.179248899f;
    q = q * f + 0.205128416f;
    q = q * f + -0.240445256f;
    q = q * f + 0.288569689f;
    q = q * f + -0.360674709f;
    q = q * f + 0.480898052f;
    float ff = f * f;
    float head = exact_head_f(f);
    float a = head * 1.44287109f;
    float low = ff * -0.721347511f + (ff * f * q + (f * -0.000176052854f + (f - head) * 1.44287109f));
    float s = k + a;
    float v = s + (((k - s) + a) + low);
    v = x == 0.0f ? -3.402823466e38f : v;
    return x >= 0.0f ? v : exact_nan_f();
}

// x^y = 2^(y*log2 x) for x >= 0, log2 x as a sum of two floats:
// log2 m = s*(2/ln 2 + 2/(3 ln 2) z + z^2*q(z)), s = (m - 1)/(m + 1) in two parts, z = s^2.
// x^0 = 1 (0^0 too), x^1 = x and 1^y = 1 exactly; 0^y = 0 for y > 0, the largest finite number for y < 0; -0 counts as 0;
// x < 0: NaN.
FN float pow_f(float x, float y) {
    float base = x > 3.402823466e38f ? 3.402823466e38f : x;
    float k;
    float m = exact_split_f(base, &k);
    float f = m - 1.0f;
    float d = m + 1.0f;
    float dl = m - (d - 1.0f);
    float r = 1.0f / d;
    // s + sl = f / (d + dl)
    float s = f * r;
    float dh = exact_head_f(d), sh = exact_head_f(s), st = s - sh;
    float sl = ((((f - sh * dh) - sh * (d - dh)) - st * d) - s * dl) * r;
    // z + zl = (s + sl)^2
    float z = s * s;
    float zl = (((sh * sh - z) + 2.0f * (sh * st)) + st * st) + 2.0f * (s * sl);
    // g + gl = 2/ln 2 + v
    float zh = exact_head_f(z);
    float vh = zh * 0.961914062f;
    float vl = ((z - zh) + zl) * 0.961914062f + z * -0.000117368574f
             + z * z * ((0.33781743f * z + 0.411850005f) * z + 0.57708019f);
    float g = 2.88574219f + vh;
    float gl = ((2.88574219f - g) + vh) + (vl + -0.000352105708f);
    // p + pl = (s + sl)*(g + gl)
    float gh = exact_head_f(g), gt = g - gh;
    float p = s * g;
    float pl = (((sh * gh - p) + sh * gt + st * gh) + st * gt) + (s * gl + sl * g);
    // h + l = k + p + pl
    float a = k + p;
    float b = ((k - a) + p) + pl;
    float h = a + b;
    float l = (a - h) + b;
    // Beyond 2^40 nothing changes: |log2 x| is 0 or above 2^-24.
    float e = y > 1099511627776.0f ? 1099511627776.0f : y;
    e = e < -1099511627776.0f ? -1099511627776.0f : e;
    float w = e * h;
    float wl = exact_rest_f(e, h, w) + e * l;
    float c = w > 129.0f ? 129.0f : w;
    c = c < -151.0f ? -151.0f : c;
    wl = c == w ? wl : 0.0f;
    float n = exact_nearest_f(c);
    float v = exact_scale_f(exact_exp2_core_f((c - n) + wl), n);
    float zero = y < 0.0f ? 3.402823466e38f : 0.0f;
    v = x == 0.0f ? zero : v;
    v = y == 0.0f ? 1.0f : v;
    v = y == 1.0f ? exact_abs_f(base) : v;
    v = x >= 0.0f ? v : exact_nan_f();
    return y == y ? v : exact_nan_f();
}

// Cube root, odd. An estimate of x^(-1/3) from the exponent, one step of fourth order, one step on the exact remainder.
// cbrt(+-0) = +-0.
FN float cbrt_f(float x) {
    float a = exact_abs_f(x);
    a = a > 3.402823466e38f ? 3.402823466e38f : a;
    // Keeps the cube's lower part above the subnormals and the cube below overflow.
    float up = a < 9.09494702e-13f ? 4722366482869645213696.0f : 1.0f;      // 2^72 below 2^-40
    float down = a < 9.09494702e-13f ? 5.96046448e-08f : 1.0f;              // 2^-24
    up = a > 1.152921504606846976e18f ? 2.11758237e-22f : up;               // 2^-72 above 2^60
    down = a > 1.152921504606846976e18f ? 16777216.0f : down;               // 2^24
    float t = a * up;
    int third = (int)((float)(int)exact_bits_f(t) * 0.333333343f);
    float y = exact_from_bits_f(0x54a1f600u - (unsigned int)third);
    float e = 1.0f - (t * y) * (y * y);
    float q = 0.145938918f;
    q = q * e + 0.174461752f;
    q = q * e + 0.222214416f;
    q = q * e + 0.333329231f;
    y = y + y * (e * q);
    float yy = y * y;
    float c = t * yy;
    float ch = exact_head_f(c), cl = c - ch;
    float s = c * c;
    float sl = ((ch * ch - s) + 2.0f * (ch * cl)) + cl * cl;
    float u = s * c;
    float sh = exact_head_f(s), st = s - sh;
    float ul = ((sh * ch - u) + sh * cl + st * ch) + st * cl;
    float rest = ((t - u) - ul) - sl * c;
    float v = (c + rest * (yy * 0.333333343f)) * down;
    v = a == 0.0f ? 0.0f : v;
    return x == x ? exact_signed_f(v, x) : exact_nan_f();
}

// Angle of the point (x, y), in [-pi, pi]. With t = smaller/larger: atan t = atan q for t <= 0.42, q = t, else
// pi/4 + atan q, q = (t - 1)/(1 + t); atan q = q + q^3*P(q^2), P of degree 5; q and all sums in two parts.
// Signed zeros as in IEEE 754: atan2(+-0, +0 or x > 0) = +-0, atan2(+-0, -0 or x < 0) = +-pi.
FN float atan2_f(float y, float x) {
    float ay = exact_abs_f(y), ax = exact_abs_f(x);
    ay = ay > 3.402823466e38f ? 3.402823466e38f : ay;
    ax = ax > 3.402823466e38f ? 3.402823466e38f : ax;
    float more = ay > ax ? ay : ax;
    float less = ay > ax ? ax : ay;
    // Away from overflow and from the subnormals, by 2^-4 or 2^60.
    float scale = more > 1.152921504606846976e18f ? 0.0625f : 1.152921504606846976e18f;
    less = less * scale;
    more = more == 0.0f ? 1.0f : more * scale;
    float cm = less > 0.42f * more ? -more : 0.0f, n = less + cm, nl = less - (n - cm);
    float ce = less > 0.42f * more ? less : 0.0f, d = more + ce, dl = ce - (d - more);
    float ch = less > 0.42f * more ? 0.785398185f : 0.0f;
    float cl = less > 0.42f * more ? -2.18556941e-08f : 0.0f;
    float q = n / d;
    float w = q * d;
    float ql = (((n - w) - exact_rest_f(q, d, w)) + (nl - q * dl)) / d;
    float z = q * q;
    float p = 0.0440944023f;
    p = p * z + -0.0830799788f;
    p = p * z + 0.11013303f;
    p = p * z + -0.142793581f;
    p = p * z + 0.199998066f;
    p = p * z + -0.333333313f;
    float low = q * z * p + ql;
    // result = b + sign*(atan c + q + low), b = 0, pi/2 or pi
    bool left = (exact_bits_f(x) >> 31) != 0u, steep = ay > ax;
    float b = steep ? 1.57079637f : (left ? 3.14159274f : 0.0f);
    float bl = steep ? -4.37113883e-08f : (left ? -8.74227766e-08f : 0.0f);
    float sign = steep != left ? -1.0f : 1.0f;
    float s1 = b + sign * ch, e1 = exact_sum_rest_f(b, sign * ch, s1);
    float s2 = s1 + sign * q, e2 = exact_sum_rest_f(s1, sign * q, s2);
    float v = s2 + ((e1 + e2) + (bl + sign * (cl + low)));
    v = exact_signed_f(v, y);
    v = x == x ? v : exact_nan_f();
    return y == y ? v : exact_nan_f();
}

// ---- float64 -------------------------------------------------------------------------------------------------------

// e^(t + tl) for |t| <= 0.3467, |tl| < 2^-40: 1 + t + t^2*P(t), P of degree 10.
FN double exact_exp_core_d(double t, double tl) {
    double p = 2.08557486216097e-09;
    p = p * t + 2.5111729484046507e-08;
    p = p * t + 2.7557467973318e-07;
    p = p * t + 2.7557235882380236e-06;
    p = p * t + 2.4801587096299878e-05;
    p = p * t + 0.00019841269895173256;
    p = p * t + 0.001388888888899685;
    p = p * t + 0.008333333333317634;
    p = p * t + 0.04166666666666648;
    p = p * t + 0.16666666666666682;
    p = p * t + 0.5;
    double u = t * t * p;
    double h = 1.0 + t;
    return h + (((1.0 - h) + t) + (u + tl * (h + u)));
}

// 2^(r + rl) for |r| <= 0.5: e^((r + rl)*ln 2).
FN double exact_exp2_core_d(double r, double rl) {
    double t = r * 0.6931471805599453;
    double rh = exact_head_d(r);
    double tl = ((rh * 0.6931471824645996 - t) + (r - rh) * 0.6931471824645996) + r * -1.904654299957768e-09;
    return exact_exp_core_d(t, tl + rl * 0.6931471805599453);
}

// 2^x. exp2(integer) is exact. x >= 1024: largest finite number; x <= -1075: 0.
FN double exp2_d(double x) {
    double t = x > 1024.0 ? 1024.0 : x;
    t = t < -1076.0 ? -1076.0 : t;
    double n = exact_nearest_d(t);
    double v = exact_scale_d(exact_exp2_core_d(t - n, 0.0), n);
    return x != x ? exact_nan_d() : v;
}

// e^x. x > 709.78: largest finite number; x < -745.13: 0.
FN double exp_d(double x) {
    double t = x > 710.0 ? 710.0 : x;
    t = t < -746.0 ? -746.0 : t;
    double n = exact_nearest_d(t * 1.4426950408889634);
    double a = t - n * 0.6931471806019545;
    double b = n * -4.2009150726810846e-11;
    double r = a - b;
    double v = exact_scale_d(exact_exp_core_d(r, (a - r) - b), n);
    return x != x ? exact_nan_d() : v;
}

// x = m * 2^k, m in [sqrt(1/2), sqrt(2)); gives ln m as the sum of the result and *low, to about 2^-64 of itself:
// ln m = s*(2 + 2/3 z + z^2*Q(z)), s = (m - 1)/(m + 1) in two parts, z = s^2, Q of degree 7.
FN double exact_log_core_d(double x, double* k, double* low) {
    double small = x < 2.2250738585072014e-308 ? 54.0 : 0.0;
    double scaled = x < 2.2250738585072014e-308 ? x * 18014398509481984.0 : x;
    unsigned long long u = exact_bits_d(scaled) + (0x3ff0000000000000ull - 0x3fe6a09e667f3bcdull);
    *k = exact_from_bits_d((u >> 52) | 0x4330000000000000ull) - (4503599627370496.0 + 1023.0) - small;
    double m = exact_from_bits_d((u & 0x000fffffffffffffull) + 0x3fe6a09e667f3bcdull);
    double f = m - 1.0;
    double d = m + 1.0;
    double dl = m - (d - 1.0);
    double r = 1.0 / d;
    double s = f * r;
    double dh = exact_head_d(d), sh = exact_head_d(s), st = s - sh;
    double sl = ((((f - sh * dh) - sh * (d - dh)) - st * d) - s * dl) * r;
    double z = s * s;
    double zl = (((sh * sh - z) + 2.0 * (sh * st)) + st * st) + 2.0 * (s * sl);
    double q = 0.1198142651427519;
    q = q * z + 0.11675819357946109;
    q = q * z + 0.13336262650883132;
    q = q * z + 0.15384558474101492;
    q = q * z + 0.18181818843385336;
    q = q * z + 0.2222222221779387;
    q = q * z + 0.2857142857144383;
    q = q * z + 0.3999999999999998;
    double zh = exact_head_d(z);
    double vh = zh * 0.6666666716337204;
    double vl = ((z - zh) + zl) * 0.6666666716337204 + z * -4.967053731282552e-09 + (z * z + 2.0 * (z * zl)) * q;
    double g = 2.0 + vh;
    double gl = ((2.0 - g) + vh) + vl;
    double p = s * g;
    *low = exact_rest_d(s, g, p) + (s * gl + sl * g);
    return p;
}

// log2 x as a sum of two doubles.
FN double exact_log2_core_d(double x, double* low) {
    double k, pl;
    double p = exact_log_core_d(x, &k, &pl);
    double w = p * 1.4426950408889634;
    double wl = exact_rest_d(p, 1.4426950408889634, w) + (pl * 1.4426950408889634 + p * 2.0355273740931033e-17);
    double a = k + w;
    double b = ((k - a) + w) + wl;
    double h = a + b;
    *low = (a - h) + b;
    return h;
}

// log2(x). log2(2^k) is exact. x = +-0: minus the largest finite number; x < 0: NaN.
FN double log2_d(double x) {
    double low;
    double v = exact_log2_core_d(exact_finite_d(x), &low);
    v = x == 0.0 ? -1.7976931348623157e308 : v;
    return x >= 0.0 ? v : exact_nan_d();
}

// ln(x). x = +-0: minus the largest finite number; x < 0: NaN.
FN double log_d(double x) {
    double k, pl;
    double p = exact_log_core_d(exact_finite_d(x), &k, &pl);
    double c = k * 0.6931471806019545;
    double a = c + p;
    double v = a + (((c - a) + p) + (pl + k * -4.2009150726810846e-11));
    v = x == 0.0 ? -1.7976931348623157e308 : v;
    return x >= 0.0 ? v : exact_nan_d();
}

// x^y = 2^(y*log2 x) for x >= 0. Special values as pow_f.
FN double pow_d(double x, double y) {
    double base = x > 1.7976931348623157e308 ? 1.7976931348623157e308 : x;
    double l;
    double h = exact_log2_core_d(base, &l);
    double e = y > 1.8446744073709552e19 ? 1.8446744073709552e19 : y;
    e = e < -1.8446744073709552e19 ? -1.8446744073709552e19 : e;
    double w = e * h;
    double wl = exact_rest_d(e, h, w) + e * l;
    double c = w > 1025.0 ? 1025.0 : w;
    c = c < -1076.0 ? -1076.0 : c;
    wl = c == w ? wl : 0.0;
    double n = exact_nearest_d(c);
    double v = exact_scale_d(exact_exp2_core_d(c - n, wl), n);
    double zero = y < 0.0 ? 1.7976931348623157e308 : 0.0;
    v = x == 0.0 ? zero : v;
    v = y == 0.0 ? 1.0 : v;
    v = y == 1.0 ? exact_abs_d(base) : v;
    v = x >= 0.0 ? v : exact_nan_d();
    return y == y ? v : exact_nan_d();
}

// Cube root, odd. As cbrt_f with one more step. cbrt(+-0) = +-0.
FN double cbrt_d(double x) {
    double a = exact_abs_d(x);
    a = a > 1.7976931348623157e308 ? 1.7976931348623157e308 : a;
    double up = a < 1e-200 ? 1.532495540865889e54 : 1.0;           // 2^180
    double down = a < 1e-200 ? 8.673617379884035e-19 : 1.0;        // 2^-60
    up = a > 1e200 ? 6.525304467998525e-55 : up;                   // 2^-180
    down = a > 1e200 ? 1152921504606846976.0 : down;               // 2^60
    double t = a * up;
    double upper = exact_from_bits_d((exact_bits_d(t) >> 32) | 0x4330000000000000ull) - 4503599627370496.0;
    double third = upper * 0.3333333333333333 + 6755399441055744.0;
    double y = exact_from_bits_d((0x553ee900ull - exact_bits_d(third)) << 32);
    double e = 1.0 - (t * y) * (y * y);
    double q = 0.14593525081886502;
    q = q * e + 0.1744634602617119;
    q = q * e + 0.22221444919249972;
    q = q * e + 0.3333292156479584;
    y = y + y * (e * q);
    e = 1.0 - (t * y) * (y * y);
    y = y + y * (e * (0.3333333333333333 + e * 0.2222222222222222));
    double yy = y * y;
    double c = t * yy;
    double s = c * c;
    double sl = exact_rest_d(c, c, s);
    double u = s * c;
    double rest = ((t - u) - exact_rest_d(s, c, u)) - sl * c;
    double v = (c + rest * (yy * 0.3333333333333333)) * down;
    v = a == 0.0 ? 0.0 : v;
    return x == x ? exact_signed_d(v, x) : exact_nan_d();
}

// x = n*pi/2 + r + rl, |r| <= 0.7855, for |x| <= 1e5: pi/2 in four parts, the products with three of them are exact.
FN double exact_quarter_d(double x, double* r, double* rl) {
    double n = exact_nearest_d(x * 0.6366197723675814);
    double a = x - n * 1.5707963267341256;
    double b = n * -6.077100506303966e-11;
    double s = a + b;
    double sl = exact_sum_rest_d(a, b, s);
    double c = n * -2.0222662487111665e-21;
    double t = s + c;
    double tl = exact_sum_rest_d(s, c, t) + (sl - n * 8.4784276603689e-32);
    *r = t + tl;
    *rl = (t - *r) + tl;
    return n;
}

FN double exact_sin_core_d(double r, double rl) {
    double z = r * r;
    double p = 1.5895906144216604e-10;
    p = p * z + -2.505074170704705e-08;
    p = p * z + 2.7557313578619952e-06;
    p = p * z + -0.00019841269829449202;
    p = p * z + 0.00833333333332191;
    p = p * z + -0.1666666666666663;
    return r + (r * z * p + rl * (1.0 - 0.5 * z));
}

FN double exact_cos_core_d(double r, double rl) {
    double z = r * r;
    double p = -1.1358733706998214e-11;
    p = p * z + 2.0875705157069743e-09;
    p = p * z + -2.755731421574272e-07;
    p = p * z + 2.4801587288999193e-05;
    p = p * z + -0.001388888888887334;
    p = p * z + 0.041666666666666595;
    double half = 0.5 * z;
    double h = 1.0 - half;
    return h + (((1.0 - h) - half) + (z * z * p - r * rl));
}

// sin(x), x in radians, |x| <= 1e5; beyond: NaN. sin(+-0) = +-0.
FN double sin_d(double x) {
    double a = exact_abs_d(x);
    double r, rl;
    double n = exact_quarter_d(a <= 1e5 ? x : 0.0, &r, &rl);
    unsigned long long turn = exact_bits_d(n + 6755399441055744.0);
    double v = (turn & 1ull) != 0ull ? exact_cos_core_d(r, rl) : exact_sin_core_d(r, rl);
    v = (turn & 2ull) != 0ull ? -v : v;
    v = a < 7.450580596923828e-09 ? x : v;
    return a <= 1e5 ? v : exact_nan_d();
}

// cos(x), x in radians, |x| <= 1e5; beyond: NaN.
FN double cos_d(double x) {
    double a = exact_abs_d(x);
    double r, rl;
    double n = exact_quarter_d(a <= 1e5 ? x : 0.0, &r, &rl);
    unsigned long long turn = exact_bits_d(n + 6755399441055744.0);
    double v = (turn & 1ull) != 0ull ? exact_sin_core_d(r, rl) : exact_cos_core_d(r, rl);
    v = ((turn + 1ull) & 2ull) != 0ull ? -v : v;
    return a <= 1e5 ? v : exact_nan_d();
}

// Angle of the point (x, y), in [-pi, pi]. With t = smaller/larger: atan t = atan c + atan q, q = (t - c)/(1 + c t),
// c = 0, 1/2 or 1 so that |q| <= 0.2405; atan q = q + q^3*P(q^2), P of degree 8; q and all sums in two parts.
// Special values as atan2_f.
FN double atan2_d(double y, double x) {
    double ay = exact_abs_d(y), ax = exact_abs_d(x);
    ay = ay > 1.7976931348623157e308 ? 1.7976931348623157e308 : ay;
    ax = ax > 1.7976931348623157e308 ? 1.7976931348623157e308 : ax;
    double more = ay > ax ? ay : ax;
    double less = ay > ax ? ax : ay;
    // Away from overflow and from the subnormals, by 2^-4 or 2^500.
    double scale = more > 1e150 ? 0.0625 : 3.273390607896142e150;
    less = less * scale;
    more = more == 0.0 ? 1.0 : more * scale;
    double c = less > 0.24 * more ? 0.5 : 0.0;
    double ch = less > 0.24 * more ? 0.4636476090008061 : 0.0;
    double cl = less > 0.24 * more ? 2.2698777452961687e-17 : 0.0;
    c = less > 0.62 * more ? 1.0 : c;
    ch = less > 0.62 * more ? 0.7853981633974483 : ch;
    cl = less > 0.62 * more ? 3.061616997868383e-17 : cl;
    double cm = -c * more, n = less + cm, nl = exact_sum_rest_d(less, cm, n);
    double ce = c * less, d = more + ce, dl = exact_sum_rest_d(more, ce, d);
    double q = n / d;
    double w = q * d;
    double ql = (((n - w) - exact_rest_d(q, d, w)) + (nl - q * dl)) / d;
    double z = q * q;
    double p = -0.040775404638775284;
    p = p * z + 0.05744477177191169;
    p = p * z + -0.0665757510122093;
    p = p * z + 0.07691942463383321;
    p = p * z + -0.0909089999497121;
    p = p * z + 0.11111110973637532;
    p = p * z + -0.1428571428453314;
    p = p * z + 0.1999999999999499;
    p = p * z + -0.33333333333333326;
    double low = q * z * p + ql;
    // result = b + sign*(atan c + q + low), b = 0, pi/2 or pi
    bool left = (exact_bits_d(x) >> 63) != 0ull, steep = ay > ax;
    double b = steep ? 1.5707963267948966 : (left ? 3.141592653589793 : 0.0);
    double bl = steep ? 6.123233995736766e-17 : (left ? 1.2246467991473532e-16 : 0.0);
    double sign = steep != left ? -1.0 : 1.0;
    double s1 = b + sign * ch, e1 = exact_sum_rest_d(b, sign * ch, s1);
    double s2 = s1 + sign * q, e2 = exact_sum_rest_d(s1, sign * q, s2);
    double v = s2 + ((e1 + e2) + (bl + sign * (cl + low)));
    v = exact_signed_d(v, y);
    v = x == x ? v : exact_nan_d();
    return y == y ? v : exact_nan_d();
}
