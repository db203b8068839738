// Resampling through an integer coordinate grid: 6×6 windowed sinc, kept from ringing.
//
// Positions are int32 in 1/1024 px; the grid holds one node every 16 px of the output, bilinear in integers between them.
// The arithmetic stands once, as templates over one value (GPU, borders) or over the eight lanes of a row of samples (CPU).
// Sums run down the columns first, then along the row, so that a constant phase may be done in two separate passes with
// the same bits. `taps` holds 1024 phases of six weights and two zeros; the weights of a phase add up to 1 exactly.
#pragma once
#include "forms.h"

#if HOST_ONLY && defined(__GNUC__) && !defined(__clang__)
#pragma GCC diagnostic ignored "-Wpsabi"   // wide vectors never cross a call: everything here is inlined
#endif

struct warp_grid {   // nodes of out → in, a projective map of (x, y, 1), in 1/1024 px: across (x), down (y)
    PARAMS(double m[9];);
    FORM_OF(float, int32_t, 0, 2, 0, 1);
    static FN int node(double v) { return (int)rint_of(clamp_of(v * 1024.0, -1073741824.0, 1073741824.0)); }
    template <class A> static FN void at(A, int32_t* o, const P& p, int row, int col) {
        double x = 16.0 * col, y = 16.0 * row;
        double w = p.m[6] * x + p.m[7] * y + p.m[8];
        o[0] = node((p.m[0] * x + p.m[1] * y + p.m[2]) / w);
        o[1] = node((p.m[3] * x + p.m[4] * y + p.m[5]) / w);
    }
};
KERNEL(warp_grid)

// ---------------------------------------------------------------- positions
FN int64_t warp_edge(const Plane& grid, int y, int node) {   // between two nodes above and below, times 16
    const int cell = y >> 4, f = y & 15;
    return (int64_t)(16 - f) * row_of<const int32_t>(grid, cell)[node - grid.x0] +
           (int64_t)f * row_of<const int32_t>(grid, cell + 1)[node - grid.x0];
}
FN int warp_between(int64_t left, int64_t right, int f) { return (int)(((16 - f) * left + f * right + 128) >> 8); }
FN int warp_position(const Plane& grid, int y, int x) {
    return warp_between(warp_edge(grid, y, x >> 4), warp_edge(grid, y, (x >> 4) + 1), x & 15);
}
FN bool warp_inside(int position, int size) { return position >= -512 && position <= (size - 1) * 1024LL + 512; }

// ---------------------------------------------------------------- the filter
template <class V, class L> FN V warp_sum(L v, const float* w) {
    return ((v(0) * w[0] + v(1) * w[1]) + (v(2) * w[2] + v(3) * w[3])) + (v(4) * w[4] + v(5) * w[5]);
}
template <class V> FN V warp_join(const V* p) { return ((p[0] + p[4]) + p[2]) + ((p[1] + p[5]) + p[3]); }
template <class V> FN V warp_less(const V& a, const V& b) { return a < b ? a : b; }
template <class V> FN V warp_more(const V& a, const V& b) { return a > b ? a : b; }
// A step stays between its two nearest samples; a crest between them, with lower samples on both sides, may rise above them
// by a quarter of that fall (a parabola needs 1/8, a sine of 0.28 cycles/px a quarter); a trough likewise.
template <class V, class L> FN V warp_kept(L v, const V& sum) {
    const V high = warp_more<V>(v(2), v(3)), low = warp_less<V>(v(2), v(3));
    const V rise = high - warp_more<V>(v(1), v(4)), fall = warp_less<V>(v(1), v(4)) - low;
    const V upper = high + warp_more<V>(rise, V{}) * 0.25f, lower = low - warp_more<V>(fall, V{}) * 0.25f;
    const V raised = sum > lower ? sum : lower;
    return raised < upper ? raised : upper;
}
template <class V, class L> FN V warp_most(L v, int phase) {   // over the samples that have a weight
    if (phase == 0) return v(2);
    return warp_more<V>(warp_more<V>(warp_more<V>(v(0), v(1)), warp_more<V>(v(2), v(3))), warp_more<V>(v(4), v(5)));
}

struct WarpSpot {   // where one output pixel lies in the input: first sample, phases
    int x, y, px, py;
    FN WarpSpot(int across, int down) : x((across >> 10) - 2), y((down >> 10) - 2), px(across & 1023), py(down & 1023) {}
};
struct WarpSamples {   // the 6×6 samples of a plane, the picture mirrored at its border
    const Plane& plane;
    const WarpSpot& spot;
    FN float operator()(int i, int j) const {
        return row_of<const float>(plane, mirror(spot.y + i, plane.H))[mirror(spot.x + j, plane.W) - plane.x0];
    }
};

template <class V, class L, class W> FN V warp_along(L column, W weight) {   // the six column sums, along the row
    const V p[6] = {column(0) * weight(0), column(1) * weight(1), column(2) * weight(2),
                    column(3) * weight(3), column(4) * weight(4), column(5) * weight(5)};
    return warp_kept<V>(column, warp_join<V>(p));
}
template <class T> FN float warp_value(T tap, const WarpSpot& s, const float* taps) {
    float column[6];
    for (int j = 0; j < 6; j++) {
        auto samples = [&](int i) { return tap(i, j); };
        column[j] = warp_kept<float>(samples, warp_sum<float>(samples, taps + 8 * s.py));
    }
    return warp_along<float>([&](int j) { return column[j]; }, [&](int j) { return taps[8 * s.px + j]; });
}
template <class T> FN float warp_peak(T tap, const WarpSpot& s) {
    return warp_most<float>([&](int j) { return warp_most<float>([&](int i) { return tap(i, j); }, s.py); }, s.px);
}
template <class T> FN bool warp_full(T cover) {
    bool full = true;
    for (int i = 0; i < 6; i++)
        for (int j = 0; j < 6; j++) full = full && cover(i, j) == 1.0f;
    return full;
}
// Beside a ragged edge: Σkcv/Σkc, kept within the covered samples of the inner 4×4; where none is covered, nothing is.
struct WarpRim { float value, cover; };
template <class T, class C> FN WarpRim warp_rim(T tap, C cover, const WarpSpot& s, const float* taps) {
    const float *wy = taps + 8 * s.py, *wx = taps + 8 * s.px;
    float p[6], n[6], low = 3.402823466e38f, high = -3.402823466e38f;
    for (int j = 0; j < 6; j++) {
        p[j] = warp_sum<float>([&](int i) { return tap(i, j) * cover(i, j); }, wy) * wx[j];
        n[j] = warp_sum<float>([&](int i) { return cover(i, j); }, wy) * wx[j];
        for (int i = 1; i < 5; i++) {
            const bool counts = j > 0 && j < 5 && cover(i, j) > 0.0f;
            low = counts && tap(i, j) < low ? tap(i, j) : low;
            high = counts && tap(i, j) > high ? tap(i, j) : high;
        }
    }
    const float weight = warp_join<float>(n);
    if (low > high || weight <= 0.0f) return {0.0f, 0.0f};
    return {clamp_of(warp_join<float>(p) / max_of(weight, 0.0625f), low, high), min_of(weight, 1.0f)};
}

struct warp_plane {   // one plane; what: 0 values, 1 the largest sample, 2 the coverage (a null plane: all covered)
    PARAMS(Plane source; Plane coverage; Plane across; Plane down; const float* taps; int what, leaves;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int across = warp_position(p.across, y, x), down = warp_position(p.down, y, x);
        o[0] = 0.0f;
        if (p.leaves && !(warp_inside(across, p.source.W) && warp_inside(down, p.source.H))) return;
        const WarpSpot spot(across, down);
        const WarpSamples tap{p.source, spot}, cover{p.coverage, spot};
        if (p.what == 1) { o[0] = warp_peak(tap, spot); return; }
        if (p.coverage.p == nullptr || warp_full(cover)) { o[0] = p.what == 2 ? 1.0f : warp_value(tap, spot, p.taps); return; }
        const WarpRim rim = warp_rim(tap, cover, spot, p.taps);
        o[0] = p.what == 2 ? rim.cover : rim.value;
    }
};
KERNEL(warp_plane)

#if HOST_ONLY
// ---------------------------------------------------------------- the CPU's row loops
typedef float WarpLanes __attribute__((vector_size(32)));

struct WarpDeep {   // 6 rows of 8 samples, known to lie inside the window
    const float* first;
    long long pitch;
    FN WarpLanes operator()(int i) const { WarpLanes v; __builtin_memcpy(&v, first + i * pitch, 32); return v; }
};
struct WarpBlock {   // 6 rows of 8 samples: inside the window where they lie, at its rim copied with the border rule
    const float* first;
    long long pitch;
    float copy[6][8];
    FN WarpBlock(const Plane& plane, const WarpSpot& s) {
        const bool direct = s.x >= plane.x0 && s.x + 8 <= plane.x0 + plane.w && s.y >= plane.y0 && s.y + 6 <= plane.y0 + plane.h;
        if (direct) {
            first = row_of<const float>(plane, s.y) + (s.x - plane.x0);
            pitch = plane.pitch;
            return;
        }
        const WarpSamples tap{plane, s};
        for (int i = 0; i < 6; i++)
            for (int j = 0; j < 8; j++) copy[i][j] = j < 6 ? tap(i, j) : 0.0f;
        first = copy[0];
        pitch = 8;
    }
    FN WarpLanes operator()(int i) const { WarpLanes v; __builtin_memcpy(&v, first + i * pitch, 32); return v; }
    FN float operator()(int i, int j) const { return first[i * pitch + j]; }
};
#if defined(__clang__) || __GNUC__ >= 12
#define WARP_PICK(a, b, ...) __builtin_shufflevector(a, b, __VA_ARGS__)
#else
typedef int WarpOrder __attribute__((vector_size(32)));
#define WARP_PICK(a, b, ...) __builtin_shuffle(a, b, WarpOrder{__VA_ARGS__})
#endif
FN void warp_turn(WarpLanes* v) {   // 8 pixels of 8 lanes → 8 lanes of 8 pixels
    WarpLanes pair[8], quad[8];
    for (int i = 0; i < 8; i += 2) {
        pair[i] = WARP_PICK(v[i], v[i + 1], 0, 8, 1, 9, 4, 12, 5, 13);
        pair[i + 1] = WARP_PICK(v[i], v[i + 1], 2, 10, 3, 11, 6, 14, 7, 15);
    }
    for (int i = 0; i < 8; i += 4)
        for (int half = 0; half < 2; half++) {
            quad[i + 2 * half] = WARP_PICK(pair[i + half], pair[i + half + 2], 0, 1, 8, 9, 4, 5, 12, 13);
            quad[i + 2 * half + 1] = WARP_PICK(pair[i + half], pair[i + half + 2], 2, 3, 10, 11, 6, 7, 14, 15);
        }
    for (int i = 0; i < 4; i++) {
        v[i] = WARP_PICK(quad[i], quad[i + 4], 0, 1, 2, 3, 8, 9, 10, 11);
        v[i + 4] = WARP_PICK(quad[i], quad[i + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
}
template <class R> FN WarpLanes warp_columns(const R& row, const WarpSpot& s, const float* taps) {
    return warp_kept<WarpLanes>(row, warp_sum<WarpLanes>(row, taps + 8 * s.py));
}
FN float warp_value(const WarpBlock& row, const WarpSpot& s, const float* taps) {
    const WarpLanes column = warp_columns(row, s, taps);
    return warp_along<float>([&](int j) { return column[j]; }, [&](int j) { return taps[8 * s.px + j]; });
}
FN float warp_peak(const WarpBlock& row, const WarpSpot& s) {
    const WarpLanes most = warp_most<WarpLanes>(row, s.py);
    return warp_most<float>([&](int j) { return most[j]; }, s.px);
}
FN bool warp_full(const WarpBlock& row) {
    WarpLanes least = row(0);
    for (int i = 1; i < 6; i++) least = warp_less<WarpLanes>(least, row(i));
    bool full = true;
    for (int j = 0; j < 6; j++) full = full && least[j] == 1.0f;
    return full;
}

struct warp_rows {   // any map: `values` planes, then `peaks` planes, then the coverage, pixel by pixel
    PARAMS(Plane source[8]; Plane result[8]; int values, peaks; Plane coverage; Plane covered;
           Plane across; Plane down; const float* taps;);
    static void run(const P& p, int first, int last) {
        const Plane& size = p.values + p.peaks > 0 ? p.result[0] : p.covered;
        for (int r = first; r < last; r++)
            for (int i = 0; i < size.w;) i += cell(p, size, r, i);
    }
    static FN int cell(const P& p, const Plane& size, int r, int i) {   // up to the next column of nodes
        const int y = r + size.y0, x = i + size.x0, node = x >> 4;
        const int count = min_of(16 - (x & 15), size.w - i);
        const int64_t left = warp_edge(p.across, y, node), right = warp_edge(p.across, y, node + 1);
        const int64_t top = warp_edge(p.down, y, node), end = warp_edge(p.down, y, node + 1);
        int k = 0;
        for (; k + 8 <= count; k += 8) {
            int at[8], to[8];
            for (int n = 0; n < 8; n++) {
                at[n] = warp_between(left, right, (x + k + n) & 15);
                to[n] = warp_between(top, end, (x + k + n) & 15);
            }
            if (!eight(p, r, i + k, at, to))
                for (int n = 0; n < 8; n++) pixel(p, (long long)r, i + k + n, at[n], to[n]);
        }
        for (; k < count; k++) {
            const int f = (x + k) & 15;
            pixel(p, (long long)r, i + k, warp_between(left, right, f), warp_between(top, end, f));
        }
        return count;
    }
    static FN bool eight(const P& p, long long r, int i, const int* across, const int* down) {   // away from every edge
        if (p.values == 0) return false;
        const Plane& near = p.source[0];
        for (int n = 0; n < 8; n++) {
            const WarpSpot s(across[n], down[n]);
            const bool deep = s.x >= near.x0 && s.x + 8 <= near.x0 + near.w && s.y >= near.y0 && s.y + 6 <= near.y0 + near.h;
            if (!deep || !warp_inside(across[n], near.W) || !warp_inside(down[n], near.H)) return false;
            if (p.coverage.p && !warp_full(WarpBlock(p.coverage, s))) return false;
        }
        WarpLanes weight[8], column[8];
        for (int n = 0; n < 8; n++) __builtin_memcpy(&weight[n], p.taps + 8 * (across[n] & 1023), 32);
        warp_turn(weight);
        for (int c = 0; c < p.values; c++) {
            for (int n = 0; n < 8; n++) {
                const WarpSpot s(across[n], down[n]);
                const WarpDeep row{row_of<const float>(p.source[c], s.y) + (s.x - p.source[c].x0), p.source[c].pitch};
                column[n] = warp_columns(row, s, p.taps);
            }
            warp_turn(column);
            const WarpLanes v = warp_along<WarpLanes>([&](int j) { return column[j]; }, [&](int j) { return weight[j]; });
            __builtin_memcpy((float*)p.result[c].p + r * p.result[c].pitch + i, &v, 32);
        }
        for (int n = 0; n < 8; n++) {
            const WarpSpot s(across[n], down[n]);
            for (int c = p.values; c < p.values + p.peaks; c++)
                put(p.result[c], r, i + n, warp_peak(WarpBlock(p.source[c], s), s));
            if (p.covered.p) put(p.covered, r, i + n, 1.0f);
        }
        return true;
    }
    static FN void put(const Plane& plane, long long r, int i, float v) { ((float*)plane.p)[r * plane.pitch + i] = v; }
    static FN void pixel(const P& p, long long r, int i, int across, int down) {
        const int planes = p.values + p.peaks;
        const Plane& picture = planes > 0 ? p.source[0] : p.coverage;
        const bool inside = warp_inside(across, picture.W) && warp_inside(down, picture.H);
        if (p.covered.p && !inside) {
            for (int c = 0; c < planes; c++) put(p.result[c], r, i, 0.0f);
            put(p.covered, r, i, 0.0f);
            return;
        }
        const WarpSpot spot(across, down);
        for (int c = p.values; c < planes; c++) put(p.result[c], r, i, warp_peak(WarpBlock(p.source[c], spot), spot));
        if (p.coverage.p) {
            const WarpBlock cover(p.coverage, spot);
            if (!warp_full(cover)) return rim(p, r, i, spot, cover);
        }
        if (p.covered.p) put(p.covered, r, i, 1.0f);
        for (int c = 0; c < p.values; c++) put(p.result[c], r, i, warp_value(WarpBlock(p.source[c], spot), spot, p.taps));
    }
    static __attribute__((noinline)) void rim(const P& p, long long r, int i, const WarpSpot& spot, const WarpBlock& cover) {
        for (int c = 0; c < p.values; c++) {
            const WarpBlock block(p.source[c], spot);
            put(p.result[c], r, i, warp_rim(block, cover, spot, p.taps).value);
        }
        put(p.covered, r, i, warp_rim(cover, cover, spot, p.taps).cover);
    }
};
DRIVER(warp_rows)

struct warp_shift {   // one plane moved by a constant: columns first, then along the row; `scratch` holds w + 32 floats
    PARAMS(Plane source; Plane result; Plane coverage; int across, down; const float* taps; float* scratch; int what;);
    static void run(const P& p, int first, int last) {
        for (int r = first; r < last; r++) row(p, r);
    }
    struct Range { int low, high; };
    static Range inside(const P& p) {   // output columns whose position lies in the input
        Range k{0, p.result.w};
        const int x0 = p.result.x0;
        while (k.low < k.high && !warp_inside((x0 + k.low) * 1024 + p.across, p.source.W)) k.low++;
        while (k.high > k.low && !warp_inside((x0 + k.high - 1) * 1024 + p.across, p.source.W)) k.high--;
        return k;
    }
    static void row(const P& p, int r) {
        float* __restrict q = (float*)p.result.p + r * p.result.pitch;
        const int y = (r + p.result.y0) * 1024 + p.down;
        const Range k = warp_inside(y, p.source.H) ? inside(p) : Range{0, 0};
        for (int i = 0; i < k.low; i++) q[i] = 0.0f;
        for (int i = k.high; i < p.result.w; i++) q[i] = 0.0f;
        if (k.low >= k.high) return;
        const WarpSpot start((k.low + p.result.x0) * 1024 + p.across, y);
        const int count = k.high - k.low;
        if (p.what == 2)
            for (int i = 0; i < count; i++) q[k.low + i] = 1.0f;
        else
            columns(p, start, count, q + k.low);
        if (p.coverage.p && p.what != 1) ragged(p, start, count, q + k.low);
    }
    static FN void mirrored(float* t, int first, int last, int from, int to, int size) {   // columns beyond the picture
        for (int x = first; x < from; x++) t[x - first] = t[mirror(x, size) - first];
        for (int x = to; x < last; x++) t[x - first] = t[mirror(x, size) - first];
    }
    static void columns(const P& p, const WarpSpot& s, int count, float* __restrict q) {
        const int first = s.x, last = s.x + count + 5, size = p.source.W;
        const int from = max_of(min_of(first, 2 * (size - 1) - (last - 1)), 0), to = min_of(max_of(last, 1 - first), size);
        const int base = min_of(first, from), room = max_of(last, to) - base;
        float* __restrict column = p.scratch;
        const float* rows[6];
        for (int i = 0; i < 6; i++) rows[i] = row_of<const float>(p.source, mirror(s.y + i, p.source.H)) - p.source.x0;
        const float *wy = p.taps + 8 * s.py, *wx = p.taps + 8 * s.px;
        if (p.what == 1) {
            VECTOR_LOOP
            for (long x = from; x < to; x++) column[x - base] = warp_most<float>([&](int i) { return rows[i][x]; }, s.py);
        } else {
            VECTOR_LOOP
            for (long x = from; x < to; x++) {
                auto samples = [&](int i) { return rows[i][x]; };
                column[x - base] = warp_kept<float>(samples, warp_sum<float>(samples, wy));
            }
        }
        mirrored(column, base, base + room, from, to, size);
        const float* t = column + (first - base);
        if (p.what == 1) {
            VECTOR_LOOP
            for (long x = 0; x < count; x++) q[x] = warp_most<float>([&](int j) { return t[x + j]; }, s.px);
            return;
        }
        VECTOR_LOOP
        for (long x = 0; x < count; x++) q[x] = warp_along<float>([&](int j) { return t[x + j]; }, [&](int j) { return wx[j]; });
    }
    static void ragged(const P& p, const WarpSpot& start, int count, float* q) {
        WarpSpot s = start;
        for (int i = 0; i < count; i++, s.x++) {
            const WarpBlock cover(p.coverage, s);
            if (warp_full(cover)) continue;
            const WarpBlock block(p.what == 2 ? p.coverage : p.source, s);
            const WarpRim rim = warp_rim(block, cover, s, p.taps);
            q[i] = p.what == 2 ? rim.cover : rim.value;
        }
    }
};
DRIVER(warp_shift)
#endif
