// The noise-optimal merge of one colour of N frames, and what belongs to it.
//
// X = Σ w_k y_k / Σ w_k with y_k = x_k / light_k and w_k = s_k / Var(y_k), Var(y_k) = shot_k·X + reading_k in base units
// (Hasinoff, Durand, Freeman, "Noise-optimal capture for high dynamic range photography", CVPR 2010, section 3).
// The variance takes X from the merge itself, never from the single sample: the first estimate weighs by the variance at
// X = 0, two fixed-point steps follow. s_k = t², where t falls from 1 to 0 as the frame nears its clipping level, judged by
// the larger of its peak and of what the merge predicts for it, so that noise that happens to lie low gains no weight.
// (The first estimate uses t itself and the peak alone.)
// Where every frame clips, the darkest covered one counts alone: the result is then its value, a lower bound; a camera's
// colours are then made neutral by raising the lower ones (highlights.h).
//
// Operations for one colour:     first estimate    each of two steps      N = 4, all
//   + − * and selects            9 N               13 N + 8 (2 N more     158
//   divisions                    1                  for coverage) and 1   3 (N > 4: one more per four frames and step)
#pragma once
#include "forms.h"
#include "highlights.h"

enum { RADIANCE_STEPS = 2 };

#ifdef __CUDACC__   // loops over frames must be gone before the loop over pixels becomes vectors
#define EVERY_FRAME _Pragma("unroll")
#elif defined(__clang__)
#define EVERY_FRAME _Pragma("clang loop unroll(full)")
#else
#define EVERY_FRAME _Pragma("GCC unroll 16")
#endif

template <int N, bool COVERAGE> struct radiance_of {
    // per frame: 1 / light; the ramp at 0; its slopes over the peak and over X; the weight at X = 0; how Var(y) grows with X,
    // in units of its value at 0. `most`: where growth ends, so that products of four of them stay inside float32.
    PARAMS(float per_light[16], ramp[16], peak_slope[16], light_slope[16], weight[16], growth[16], most;);
    FORM((COVERAGE ? 3 : 2) * N, 1, 0, 1);   // N values, N peaks, N coverages

    // 1 / d up to a factor common to all frames: products instead of divisions, four at a time
    static FN void inverses(const float* d, float* q) {
        EVERY_FRAME
        for (int g = 0; g < N; g += 4) {
            const float d1 = g + 1 < N ? d[g + 1] : 1.0f, d2 = g + 2 < N ? d[g + 2] : 1.0f, d3 = g + 3 < N ? d[g + 3] : 1.0f;
            const float low = d[g] * d1, high = d2 * d3;
            const float common = N > 4 ? 1.0f / (low * high) : 1.0f;
            const float with_low = N > 4 ? low * common : low, with_high = N > 4 ? high * common : high;
            q[g] = d1 * with_high;
            if (g + 1 < N) q[g + 1] = d[g] * with_high;
            if (g + 2 < N) q[g + 2] = d3 * with_low;
            if (g + 3 < N) q[g + 3] = d2 * with_low;
        }
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float y[N], rest[N], share[N], cover[N];
        float above = 0.0f, below = 0.0f, darkest = 0.0f;
        EVERY_FRAME
        for (int k = 0; k < N; k++) {
            y[k] = a(k, 0, 0) * p.per_light[k];
            rest[k] = p.ramp[k] - a(N + k, 0, 0) * p.peak_slope[k];
            cover[k] = COVERAGE ? a(2 * N + k, 0, 0) : 1.0f;
        }
        EVERY_FRAME
        for (int k = N - 1; k >= 0; k--) darkest = cover[k] > 0.0f ? y[k] : darkest;
        EVERY_FRAME
        for (int k = 0; k < N; k++) {
            const float plain = clamp_of(rest[k], 0.0f, 1.0f) * p.weight[k];
            const float w = COVERAGE ? cover[k] * plain : plain;
            above += w * y[k];
            below += w;
        }
        float merged = below > 0.0f ? above / below : darkest;
        EVERY_FRAME
        for (int step = 0; step < RADIANCE_STEPS; step++) {
            const float light = clamp_of(merged, 0.0f, p.most);
            float variance[N];
            EVERY_FRAME
            for (int k = 0; k < N; k++) variance[k] = p.growth[k] * light + 1.0f;
            inverses(variance, share);
            above = below = 0.0f;
            EVERY_FRAME
            for (int k = 0; k < N; k++) {
                const float seen = clamp_of(min_of(rest[k], p.ramp[k] - light * p.light_slope[k]), 0.0f, 1.0f);
                const float plain = (seen * seen) * (p.weight[k] * share[k]);
                const float w = COVERAGE ? cover[k] * plain : plain;
                above += w * y[k];
                below += w;
            }
            merged = below > 0.0f ? above / below : darkest;
        }
        o[0] = N == 1 ? y[0] : merged;
    }
};

struct radiance_1 : radiance_of<1, false> {};
struct radiance_2 : radiance_of<2, false> {};
struct radiance_3 : radiance_of<3, false> {};
struct radiance_4 : radiance_of<4, false> {};
struct radiance_5 : radiance_of<5, false> {};
struct radiance_6 : radiance_of<6, false> {};
struct radiance_7 : radiance_of<7, false> {};
struct radiance_8 : radiance_of<8, false> {};
struct radiance_12 : radiance_of<12, false> {};
struct radiance_16 : radiance_of<16, false> {};
struct radiance_covered_2 : radiance_of<2, true> {};
struct radiance_covered_4 : radiance_of<4, true> {};
struct radiance_covered_8 : radiance_of<8, true> {};
struct radiance_covered_16 : radiance_of<16, true> {};
KERNEL(radiance_1)
KERNEL(radiance_2)
KERNEL(radiance_3)
KERNEL(radiance_4)
KERNEL(radiance_5)
KERNEL(radiance_6)
KERNEL(radiance_7)
KERNEL(radiance_8)
KERNEL(radiance_12)
KERNEL(radiance_16)
KERNEL(radiance_covered_2)
KERNEL(radiance_covered_4)
KERNEL(radiance_covered_8)
KERNEL(radiance_covered_16)

struct radiance_colour {   // a 3×3 matrix on every pixel
    PARAMS(float m[9];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        for (int c = 0; c < 3; c++) o[c] = p.m[3 * c] * r + p.m[3 * c + 1] * g + p.m[3 * c + 2] * b;
    }
};
KERNEL(radiance_colour)

struct radiance_working {   // the merged camera's colours → working colours, clipped highlights neutral
    PARAMS(float m[9]; float neutral[3], balance[3]; float per_clip, slope;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float v[3] = {a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)};
        raise_clipped(v, p.neutral, p.balance, p.per_clip, p.slope);
        for (int c = 0; c < 3; c++) o[c] = p.m[3 * c] * v[0] + p.m[3 * c + 1] * v[1] + p.m[3 * c + 2] * v[2];
    }
};
KERNEL(radiance_working)

struct radiance_any {   // covered where one of two is
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = max_of(a(0, 0, 0), a(1, 0, 0)); }
};
KERNEL(radiance_any)
