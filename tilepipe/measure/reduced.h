// The survey of one frame: exact box sums of its green channel, and how steep its strong edges are.
#pragma once
#include "forms.h"

// Sums over boxes of factor × factor pixels, cut to the window of `green`: a box that lies in several windows is added up.
struct reduced_boxes {
    PARAMS(Plane green; Plane peak[3]; Plane coverage; int covered; int factor; float clip;);
    FORM_OF(float, int64_t, 0, 3, 0, 1);   // green in 2^-20, clipped pixels, pixels without coverage
    template <class A> static FN void at(A, int64_t* o, const P& p, int y, int x) {
        const Plane& g = p.green;
        const int top = max_of(y * p.factor, g.y0), bottom = min_of((y + 1) * p.factor, g.y0 + g.h);
        const int left = max_of(x * p.factor, g.x0), right = min_of((x + 1) * p.factor, g.x0 + g.w);
        o[0] = o[1] = o[2] = 0;
        for (int r = top; r < bottom; r++) {
            const float* rows[5] = {row_of<const float>(g, r) - g.x0, row_of<const float>(p.peak[0], r) - g.x0,
                                    row_of<const float>(p.peak[1], r) - g.x0, row_of<const float>(p.peak[2], r) - g.x0,
                                    row_of<const float>(p.coverage, r) - g.x0};
            switch (right - left) {   // a constant width lets the compiler work on whole boxes at once
                case 2: add<2>(o, rows, left, p); break;
                case 3: add<3>(o, rows, left, p); break;
                case 4: add<4>(o, rows, left, p); break;
                case 5: add<5>(o, rows, left, p); break;
                case 6: add<6>(o, rows, left, p); break;
                case 8: add<8>(o, rows, left, p); break;
                default:
                    for (int c = left; c < right; c++) add<1>(o, rows, c, p);
            }
        }
    }
    template <int N> static FN void add(int64_t* o, const float* const* rows, int left, const P& p) {
        int sum = 0, full = 0, hole = 0;
        for (int i = 0; i < N; i++) {
            const int c = left + i;
            const float peak = max_of(max_of(rows[1][c], rows[2][c]), rows[3][c]);
            sum += (int)rint_of(clamp_of(rows[0][c], -0.5f, 1.5f) * 1048576.0f);
            full += peak >= p.clip ? 1 : 0;
            hole += rows[4][c] >= 1.0f ? 0 : p.covered;
        }
        o[0] += sum;
        o[1] += full;
        o[2] += hole;
    }
};
KERNEL(reduced_boxes)

// Box sums to what is kept: 65535·sqrt(mean light), and bits 1 some clipped, 2 some without coverage, 4 half or more clipped.
struct reduced_finish {
    PARAMS(int factor; int height; int width;);
    FORM_OF(int64_t, uint16_t, 3, 2, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int y, int x) {
        const int rows = min_of(p.factor, p.height - y * p.factor), cols = min_of(p.factor, p.width - x * p.factor);
        const double count = (double)rows * (double)cols;
        const double mean = clamp_of((double)a(0, 0, 0) / (count * 1048576.0), 0.0, 1.0);
        o[0] = (uint16_t)(int)rint_of(sqrt_of(mean) * 65535.0);
        const int64_t clipped = a(1, 0, 0);
        o[1] = (uint16_t)((clipped > 0 ? 1 : 0) | (a(2, 0, 0) > 0 ? 2 : 0) | (2 * clipped >= rows * cols ? 4 : 0));
    }
};
KERNEL(reduced_finish)

// 4095·sqrt(light): the square root evens out photon noise, and a gain between frames stays a gain.
struct reduced_level {
    PARAMS(int unused;);
    FORM_OF(float, uint16_t, 1, 1, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P&, int, int) {
        o[0] = (uint16_t)(int)rint_of(sqrt_of(clamp_of(a(0, 0, 0), 0.0f, 1.0f)) * 4095.0f);
    }
};
KERNEL(reduced_level)

// Per cell of the picture: edges that rise by `strong` over 8 px, and how much of that rise happens within 2 px;
// along rows, then along columns: count, Σ min(rise over 2 px, rise over 8 px)⁴, Σ (rise over 8 px)⁴, in units of 2^16. Fourth powers, because a blurred edge is weaker but wider: squares would hide half of that, and let noise in.
struct reduced_edges {
    PARAMS(Plane level; int y0; int x0; int y1; int x1; int cell; int strong; int clip;);
    FORM_OF(uint16_t, int64_t, 0, 6, 0, 1);
    template <class A> static FN void at(A, int64_t* o, const P& p, int y, int x) {
        const Plane& l = p.level;
        const int top = max_of(max_of(y * p.cell, p.y0), 4), bottom = min_of(min_of((y + 1) * p.cell, p.y1), l.H - 4);
        const int left = max_of(max_of(x * p.cell, p.x0), 4), right = min_of(min_of((x + 1) * p.cell, p.x1), l.W - 4);
        for (int i = 0; i < 6; i++) o[i] = 0;
        for (int r = top; r < bottom; r++) {
            const uint16_t* at = row_of<const uint16_t>(l, r) - l.x0;
            const uint16_t *above = at - l.pitch, *below = at + l.pitch, *far_above = at - 4 * l.pitch, *far_below = at + 4 * l.pitch;
            add(o, at - 4, at - 1, at + 1, at + 4, left, right, p);
            add(o + 3, far_above, above, below, far_below, left, right, p);
        }
    }
    static FN void add(int64_t* o, const uint16_t* a, const uint16_t* b, const uint16_t* c, const uint16_t* d,
                       int left, int right, const P& p) {
        uint32_t count = 0;
        uint64_t steep = 0, rise = 0;
        for (int i = left; i < right; i++) {
            const int wide = (int)d[i] - (int)a[i], narrow = (int)c[i] - (int)b[i];
            const int far = wide < 0 ? -wide : wide, near = narrow < 0 ? -narrow : narrow;
            const int use = (int)(far >= p.strong) & (int)(max_of((int)a[i], (int)d[i]) < p.clip);
            const int close = min_of(near, far);
            const uint32_t short_square = (uint32_t)(use * (close * close)) >> 8, long_square = (uint32_t)(use * (far * far)) >> 8;
            count += (uint32_t)use;
            steep += short_square * short_square;
            rise += long_square * long_square;
        }
        o[0] += count;
        o[1] += steep;
        o[2] += rise;
    }
};
KERNEL(reduced_edges)
