// Which frame gave how much of a merged pixel, how noisy that made it, and whether any frame saw it unclipped.
//
// The weights are those of the last step of radiance.h, judged at the merged value itself.
#pragma once
#include "forms.h"
#include "exact.h"

template <int N> struct radiance_shares_of {
    PARAMS(float per_light[16], ramp[16], peak_slope[16], light_slope[16], weight[16], growth[16], most, joint; int base;);
    FORM(4 * N + 3, N + 2, 0, 1);   // peaks, coverage, the merged colours before they were turned → shares, noise, clipped
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float merged[3] = {a(4 * N, 0, 0), a(4 * N + 1, 0, 0), a(4 * N + 2, 0, 0)};
        const float brightest = clamp_of(max_of(max_of(merged[0], merged[1]), merged[2]), 0.0f, p.most) * p.joint;
        float noise = 0.0f, clipped = 0.0f;
        for (int k = 0; k < N; k++) o[k] = 0.0f;
        for (int c = 0; c < 3; c++) {
            const float light = clamp_of(merged[c], 0.0f, p.most), predicted = max_of(light, brightest);
            float w[N], sum = 0.0f;
            int darkest = -1;
            for (int k = N - 1; k >= 0; k--) {
                const float peak[3] = {a(3 * k, 0, 0), a(3 * k + 1, 0, 0), a(3 * k + 2, 0, 0)};
                const float together = max_of(max_of(peak[0], peak[1]), peak[2]) * p.joint;
                const float rest = p.ramp[k] - max_of(peak[c], together) * p.peak_slope[k];
                const float seen = clamp_of(min_of(rest, p.ramp[k] - predicted * p.light_slope[k]), 0.0f, 1.0f);
                const float cover = a(3 * N + k, 0, 0);
                w[k] = seen * seen * p.weight[k] * cover / (p.growth[k] * light + 1.0f);
                sum += w[k];
                darkest = cover > 0.0f && p.weight[k] > 0.0f ? k : darkest;
            }
            float variance = 0.0f;   // Var of the merge in units of the base frame's at the same light
            for (int k = 0; k < N; k++) {
                const float share = sum > 0.0f ? w[k] / sum : k == darkest ? 1.0f : 0.0f;
                o[k] += share * (1.0f / 3.0f);
                const float own = (p.growth[k] * light + 1.0f) / max_of(p.weight[k], 1e-30f);
                variance += share > 0.0f ? share * share * own : 0.0f;
            }
            const float of_base = (p.growth[p.base & 15] * light + 1.0f) / max_of(p.weight[p.base & 15], 1e-30f);
            noise += log2_f(max_of(variance, 1e-30f) / of_base) * (0.5f / 3.0f);
            clipped = sum > 0.0f ? clipped : 1.0f;
        }
        o[N] = noise;
        o[N + 1] = clipped;
    }
};
struct radiance_shares_2 : radiance_shares_of<2> {};
struct radiance_shares_4 : radiance_shares_of<4> {};
struct radiance_shares_8 : radiance_shares_of<8> {};
struct radiance_shares_16 : radiance_shares_of<16> {};
KERNEL(radiance_shares_2)
KERNEL(radiance_shares_4)
KERNEL(radiance_shares_8)
KERNEL(radiance_shares_16)

struct cell_sums {   // exact sums per cell of a coarse grid, values in 1/4096
    PARAMS(int cell, columns, y0, x0;);
    FORM(1, 0, 0, 1);
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        const long long amount = (long long)rint_of(clamp_of(a(0, 0, 0), -64.0f, 64.0f) * 4096.0f);
        const int cell = max_of(p.cell, 1);   // places beyond the columns stated belong to none
        const int row = (y - p.y0) / cell, column = (x - p.x0) / cell;
        if (y >= p.y0 && x >= p.x0 && column < p.columns) put((long long)row * p.columns + column, amount);
    }
};
TALLY(cell_sums)

struct light_stops {   // log2 of the light, working colours; nothing is darker than −20
    PARAMS(float row[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float light = p.row[0] * a(0, 0, 0) + p.row[1] * a(1, 0, 0) + p.row[2] * a(2, 0, 0);
        o[0] = log2_f(max_of(light, 9.5367431640625e-7f));
    }
};
KERNEL(light_stops)

struct half_lightness {   // L* / 2 of display light (CIE 15:2018, 8.2.1), so that it fits a cell's range
    PARAMS(float row[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float light = clamp_of(p.row[0] * a(0, 0, 0) + p.row[1] * a(1, 0, 0) + p.row[2] * a(2, 0, 0), 0.0f, 1.0f);
        const float root = light > 0.008856452f ? cbrt_f(light) : light * 7.787037f + 0.13793103f;
        o[0] = 58.0f * root - 8.0f;
    }
};
KERNEL(half_lightness)
