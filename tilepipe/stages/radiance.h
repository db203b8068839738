// The noise-optimal merge of N frames, all three colours at once, and what belongs to it.
//
// X = Σ w_k y_k / Σ w_k with y_k = x_k / light_k and w_k = s_k / Var(y_k), Var(y_k) = shot_k·X + reading_k in base units
// (Hasinoff, Durand, Freeman, "Noise-optimal capture for high dynamic range photography", CVPR 2010, section 3).
// The variance takes X from the merge itself, never from the single sample: the first estimate weighs by the variance at
// X = 0, two fixed-point steps follow. s_k = t², where t falls from 1 to 0 as the frame nears its clipping level, judged by
// the larger of its peak and of what the merge predicts for it, so that noise that happens to lie low gains no weight.
// (The first estimate uses t itself and the peak alone.)
// The brightest of the three colours decides, for the peak as for the prediction: a frame enters with all its colours or
// with none. Judged colour by colour, every colour came from other frames where something had moved or the frames' curves
// did not quite agree: coloured dots along edges against the sky, rings around the sun. It costs noise where one colour
// alone clips. Only frames that are all linear and no camera's are judged colour by colour (`joint` 0).
// Where no frame counts in a step, the estimate before it stays; where none ever did, the darkest covered frame counts
// alone: the result is then its value, a lower bound; a camera's colours are then made neutral by raising the lower ones
// (highlights.h).
//
// Operations for three colours:  first estimate                   each of two steps     N = 4, all
//   + − * and selects            36 N + 3 (N more for coverage)   42 N + 23             529
//   divisions                    3                                3                     9
// and with more than four frames three divisions more per four frames and step.
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
    // in units of its value at 0. `most`: where growth ends, so that products of four of them stay inside float32. `joint`: 1
    // where colours are judged together, else 0.
    PARAMS(float per_light[16], ramp[16], peak_slope[16], light_slope[16], weight[16], growth[16], most, joint;);
    FORM((COVERAGE ? 7 : 6) * N, 3, 0, 1);   // red, green, blue of every frame, their peaks, the frames' coverage

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
        float y[3][N], rest[3][N], share[N], weight[N], cover[N];
        float merged[3] = {0.0f, 0.0f, 0.0f}, above[3] = {0.0f, 0.0f, 0.0f}, below[3] = {0.0f, 0.0f, 0.0f};
        EVERY_FRAME
        for (int k = 0; k < N; k++) {
            EVERY_FRAME
            for (int c = 0; c < 3; c++) y[c][k] = a(3 * k + c, 0, 0) * p.per_light[k];
            const float peak[3] = {a(3 * N + 3 * k, 0, 0), a(3 * N + 3 * k + 1, 0, 0), a(3 * N + 3 * k + 2, 0, 0)};
            const float together = max_of(max_of(peak[0], peak[1]), peak[2]) * p.joint;
            EVERY_FRAME
            for (int c = 0; c < 3; c++) rest[c][k] = p.ramp[k] - max_of(peak[c], together) * p.peak_slope[k];
            cover[k] = COVERAGE ? a(6 * N + k, 0, 0) : 1.0f;
            weight[k] = COVERAGE ? cover[k] * p.weight[k] : p.weight[k];
        }
        EVERY_FRAME
        for (int k = N - 1; k >= 0; k--) {   // the darkest covered frame
            EVERY_FRAME
            for (int c = 0; c < 3; c++) merged[c] = cover[k] > 0.0f ? y[c][k] : merged[c];
        }
        EVERY_FRAME
        for (int k = 0; k < N; k++) {
            EVERY_FRAME
            for (int c = 0; c < 3; c++) {
                const float w = clamp_of(rest[c][k], 0.0f, 1.0f) * weight[k];
                above[c] += w * y[c][k];
                below[c] += w;
            }
        }
        EVERY_FRAME
        for (int c = 0; c < 3; c++) merged[c] = below[c] > 0.0f ? above[c] / below[c] : merged[c];
        EVERY_FRAME
        for (int step = 0; step < RADIANCE_STEPS; step++) {
            const float brightest = clamp_of(max_of(max_of(merged[0], merged[1]), merged[2]), 0.0f, p.most) * p.joint;
            EVERY_FRAME
            for (int c = 0; c < 3; c++) {
                const float light = clamp_of(merged[c], 0.0f, p.most), predicted = max_of(light, brightest);
                float variance[N];
                EVERY_FRAME
                for (int k = 0; k < N; k++) variance[k] = p.growth[k] * light + 1.0f;
                inverses(variance, share);
                above[c] = below[c] = 0.0f;
                EVERY_FRAME
                for (int k = 0; k < N; k++) {
                    const float left = min_of(rest[c][k], p.ramp[k] - predicted * p.light_slope[k]);
                    const float seen = clamp_of(left, 0.0f, 1.0f);
                    const float w = (seen * seen) * (weight[k] * share[k]);
                    above[c] += w * y[c][k];
                    below[c] += w;
                }
                merged[c] = below[c] > 0.0f ? above[c] / below[c] : merged[c];
            }
        }
        for (int c = 0; c < 3; c++) o[c] = N == 1 ? y[c][0] : merged[c];
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
