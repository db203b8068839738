// Image pyramids (Burt and Adelson 1983): reduce and expand with [1 4 6 4 1]/16, and the sums of a collapse.
//
// Sizes come from the whole picture, ceil(n/2) a level, so a row or column has one place in every level, whatever the tile.
// Border of `reduce`: mirrored without repeating the rim (reflect-101). Border of `expand`: the coarse rim is repeated, on
// all four sides alike; constants stay constant exactly in both.
//
// Coverage: pyramids hold value · coverage, reduced as it is; the value of a level is the quotient Σkcv / Σkc, the value
// between two levels expand(c·v) / expand(c). Where all coverage is 1 both divisors are exactly 1.
#pragma once
#include "forms.h"

FN float reduce_of(float a, float b, float c, float d, float e) {
    return ((a + e) * 0.0625f + (b + d) * 0.25f) + c * 0.375f;
}
FN bool is_covered(float coverage) { return coverage > 7.8886091e-31f; }   // less than 2^-100 counts as none: quotients stay finite
FN float expand_even(float before, float here, float after) { return (before + after) * 0.125f + here * 0.75f; }
FN float expand_odd(float here, float after) { return (here + after) * 0.5f; }

struct pyramid_reduce {
    PARAMS(int unused;);
    FORM(1, 1, 2, 2);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        auto column = [&](int dx) { return reduce_of(a(0, -2, dx), a(0, -1, dx), a(0, 0, dx), a(0, 1, dx), a(0, 2, dx)); };
        o[0] = reduce_of(column(-2), column(-1), column(0), column(1), column(2));
    }
};

struct pyramid_box {   // sum of 2×2, nothing beyond the rim of the finer picture of `height` × `width`: exact areas, one tree
    PARAMS(int height; int width;);
    FORM(1, 1, 1, 2);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const bool below = 2 * y + 1 < p.height, right = 2 * x + 1 < p.width;
        const float b = right ? a(0, 0, 1) : 0.0f, c = below ? a(0, 1, 0) : 0.0f, d = below && right ? a(0, 1, 1) : 0.0f;
        o[0] = (a(0, 0, 0) + b) + (c + d);
    }
};

struct pyramid_expand {   // reads beside (y/2, x/2) of a coarser level of `height` × `width`
    PARAMS(int height; int width;);
    FORM(1, 1, 1, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const int row = y >> 1, col = x >> 1;
        auto value = [&](int r, int c) { return a(0, clamp_of(r, 0, p.height - 1) - y, clamp_of(c, 0, p.width - 1) - x); };
        auto column = [&](int c) {
            return y & 1 ? expand_odd(value(row, c), value(row + 1, c))
                         : expand_even(value(row - 1, c), value(row, c), value(row + 1, c));
        };
        o[0] = x & 1 ? expand_odd(column(col), column(col + 1)) : expand_even(column(col - 1), column(col), column(col + 1));
    }
};

// What `pyramid_expand` gives at one pixel, read straight from a plane of the coarser level that begins at `first`.
FN float expand_at(const Plane& from, const float* first, int y, int x) {
    const int row = y >> 1, col = x >> 1;
    auto line = [&](int r) { return first + (int64_t)(clamp_of(r, 0, from.H - 1) - from.y0) * from.pitch - from.x0; };
    // An odd row or column does not read the one before: it may lie outside the window.
    const float *above = line(y & 1 ? row : row - 1), *here = line(row), *below = line(row + 1);
    auto column = [&](int i) {
        const int c = clamp_of(i, 0, from.W - 1);
        return y & 1 ? expand_odd(here[c], below[c]) : expand_even(above[c], here[c], below[c]);
    };
    const float middle = column(col), after = column(col + 1);
    return x & 1 ? expand_odd(middle, after) : expand_even(column(col - 1), middle, after);
}

struct pyramid_collapse {   // a level's sums + the collapsed coarser level, expanded and, where there is coverage, divided by it
    PARAMS(Plane coarse; Plane inverse;);   // a null plane: all covered
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        float wide = expand_at(p.coarse, (const float*)p.coarse.p, y, x);
        if (p.inverse.p != nullptr) wide = wide * row_of<const float>(p.inverse, y)[x - p.inverse.x0];
        o[0] = a(0, 0, 0) + wide;
    }
};

struct pyramid_add {
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(0, 0, 0) + a(1, 0, 0); }
};

struct coverage_weighted {   // value, coverage → value · coverage; whatever lies under no coverage is dropped
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float v = a(0, 0, 0), c = a(1, 0, 0);
        o[0] = is_covered(c) ? v * c : 0.0f;
    }
};

struct coverage_inverse {   // 1 / coverage, 0 where there is none
    PARAMS(int unused;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float c = a(0, 0, 0);
        o[0] = is_covered(c) ? 1.0f / c : 0.0f;
    }
};

struct coverage_divided {   // value · coverage, 1 / coverage → value
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(0, 0, 0) * a(1, 0, 0); }
};

struct coverage_kept {   // value, coverage → the value where it is covered, else 0
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = is_covered(a(1, 0, 0)) ? a(0, 0, 0) : 0.0f; }
};

#if HOST_ONLY
// ---------------------------------------------------------------- whole rows, the vertical sum taken once
// Row pointers are indexed by global columns. Blocks of columns keep the vertical sums in the first-level cache.
struct Range {
    int low, high;
    int size() const { return high - low; }
    bool holds(int i) const { return i >= low && i < high; }
};
enum { kReduceBlock = 512, kExpandBlock = 1024 };

// `in`: the five rows beside 2y (mirrored); `width`: of the finer picture; `columns`: of the coarser row.
inline void reduce_row(const float* const in[5], int width, Range columns, float* out) {
    const float *a = in[0], *b = in[1], *c = in[2], *d = in[3], *e = in[4];
    for (int low = columns.low; low < columns.high; low += kReduceBlock) {
        const int high = min_of(low + (int)kReduceBlock, columns.high), first = 2 * low - 2, last = 2 * high;
        alignas(64) float sums[2 * kReduceBlock + 16];
        float* t = sums - first;
        const long begin = max_of(first, 0), end = min_of(last, width - 1);
        VECTOR_LOOP
        for (long x = begin; x <= end; x++) t[x] = reduce_of(a[x], b[x], c[x], d[x], e[x]);
        for (int x = first; x < 0; x++) t[x] = t[mirror(x, width)];
        for (int x = width; x <= last; x++) t[x] = t[mirror(x, width)];
        VECTOR_LOOP
        for (long x = low; x < high; x++) out[x] = reduce_of(t[2 * x - 2], t[2 * x - 1], t[2 * x], t[2 * x + 1], t[2 * x + 2]);
    }
}

// `here`, `below`: rows 2y and 2y + 1 of the finer picture of `width`; `below` is null beyond its rim.
inline void box_row(const float* here, const float* below, int width, Range columns, float* out) {
    for (int x = columns.low; x < columns.high; x++) {
        const bool right = 2 * x + 1 < width;
        const float b = right ? here[2 * x + 1] : 0.0f, c = below ? below[2 * x] : 0.0f, d = below && right ? below[2 * x + 1] : 0.0f;
        out[x] = (here[2 * x] + b) + (c + d);
    }
}

// `before`, `here`, `after`: the coarse rows beside y/2 (the rim repeated); `width`: of the coarser picture; `columns`: finer.
inline void expand_row(const float* before, const float* here, const float* after, bool odd, int width, Range columns, float* out) {
    for (int start = columns.low; start < columns.high; start += kExpandBlock) {
        int low = start, high = min_of(start + (int)kExpandBlock, columns.high);
        const int first = (low - 1) >> 1, last = ((high - 1) >> 1) + 1;
        alignas(64) float sums[kExpandBlock / 2 + 32];
        float* t = sums - first;
        const long begin = max_of(first, 0), end = min_of(last, width - 1);
        if (odd) {
            VECTOR_LOOP
            for (long x = begin; x <= end; x++) t[x] = expand_odd(here[x], after[x]);
        } else {
            VECTOR_LOOP
            for (long x = begin; x <= end; x++) t[x] = expand_even(before[x], here[x], after[x]);
        }
        if (first < 0) t[-1] = t[0];
        if (last >= width) t[width] = t[width - 1];
        if (low & 1) out[low] = expand_odd(t[low >> 1], t[(low >> 1) + 1]), low++;
        if (high > low && (high & 1)) {
            high--;
            const int x = high >> 1;
            out[high] = expand_even(t[x - 1], t[x], t[x + 1]);
        }
        VECTOR_LOOP
        for (long x = low >> 1; x < high >> 1; x++) {
            out[2 * x] = expand_even(t[x - 1], t[x], t[x + 1]);
            out[2 * x + 1] = expand_odd(t[x], t[x + 1]);
        }
    }
}

template <class K> void reduce_rows(const void* block, int first, int last) {
    FloatEnvironment environment;
    const auto& a = *(const Args<K>*)block;
    const Plane &in = a.in[0], &out = a.out[0];
    for (int r = first; r < last; r++) {
        const float* rows[5];
        for (int d = -2; d <= 2; d++) rows[d + 2] = row_of<const float>(in, mirror(2 * (r + out.y0) + d, in.H)) - in.x0;
        reduce_row(rows, in.W, {out.x0, out.x0 + out.w}, row_of<float>(out, r + out.y0) - out.x0);
    }
}

template <class K> void expand_rows(const void* block, int first, int last) {
    FloatEnvironment environment;
    const auto& a = *(const Args<K>*)block;
    const Plane &in = a.in[0], &out = a.out[0];
    for (int r = first; r < last; r++) {
        const int y = r + out.y0;
        auto row = [&](int i) { return row_of<const float>(in, clamp_of(i, 0, a.p.height - 1)) - in.x0; };
        // An odd row does not read the row before; it may lie outside the window.
        const float* here = row(y >> 1);
        expand_row(y & 1 ? here : row((y >> 1) - 1), here, row((y >> 1) + 1), y & 1, a.p.width, {out.x0, out.x0 + out.w},
                   row_of<float>(out, y) - out.x0);
    }
}
ROW_OF_TABLE(pyramid_reduce, reduce_rows)
ROW_OF_TABLE(pyramid_expand, expand_rows)
#else
// ---------------------------------------------------------------- the GPU's grids: several rows a thread, reads shared
enum { kReduceDown = 4 };
FN void reduce_grid_of(const Args<pyramid_reduce>& a) {
    const Plane &in = a.in[0], &to = a.out[0];
    const int col = (int)(blockIdx.x * blockDim.x + threadIdx.x), row = (int)(blockIdx.y * blockDim.y + threadIdx.y) * kReduceDown;
    if (col >= to.w || row >= to.h) return;
    const int x = 2 * (col + to.x0), y = 2 * (row + to.y0);
    float* out = (float*)to.p + (long long)row * to.pitch + col;
    const bool inside = x >= 2 && y >= 2 && x + 2 < in.W && y + 2 * kReduceDown < in.H && row + kReduceDown <= to.h;
    if (!inside) {
        for (int i = 0; i < kReduceDown && row + i < to.h; i++)
            pyramid_reduce::at(Near<pyramid_reduce>(a, row + i + to.y0, col + to.x0), out + i * to.pitch, a.p, 0, 0);
        return;
    }
    const float* from = row_of<const float>(in, y - 2) + (x - 2 - in.x0);
    float sum[kReduceDown][5];
#pragma unroll
    for (int k = 0; k < 5; k++) {
        float v[2 * kReduceDown + 3];
#pragma unroll
        for (int i = 0; i < 2 * kReduceDown + 3; i++) v[i] = from[i * in.pitch + k];
#pragma unroll
        for (int i = 0; i < kReduceDown; i++) sum[i][k] = reduce_of(v[2 * i], v[2 * i + 1], v[2 * i + 2], v[2 * i + 3], v[2 * i + 4]);
    }
#pragma unroll
    for (int i = 0; i < kReduceDown; i++) out[i * to.pitch] = reduce_of(sum[i][0], sum[i][1], sum[i][2], sum[i][3], sum[i][4]);
}
enum { kExpandAcross = 2 };
FN void expand_grid_of(const Args<pyramid_expand>& a) {   // two rows, and pixels 32 columns apart, a thread
    const Plane &in = a.in[0], &to = a.out[0];
    const int row = 2 * (int)(blockIdx.y * blockDim.y + threadIdx.y), y = row + to.y0, here = y >> 1;
    if (row >= to.h) return;
    const bool odd = y & 1;   // then rows `here` … `here` + 2 are read, else from the one before on
    const float* from[3];
#pragma unroll
    for (int i = 0; i < 3; i++) {   // held within the window too: the last row may lie beyond it, then its pixels are not made
        const int r = clamp_of(here - (odd ? 0 : 1) + i, 0, a.p.height - 1);
        from[i] = row_of<const float>(in, clamp_of(r, in.y0, in.y0 + in.h - 1)) - in.x0;
    }
#pragma unroll
    for (int k = 0; k < kExpandAcross; k++) {
        const int col = (int)(blockIdx.x * kExpandAcross + k) * (int)blockDim.x + (int)threadIdx.x, x = col + to.x0;
        if (col >= to.w) return;
        float t[2][3];
#pragma unroll
        for (int j = 0; j < 3; j++) {
            const int c = max_of(clamp_of((x >> 1) - 1 + j, 0, a.p.width - 1), in.x0);   // an odd column does not read the one before
            const float u = from[0][c], v = from[1][c], w = from[2][c];
            t[0][j] = odd ? expand_odd(u, v) : expand_even(u, v, w);
            t[1][j] = odd ? expand_even(u, v, w) : expand_odd(v, w);
        }
        float* out = (float*)to.p + (long long)row * to.pitch + col;
        out[0] = x & 1 ? expand_odd(t[0][1], t[0][2]) : expand_even(t[0][0], t[0][1], t[0][2]);
        if (row + 1 < to.h) out[to.pitch] = x & 1 ? expand_odd(t[1][1], t[1][2]) : expand_even(t[1][0], t[1][1], t[1][2]);
    }
}
GRID_OF(pyramid_reduce, 1, 4, 4, reduce_grid_of)
KERNEL(pyramid_reduce)
GRID_OF(pyramid_expand, 2, 2, 4, expand_grid_of)
KERNEL(pyramid_expand)
#endif
KERNEL(pyramid_box)
KERNEL(pyramid_collapse)
KERNEL(pyramid_add)
KERNEL(coverage_weighted)
KERNEL(coverage_inverse)
KERNEL(coverage_divided)
KERNEL(coverage_kept)
MANY(pyramid_reduce)
MANY(pyramid_expand)
MANY(pyramid_box)
MANY(pyramid_collapse)
MANY(pyramid_add)
MANY(coverage_weighted)
MANY(coverage_inverse)
MANY(coverage_divided)
MANY(coverage_kept)
