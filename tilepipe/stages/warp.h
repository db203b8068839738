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
    // `mesh`: `rows` × `cols` displacements in 1/64 px over the output picture, across and then down; 0 rows: none
    PARAMS(double m[9]; const int* mesh; int rows, cols, height, width;);
    FORM_OF(float, int32_t, 0, 2, 0, 1);
    static FN int node(double v) { return (int)rint_of(clamp_of(v * 1024.0, -1073741824.0, 1073741824.0)); }
    template <class A> static FN void at(A, int32_t* o, const P& p, int row, int col) {
        double x = 16.0 * col, y = 16.0 * row;
        double w = p.m[6] * x + p.m[7] * y + p.m[8];
        double across = (p.m[0] * x + p.m[1] * y + p.m[2]) / w, down = (p.m[3] * x + p.m[4] * y + p.m[5]) / w;
        if (p.rows > 0) {
            across = across + displacement(p, p.mesh, y, x);
            down = down + displacement(p, p.mesh + p.rows * p.cols, y, x);
        }
        o[0] = node(across);
        o[1] = node(down);
    }
    static FN double displacement(const P& p, const int* mesh, double y, double x) {   // px, bilinear
        const double v = clamp_of(y, 0.0, p.height - 1.0) * (p.rows - 1.0) / max_of(p.height - 1.0, 1.0);
        const double u = clamp_of(x, 0.0, p.width - 1.0) * (p.cols - 1.0) / max_of(p.width - 1.0, 1.0);
        const int row = min_of((int)v, p.rows - 2), col = min_of((int)u, p.cols - 2);
        const double fy = v - row, fx = u - col;
        const int* at = mesh + row * p.cols + col;
        const double upper = (1.0 - fx) * at[0] + fx * at[1], lower = (1.0 - fx) * at[p.cols] + fx * at[p.cols + 1];
        return ((1.0 - fy) * upper + fy * lower) / 64.0;
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
template <class V> FN V warp_where_more(const V& a, const V& b, const V& yes, const V& no) { return a > b ? yes : no; }
#if HOST_ONLY   // f(0) … f(N − 1) with constant indices: a loop over channels would not vectorise
#define WARP_INDEX auto c
#define WARP_INLINE __attribute__((always_inline))
template <int K> struct WarpIndex { FN constexpr operator int() const { return K; } };
template <int N, class F> FN void warp_each(F f) {
    if constexpr (N > 0) {
        warp_each<N - 1>(f);
        f(WarpIndex<N - 1>{});
    }
}
#else
#define WARP_INDEX int c
#define WARP_INLINE
template <int N, class F> FN void warp_each(F f) { for (int c = 0; c < N; c++) f(c); }
#endif
// What keeps N channels from ringing, together. A step stays between its two nearest samples; a crest between them, with lower
// samples on both sides, may rise above them by half of that fall (a parabola needs 1/8, a sine of 0.28 cycles/px a quarter);
// a trough likewise, neither by more than half of itself: a dark twig before the sun must not turn negative. Where a channel would leave this range, all go back toward the straight line between the two samples by
// the same share, and onto it where a quarter of the way is too much: limited one by one, or just to the range, they show as
// coloured pixels along a bright edge.
template <int N, class V, class L> FN void warp_held(L v, const V& f, V* sum) {
    V line[N], lower[N], upper[N], share = V{} + 1.0f;
    warp_each<N>([&](WARP_INDEX) WARP_INLINE {
        const V first = v(c, 2), second = v(c, 3);
        const V high = warp_more<V>(first, second), low = warp_less<V>(first, second);
        const V rise = high - warp_more<V>(v(c, 1), v(c, 4)), fall = warp_less<V>(v(c, 1), v(c, 4)) - low;
        upper[c] = high + warp_less<V>(warp_more<V>(rise, V{}), warp_more<V>(high, -high)) * 0.5f;
        lower[c] = low - warp_less<V>(warp_more<V>(fall, V{}), warp_more<V>(low, -low)) * 0.5f;
        line[c] = warp_less<V>(warp_more<V>(first + (second - first) * f, low), high);
        const V bound = warp_less<V>(warp_more<V>(sum[c], lower[c]), upper[c]);
        const V off = warp_more<V>(sum[c] - bound, bound - sum[c]);
        const V slack = warp_more<V>(bound, -bound) * 9.5367431640625e-07f;   // rounding alone is no reason to give way
        const V wish = warp_where_more<V>(off, slack, sum[c] - line[c], V{} + 1.0f);
        const V room = warp_where_more<V>(off, slack, bound - line[c], V{} + 1.0f);
        share = warp_less<V>(share, room / wish);
    });
    share = warp_more<V>(share * 4.0f - 3.0f, V{});
    warp_each<N>([&](WARP_INDEX) WARP_INLINE {
        const V drawn = line[c] + (sum[c] - line[c]) * share;
        sum[c] = warp_less<V>(warp_more<V>(drawn, lower[c]), upper[c]);
    });
}
FN float warp_fraction(int phase) { return (float)phase * 0.0009765625f; }
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

template <int N, class V, class L, class W> FN void warp_along(L column, W weight, const V& f, V* o) {   // along the row
    warp_each<N>([&](WARP_INDEX) WARP_INLINE {
        const V p[6] = {column(c, 0) * weight(0), column(c, 1) * weight(1), column(c, 2) * weight(2),
                        column(c, 3) * weight(3), column(c, 4) * weight(4), column(c, 5) * weight(5)};
        o[c] = warp_join<V>(p);
    });
    warp_held<N, V>(column, f, o);
}
template <int N, class V, class L> FN void warp_down(L v, const float* w, float f, V* o) {   // down the columns
    warp_each<N>([&](WARP_INDEX) WARP_INLINE { o[c] = warp_sum<V>([&](int i) { return v(c, i); }, w); });
    warp_held<N, V>(v, V{} + f, o);
}
template <int N, class T> FN void warp_values(T tap, const WarpSpot& s, const float* taps, float* o) {   // tap(c, i, j)
    float column[N][6];
    for (int j = 0; j < 6; j++) {
        float sum[N];
        warp_down<N, float>([&](int c, int i) { return tap(c, i, j); }, taps + 8 * s.py, warp_fraction(s.py), sum);
        for (int c = 0; c < N; c++) column[c][j] = sum[c];
    }
    warp_along<N, float>([&](int c, int j) { return column[c][j]; }, [&](int j) { return taps[8 * s.px + j]; },
                         warp_fraction(s.px), o);
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

#include "warp_block.h"

struct warp_colour {   // the three colour planes; no coverage: a null plane
    PARAMS(Plane source[3]; Plane coverage; Plane across; Plane down; const float* taps; int leaves;);
    FORM(0, 3, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int across = warp_position(p.across, y, x), down = warp_position(p.down, y, x);
        o[0] = o[1] = o[2] = 0.0f;
        if (p.leaves && !(warp_inside(across, p.source[0].W) && warp_inside(down, p.source[0].H))) return;
        const WarpSpot spot(across, down);
        const WarpSamples tap[3] = {{p.source[0], spot}, {p.source[1], spot}, {p.source[2], spot}}, cover{p.coverage, spot};
        if (p.coverage.p == nullptr || warp_full(cover))
            warp_values<3>([&](int c, int i, int j) { return tap[c](i, j); }, spot, p.taps, o);
        else
            for (int c = 0; c < 3; c++) o[c] = warp_rim(tap[c], cover, spot, p.taps).value;
    }
};
#if !HOST_ONLY
FN void warp_colour_grid_of(const Args<warp_colour>& a) { warp_block<warp_colour, 3>(a, a.p.source, 0); }
#endif
GRID_OF(warp_colour, 1, 2, WARP_BLOCKS, warp_colour_grid_of)
KERNEL(warp_colour)

struct warp_plane {   // another plane; what: 0 values, 1 the largest sample, 2 the coverage (a null plane: all covered)
    PARAMS(Plane source; Plane coverage; Plane across; Plane down; const float* taps; int what, leaves;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int across = warp_position(p.across, y, x), down = warp_position(p.down, y, x);
        o[0] = 0.0f;
        if (p.leaves && !(warp_inside(across, p.source.W) && warp_inside(down, p.source.H))) return;
        const WarpSpot spot(across, down);
        const WarpSamples tap{p.source, spot}, cover{p.coverage, spot};
        const bool full = p.what != 1 && (p.coverage.p == nullptr || warp_full(cover));
        if (p.what == 1) {
            o[0] = warp_peak(tap, spot);
        } else if (full && p.what == 2) {
            o[0] = 1.0f;
        } else if (full) {
            warp_values<1>([&](int, int i, int j) { return tap(i, j); }, spot, p.taps, o);
        } else {
            const WarpRim rim = warp_rim(tap, cover, spot, p.taps);
            o[0] = p.what == 2 ? rim.cover : rim.value;
        }
    }
};
#if !HOST_ONLY
FN void warp_plane_grid_of(const Args<warp_plane>& a) { warp_block<warp_plane, 1>(a, &a.p.source, a.p.what); }
#endif
GRID_OF(warp_plane, 1, 2, WARP_BLOCKS, warp_plane_grid_of)
KERNEL(warp_plane)
