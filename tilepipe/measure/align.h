// Blocks of two frames compared at whole-pixel shifts by exact integer sums, on levels proportional to sqrt(light).
#pragma once
#include "forms.h"

// A reduced frame (level of 16 bits, state) → level of 12 bits, 1 where nothing is clipped or uncovered.
struct align_reduced {
    PARAMS(int unused;);
    FORM_OF(uint16_t, uint16_t, 2, 2, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P&, int, int) {
        o[0] = (uint16_t)(a(0, 0, 0) >> 4);
        o[1] = (uint16_t)(a(1, 0, 0) == 0 ? 1 : 0);
    }
};
KERNEL(align_reduced)

// A frame at full size (green, the three planes clipping is judged by, coverage) → the same two planes.
struct align_full {
    PARAMS(int covered; float clip;);
    FORM_OF(float, uint16_t, 5, 2, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int, int) {
        const float peak = max_of(max_of(a(1, 0, 0), a(2, 0, 0)), a(3, 0, 0));
        const int bare = a(4, 0, 0) >= 1.0f ? 0 : p.covered;
        o[0] = (uint16_t)(int)rint_of(sqrt_of(clamp_of(a(0, 0, 0), 0.0f, 1.0f)) * 4095.0f);
        o[1] = (uint16_t)(peak < p.clip ? 1 - bare : 0);
    }
};
KERNEL(align_full)

// Binomial smoothing over 5 × 5, valid where all 25 are: without it the parabola through whole-pixel shifts is biased.
struct align_smooth {
    PARAMS(int unused;);
    FORM_OF(uint16_t, uint16_t, 2, 2, 2, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P&, int, int) {
        const int weight[5] = {1, 4, 6, 4, 1};
        int sum = 128, valid = 1;
        for (int dy = -2; dy <= 2; dy++)
            for (int dx = -2; dx <= 2; dx++) {
                sum += weight[dy + 2] * weight[dx + 2] * (int)a(0, dy, dx);
                valid &= (int)a(1, dy, dx);
            }
        o[0] = (uint16_t)(sum >> 8);
        o[1] = (uint16_t)valid;
    }
};
KERNEL(align_smooth)

// Half the size: the mean of what is valid among 2 × 2, valid where at least two are.
struct align_half {
    PARAMS(int unused;);
    FORM_OF(uint16_t, uint16_t, 2, 2, 1, 2);
    template <class A> static FN void at(A a, uint16_t* o, const P&, int, int) {
        const uint32_t v0 = a(1, 0, 0), v1 = a(1, 0, 1), v2 = a(1, 1, 0), v3 = a(1, 1, 1), count = v0 + v1 + v2 + v3;
        const uint32_t sum = v0 * a(0, 0, 0) + v1 * a(0, 0, 1) + v2 * a(0, 1, 0) + v3 * a(0, 1, 1);
        o[0] = (uint16_t)((sum + count / 2u) / max_of(count, 1u));
        o[1] = (uint16_t)(count >= 2 ? 1 : 0);
    }
};
KERNEL(align_half)

// Per cell: valid pixels, Σ gx², Σ gy², Σ gx·gy of central differences between valid pixels.
struct align_texture {
    PARAMS(Plane level; Plane valid; int cell;);
    FORM_OF(uint16_t, int64_t, 0, 4, 0, 1);
    template <class A> static FN void at(A, int64_t* o, const P& p, int y, int x) {
        const Plane& l = p.level;
        const int top = max_of(y * p.cell, 1), bottom = min_of((y + 1) * p.cell, l.H - 1);
        const int left = max_of(x * p.cell, 1), right = min_of((x + 1) * p.cell, l.W - 1);
        for (int i = 0; i < 4; i++) o[i] = 0;
        for (int r = top; r < bottom; r++) {
            const uint16_t *at = row_of<const uint16_t>(l, r), *use = row_of<const uint16_t>(p.valid, r);
            const uint16_t *above = at - l.pitch, *below = at + l.pitch;
            const uint16_t *use_above = use - p.valid.pitch, *use_below = use + p.valid.pitch;
            for (int c = left; c < right; c++) {
                const int all = use[c - 1] & use[c] & use[c + 1] & use_above[c] & use_below[c];
                const int gx = all * ((int)at[c + 1] - (int)at[c - 1]), gy = all * ((int)below[c] - (int)above[c]);
                o[0] += all;
                o[1] += (int64_t)gx * gx;
                o[2] += (int64_t)gy * gy;
                o[3] += (int64_t)gx * gy;
            }
        }
    }
};
KERNEL(align_texture)

// One output pixel per shift (y, x): over the block of `fixed` and the block of `moving` shifted by it, where both are
// valid: count, Σ a, Σ b, Σ a², Σ b², Σ a·b (a fixed, b moving). A block is at most 256 px wide.
struct align_sums {
    PARAMS(Plane fixed; Plane fixed_valid; Plane moving; Plane moving_valid; int top; int left; int height; int width; int dy; int dx;);
    FORM_OF(uint16_t, int64_t, 0, 6, 0, 1);
    template <class A> static FN void at(A, int64_t* o, const P& p, int y, int x) {
        const int dy = y + p.dy, dx = x + p.dx;
        const Plane &f = p.fixed, &m = p.moving;
        const int top = max_of(p.top, max_of(f.y0, m.y0 - dy));
        const int bottom = min_of(p.top + p.height, min_of(f.y0 + f.h, m.y0 + m.h - dy));
        const int left = max_of(p.left, max_of(f.x0, m.x0 - dx));
        const int right = min_of(p.left + p.width, min_of(f.x0 + f.w, m.x0 + m.w - dx));
        for (int i = 0; i < 6; i++) o[i] = 0;
        for (int r = top; r < bottom; r++) {
            const uint16_t *a = row_of<const uint16_t>(f, r) - f.x0, *va = row_of<const uint16_t>(p.fixed_valid, r) - f.x0;
            const uint16_t* b = row_of<const uint16_t>(m, r + dy) - m.x0 + dx;
            const uint16_t* vb = row_of<const uint16_t>(p.moving_valid, r + dy) - m.x0 + dx;
            uint32_t n = 0, sa = 0, sb = 0, saa = 0, sbb = 0, sab = 0;
            for (int c = left; c < right; c++) {
                const uint32_t both = (uint32_t)va[c] * vb[c], fixed = both * a[c], moving = both * b[c];
                n += both;
                sa += fixed;
                sb += moving;
                saa += fixed * fixed;
                sbb += moving * moving;
                sab += fixed * moving;
            }
            o[0] += n;
            o[1] += sa;
            o[2] += sb;
            o[3] += saa;
            o[4] += sbb;
            o[5] += sab;
        }
    }
};
KERNEL(align_sums)
