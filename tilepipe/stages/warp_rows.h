// Resampling on the CPU: loops over rows that hold no arithmetic of their own but that of warp.h, eight lanes at a time.
#pragma once
#include "warp.h"

#if HOST_ONLY
#if defined(__AVX__)
typedef float WarpLanes __attribute__((vector_size(32)));
#else
typedef float WarpHalf __attribute__((vector_size(16)));
struct WarpLanes {   // where vectors hold four values: two of them, written out, as compilers split wider ones value by value
    WarpHalf a, b;
    FN float& operator[](int i) { return ((float*)this)[i]; }
    FN float operator[](int i) const { return ((const float*)this)[i]; }
};
FN WarpLanes operator+(const WarpLanes& l, const WarpLanes& r) { return {l.a + r.a, l.b + r.b}; }
FN WarpLanes operator-(const WarpLanes& l, const WarpLanes& r) { return {l.a - r.a, l.b - r.b}; }
FN WarpLanes operator*(const WarpLanes& l, const WarpLanes& r) { return {l.a * r.a, l.b * r.b}; }
FN WarpLanes operator/(const WarpLanes& l, const WarpLanes& r) { return {l.a / r.a, l.b / r.b}; }
FN WarpLanes operator+(const WarpLanes& l, float r) { return {l.a + r, l.b + r}; }
FN WarpLanes operator-(const WarpLanes& l, float r) { return {l.a - r, l.b - r}; }
FN WarpLanes operator*(const WarpLanes& l, float r) { return {l.a * r, l.b * r}; }
FN WarpLanes operator-(const WarpLanes& v) { return {-v.a, -v.b}; }
template <> FN WarpLanes warp_less<WarpLanes>(const WarpLanes& l, const WarpLanes& r) {
    return {l.a < r.a ? l.a : r.a, l.b < r.b ? l.b : r.b};
}
template <> FN WarpLanes warp_more<WarpLanes>(const WarpLanes& l, const WarpLanes& r) {
    return {l.a > r.a ? l.a : r.a, l.b > r.b ? l.b : r.b};
}
template <> FN WarpLanes warp_where_more<WarpLanes>(
    const WarpLanes& l, const WarpLanes& r, const WarpLanes& yes, const WarpLanes& no) {
    return {l.a > r.a ? yes.a : no.a, l.b > r.b ? yes.b : no.b};
}
#endif

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
#define WARP_PICK(TYPE, a, b, ...) __builtin_shufflevector(a, b, __VA_ARGS__)
#else
#define WARP_PICK(TYPE, a, b, ...) __builtin_shuffle(a, b, TYPE{__VA_ARGS__})
#endif
#if defined(__AVX__)
typedef int WarpOrder __attribute__((vector_size(32)));
FN void warp_turn(WarpLanes* v) {   // 8 pixels of 8 lanes → 8 lanes of 8 pixels
    WarpLanes pair[8], quad[8];
    for (int i = 0; i < 8; i += 2) {
        pair[i] = WARP_PICK(WarpOrder, v[i], v[i + 1], 0, 8, 1, 9, 4, 12, 5, 13);
        pair[i + 1] = WARP_PICK(WarpOrder, v[i], v[i + 1], 2, 10, 3, 11, 6, 14, 7, 15);
    }
    for (int i = 0; i < 8; i += 4)
        for (int half = 0; half < 2; half++) {
            quad[i + 2 * half] = WARP_PICK(WarpOrder, pair[i + half], pair[i + half + 2], 0, 1, 8, 9, 4, 5, 12, 13);
            quad[i + 2 * half + 1] = WARP_PICK(WarpOrder, pair[i + half], pair[i + half + 2], 2, 3, 10, 11, 6, 7, 14, 15);
        }
    for (int i = 0; i < 4; i++) {
        v[i] = WARP_PICK(WarpOrder, quad[i], quad[i + 4], 0, 1, 2, 3, 8, 9, 10, 11);
        v[i + 4] = WARP_PICK(WarpOrder, quad[i], quad[i + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
}
#else
typedef int WarpOrder __attribute__((vector_size(16)));
FN void warp_turn_half(WarpHalf& a, WarpHalf& b, WarpHalf& c, WarpHalf& d) {
    const WarpHalf ab = WARP_PICK(WarpOrder, a, b, 0, 4, 1, 5), ab2 = WARP_PICK(WarpOrder, a, b, 2, 6, 3, 7);
    const WarpHalf cd = WARP_PICK(WarpOrder, c, d, 0, 4, 1, 5), cd2 = WARP_PICK(WarpOrder, c, d, 2, 6, 3, 7);
    a = WARP_PICK(WarpOrder, ab, cd, 0, 1, 4, 5);
    b = WARP_PICK(WarpOrder, ab, cd, 2, 3, 6, 7);
    c = WARP_PICK(WarpOrder, ab2, cd2, 0, 1, 4, 5);
    d = WARP_PICK(WarpOrder, ab2, cd2, 2, 3, 6, 7);
}
FN void warp_turn(WarpLanes* v) {   // 8 pixels of 8 lanes → 8 lanes of 8 pixels
    warp_turn_half(v[0].a, v[1].a, v[2].a, v[3].a);
    warp_turn_half(v[4].a, v[5].a, v[6].a, v[7].a);
    warp_turn_half(v[0].b, v[1].b, v[2].b, v[3].b);
    warp_turn_half(v[4].b, v[5].b, v[6].b, v[7].b);
    for (int i = 0; i < 4; i++) {
        const WarpHalf lower = v[i].b;
        v[i].b = v[i + 4].a;
        v[i + 4].a = lower;
    }
}
#endif
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
        WarpLanes weight[8], part{};
        for (int n = 0; n < 8; n++) {
            __builtin_memcpy(&weight[n], p.taps + 8 * (across[n] & 1023), 32);
            part[n] = warp_fraction(across[n] & 1023);
        }
        warp_turn(weight);
        if (p.values >= 3) together<3>(p, 0, r, i, across, down, weight, part);
        for (int c = p.values >= 3 ? 3 : 0; c < p.values; c++) together<1>(p, c, r, i, across, down, weight, part);
        for (int n = 0; n < 8; n++) {
            const WarpSpot s(across[n], down[n]);
            for (int c = p.values; c < p.values + p.peaks; c++)
                put(p.result[c], r, i + n, warp_peak(WarpBlock(p.source[c], s), s));
            if (p.covered.p) put(p.covered, r, i + n, 1.0f);
        }
        return true;
    }
    template <int N> static FN void together(
        const P& p, int from, long long r, int i, const int* across, const int* down, const WarpLanes* weight,
        const WarpLanes& part) {
        WarpLanes column[N][8], v[N];
        for (int n = 0; n < 8; n++) {
            const WarpSpot s(across[n], down[n]);
            WarpDeep row[N];
            for (int c = 0; c < N; c++) {
                const Plane& plane = p.source[from + c];
                row[c] = {row_of<const float>(plane, s.y) + (s.x - plane.x0), plane.pitch};
            }
            warp_down<N, WarpLanes>([&](int c, int k) { return row[c](k); }, p.taps + 8 * s.py, warp_fraction(s.py), v);
            for (int c = 0; c < N; c++) column[c][n] = v[c];
        }
        for (int c = 0; c < N; c++) warp_turn(column[c]);
        warp_along<N, WarpLanes>([&](int c, int j) { return column[c][j]; }, [&](int j) { return weight[j]; }, part, v);
        for (int c = 0; c < N; c++)
            __builtin_memcpy((float*)p.result[from + c].p + r * p.result[from + c].pitch + i, &v[c], 32);
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
        const int trio = p.values >= 3 ? 3 : 0;
        if (trio) {
            const WarpBlock block[3] = {{p.source[0], spot}, {p.source[1], spot}, {p.source[2], spot}};
            float o[3];
            warp_values<3>([&](int c, int k, int j) { return block[c](k, j); }, spot, p.taps, o);
            for (int c = 0; c < 3; c++) put(p.result[c], r, i, o[c]);
        }
        for (int c = trio; c < p.values; c++) {
            const WarpBlock block(p.source[c], spot);
            float o[1];
            warp_values<1>([&](int, int k, int j) { return block(k, j); }, spot, p.taps, o);
            put(p.result[c], r, i, o[0]);
        }
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

struct warp_shift {   // 3 planes or 1 moved by a constant: columns first, then along the row; `scratch`: planes·(w + 32) floats
    PARAMS(Plane source[3]; Plane result[3]; int planes; Plane coverage; int across, down; const float* taps;
           float* scratch; int what;);
    static void run(const P& p, int first, int last) {
        for (int r = first; r < last; r++) row(p, r);
    }
    struct Range { int low, high; };
    static Range inside(const P& p) {   // output columns whose position lies in the input
        const int x0 = p.result[0].x0, size = p.source[0].W;
        Range k{0, p.result[0].w};
        while (k.low < k.high && !warp_inside((x0 + k.low) * 1024 + p.across, size)) k.low++;
        while (k.high > k.low && !warp_inside((x0 + k.high - 1) * 1024 + p.across, size)) k.high--;
        return k;
    }
    static FN float* line(const P& p, int c, int r) { return (float*)p.result[c].p + r * p.result[c].pitch; }
    static void row(const P& p, int r) {
        const int y = (r + p.result[0].y0) * 1024 + p.down;
        const Range k = warp_inside(y, p.source[0].H) ? inside(p) : Range{0, 0};
        for (int c = 0; c < p.planes; c++) {
            float* q = line(p, c, r);
            for (int i = 0; i < k.low; i++) q[i] = 0.0f;
            for (int i = k.high; i < p.result[c].w; i++) q[i] = 0.0f;
        }
        if (k.low >= k.high) return;
        const WarpSpot start((k.low + p.result[0].x0) * 1024 + p.across, y);
        const int count = k.high - k.low;
        if (p.what == 2)
            for (int i = 0; i < count; i++) line(p, 0, r)[k.low + i] = 1.0f;
        else if (p.what == 1)
            peaks(p, Reach(p, start, count), start, count, line(p, 0, r) + k.low);
        else if (p.planes == 3)
            values<3>(p, Reach(p, start, count), start, count, r, k.low);
        else
            values<1>(p, Reach(p, start, count), start, count, r, k.low);
        if (p.coverage.p && p.what != 1) ragged(p, start, count, r, k.low);
    }
    struct Reach {   // input columns: [first, last) read, [from, to) inside the picture, the mirrored ones' origins included
        int first, last, from, to, base, room, size;
        Reach(const P& p, const WarpSpot& s, int count) : first(s.x), last(s.x + count + 5), size(p.source[0].W) {
            from = max_of(min_of(first, 2 * (size - 1) - (last - 1)), 0);
            to = min_of(max_of(last, 1 - first), size);
            base = min_of(first, from);
            room = max_of(last, to) - base;
        }
        void fill(float* t) const {   // columns beyond the picture
            for (int x = base; x < from; x++) t[x - base] = t[mirror(x, size) - base];
            for (int x = to; x < base + room; x++) t[x - base] = t[mirror(x, size) - base];
        }
    };
    static void rows_of(const Plane& plane, const WarpSpot& s, const float** rows) {
        for (int i = 0; i < 6; i++) rows[i] = row_of<const float>(plane, mirror(s.y + i, plane.H)) - plane.x0;
    }
    static void peaks(const P& p, const Reach& k, const WarpSpot& s, int count, float* __restrict q) {
        float* __restrict column = p.scratch;
        const float* rows[6];
        rows_of(p.source[0], s, rows);
        VECTOR_LOOP
        for (long x = k.from; x < k.to; x++) column[x - k.base] = warp_most<float>([&](int i) { return rows[i][x]; }, s.py);
        k.fill(column);
        const float* t = column + (k.first - k.base);
        VECTOR_LOOP
        for (long x = 0; x < count; x++) q[x] = warp_most<float>([&](int j) { return t[x + j]; }, s.px);
    }
    template <int N> static void values(const P& p, const Reach& k, const WarpSpot& s, int count, int r, int low) {
        float *column[N], *q[N];
        const float *rows[N][6], *t[N], *wy = p.taps + 8 * s.py, *wx = p.taps + 8 * s.px;
        for (int c = 0; c < N; c++) {
            column[c] = p.scratch + (long)c * k.room;
            t[c] = column[c] + (k.first - k.base);
            q[c] = line(p, c, r) + low;
            rows_of(p.source[c], s, rows[c]);
        }
        const float part = warp_fraction(s.py), along = warp_fraction(s.px);
        VECTOR_LOOP
        for (long x = k.from; x < k.to; x++) {
            float o[N];
            warp_down<N, float>([&](int c, int i) { return rows[c][i][x]; }, wy, part, o);
            warp_each<N>([&](WARP_INDEX) WARP_INLINE { column[c][x - k.base] = o[c]; });
        }
        for (int c = 0; c < N; c++) k.fill(column[c]);
        VECTOR_LOOP
        for (long x = 0; x < count; x++) {
            float o[N];
            warp_along<N, float>([&](int c, int j) { return t[c][x + j]; }, [&](int j) { return wx[j]; }, along, o);
            warp_each<N>([&](WARP_INDEX) WARP_INLINE { q[c][x] = o[c]; });
        }
    }
    static void ragged(const P& p, const WarpSpot& start, int count, int r, int low) {
        WarpSpot s = start;
        for (int i = 0; i < count; i++, s.x++) {
            const WarpBlock cover(p.coverage, s);
            if (warp_full(cover)) continue;
            for (int c = 0; c < p.planes; c++) {
                const WarpBlock block(p.what == 2 ? p.coverage : p.source[c], s);
                const WarpRim rim = warp_rim(block, cover, s, p.taps);
                line(p, c, r)[low + i] = p.what == 2 ? rim.cover : rim.value;
            }
        }
    }
};
DRIVER(warp_shift)
#endif
