// Resampling on the GPU: a block of threads makes 32×16 pixels from samples in shared memory; the bits are warp.h's.
//
// The samples under the block's pixels are read once, the picture mirrored. Where the positions lie too far apart, or coverage
// is not whole, each pixel goes by itself. Where a block's map is a plain shift, the sums down the columns are shared.
#pragma once
#include "forms.h"

#if !HOST_ONLY
enum { kWarpAcross = 32, kWarpThreads = 8, kWarpDown = 16, kWarpRows = 40, kWarpCols = 64 };
#define WARP_UNROLL _Pragma("unroll")
#ifndef WARP_BLOCKS
#define WARP_BLOCKS 5   // at once on a multiprocessor: 48 registers a thread
#endif

// What `warp_held` does, without divisions where no channel leaves its range. BRIGHT: all samples are +0 or more and below
// 2^100; then no zero has a sign, the line lies between its samples by itself, and a rise is at most the crest's height; and
// where a sum is no more than twice the lower of its two samples and no less than half the higher one, its difference from the
// line is exact (Sterbenz 1974): drawn all the way it is the sum itself.
template <int N, bool BRIGHT> FN void warp_kept(const float v[N][6], float f, float* sum) {
    float line[N], lower[N], upper[N], share = 1.0f;
    bool off = false, exact = BRIGHT;
    WARP_UNROLL
    for (int c = 0; c < N; c++) {
        const float first = v[c][2], second = v[c][3], before = v[c][1], after = v[c][4];
        if (BRIGHT) {
            const float high = fmaxf(first, second), low = fminf(first, second);
            upper[c] = high + fmaxf(high - fmaxf(before, after), 0.0f) * 0.5f;
            lower[c] = low - fminf(fmaxf(fminf(before, after) - low, 0.0f), low) * 0.5f;
            exact = exact && sum[c] + sum[c] >= high && sum[c] <= low + low;
        } else {
            const float high = warp_more<float>(first, second), low = warp_less<float>(first, second);
            const float rise = high - warp_more<float>(before, after), fall = warp_less<float>(before, after) - low;
            upper[c] = high + warp_less<float>(warp_more<float>(rise, 0.0f), warp_more<float>(high, -high)) * 0.5f;
            lower[c] = low - warp_less<float>(warp_more<float>(fall, 0.0f), warp_more<float>(low, -low)) * 0.5f;
            line[c] = warp_less<float>(warp_more<float>(first + (second - first) * f, low), high);
        }
        off = off || !(sum[c] >= lower[c] && sum[c] <= upper[c]);
    }
    if (exact && !off) return;
    if (BRIGHT) {
        WARP_UNROLL
        for (int c = 0; c < N; c++) line[c] = v[c][2] + (v[c][3] - v[c][2]) * f;
    }
    if (off) {
        WARP_UNROLL
        for (int c = 0; c < N; c++) {
            const float bound = warp_less<float>(warp_more<float>(sum[c], lower[c]), upper[c]);
            const float out = warp_more<float>(sum[c] - bound, bound - sum[c]);
            float part = 1.0f;
            if (out > warp_more<float>(bound, -bound) * 9.5367431640625e-07f) part = (bound - line[c]) / (sum[c] - line[c]);
            share = warp_less<float>(share, part);
        }
        share = warp_more<float>(share * 4.0f - 3.0f, 0.0f);
    }
    WARP_UNROLL
    for (int c = 0; c < N; c++) {
        const float drawn = line[c] + (sum[c] - line[c]) * share;
        sum[c] = BRIGHT ? fminf(fmaxf(drawn, lower[c]), upper[c])
                        : warp_less<float>(warp_more<float>(drawn, lower[c]), upper[c]);
    }
}
// `warp_position` in 32 bits where the four nodes lie near each other: whole multiples of the first one drop out.
FN int warp_position_near(const Plane& grid, int y, int x) {
    const int fy = y & 15, fx = x & 15;
    const int* at = row_of<const int32_t>(grid, y >> 4) + ((x >> 4) - grid.x0);
    const int first = at[0], b = at[1] - first, c = at[grid.pitch] - first, d = at[grid.pitch + 1] - first;
    const unsigned int far = ((unsigned int)(b + (1 << 22)) | (unsigned int)(c + (1 << 22)) | (unsigned int)(d + (1 << 22))) >> 23;
    if (far) return warp_position(grid, y, x);
    const int left = fy * c, right = 16 * b + fy * (d - b);
    return first + ((16 * left + fx * (right - left) + 128) >> 8);
}
struct WarpWeights {   // of one phase
    float w[6];
    FN WarpWeights(const float* taps, int phase) {
        const float4 four = *(const float4*)(taps + 8 * phase);
        const float2 two = *(const float2*)(taps + 8 * phase + 4);
        w[0] = four.x; w[1] = four.y; w[2] = four.z; w[3] = four.w; w[4] = two.x; w[5] = two.y;
    }
};
enum { kWarpPlane = kWarpRows * kWarpCols };
template <int N, bool BRIGHT> FN void warp_column(const float* near, const WarpWeights& w, float f, float* sum) {
    float v[N][6];
    WARP_UNROLL
    for (int c = 0; c < N; c++) {
        WARP_UNROLL
        for (int i = 0; i < 6; i++) v[c][i] = near[c * kWarpPlane + i * kWarpCols];
        sum[c] = warp_sum<float>([&](int i) { return v[c][i]; }, w.w);
    }
    warp_kept<N, BRIGHT>(v, f, sum);
}
template <int N, bool BRIGHT> FN void warp_row(const float v[N][6], const WarpWeights& w, float f, float* o) {
    WARP_UNROLL
    for (int c = 0; c < N; c++) {
        const float p[6] = {v[c][0] * w.w[0], v[c][1] * w.w[1], v[c][2] * w.w[2], v[c][3] * w.w[3], v[c][4] * w.w[4], v[c][5] * w.w[5]};
        o[c] = warp_join<float>(p);
    }
    warp_kept<N, BRIGHT>(v, f, o);
}
template <int N, bool BRIGHT> FN void warp_pixel(const float* near, const WarpSpot& s, const float* taps, float* o) {
    float v[N][6];
    const WarpWeights down(taps, s.py), across(taps, s.px);
    WARP_UNROLL
    for (int j = 0; j < 6; j++) {
        float sum[N];
        warp_column<N, BRIGHT>(near + j, down, warp_fraction(s.py), sum);
        WARP_UNROLL
        for (int c = 0; c < N; c++) v[c][j] = sum[c];
    }
    warp_row<N, BRIGHT>(v, across, warp_fraction(s.px), o);
}

template <int N> struct WarpArea { float held[N][kWarpRows][kWarpCols]; };   // what a block's threads share
struct WarpReach { int low_x, low_y, cols, rows, shift_x, shift_y; bool none, shift; };   // of a block; shift: it may be one

FN int warp_lattice(int first, int last, int k) {   // the k-th of `first`, the multiples of 16 after it, `last`
    const int next = (first & ~15) + 16 * k;
    return k == 0 ? first : min_of(next, last);
}
// The samples under a block. Between two nodes a position is a rounded mean of theirs: the extremes lie at the ends of the
// block's part of each cell. Every warp finds them by itself.
template <class P> FN WarpReach warp_reach(const P& p, const Plane& source, const Plane& to, int row, int col) {
    const int lane = (int)threadIdx.x, i = min_of(lane >> 2, 2), k = lane & 3;
    const int y = warp_lattice(row + to.y0, min_of(row + (int)kWarpDown, to.h) - 1 + to.y0, i);
    const int x = warp_lattice(col + to.x0, min_of(col + (int)kWarpAcross, to.w) - 1 + to.x0, k);
    int across = warp_position_near(p.across, y, x), down = warp_position_near(p.down, y, x);
    const int shift_x = across - (x << 10), shift_y = down - (y << 10);
    const int first_x = __shfl_sync(0xffffffffu, shift_x, 0), first_y = __shfl_sync(0xffffffffu, shift_y, 0);
    bool none = false;
    if (p.leaves) {   // what lies outside the input is not read
        const int wide = (source.W - 1) * 1024 + 512, high = (source.H - 1) * 1024 + 512;
        none = __all_sync(0xffffffffu, across < -512) || __all_sync(0xffffffffu, across > wide) ||
               __all_sync(0xffffffffu, down < -512) || __all_sync(0xffffffffu, down > high);
        across = clamp_of(across, -512, wide);
        down = clamp_of(down, -512, high);
    }
    const int low_x = __reduce_min_sync(0xffffffffu, across) >> 10, high_x = __reduce_max_sync(0xffffffffu, across) >> 10;
    const int low_y = __reduce_min_sync(0xffffffffu, down) >> 10, high_y = __reduce_max_sync(0xffffffffu, down) >> 10;
    return {low_x - 2, low_y - 2, high_x - low_x + 6, high_y - low_y + 6, first_x, first_y, none,
            (bool)__all_sync(0xffffffffu, shift_x == first_x && shift_y == first_y)};
}
// Reads the samples; bit 0: all are bright (see warp_kept), bit 1: all are covered.
template <int N> FN int warp_read(WarpArea<N>& area, const WarpReach& reach, const Plane* source, const Plane& coverage) {
    unsigned int most = 0;
    bool full = true, direct = coverage.p == nullptr;
    const int lane = (int)threadIdx.x, first = (int)threadIdx.y;
    WARP_UNROLL
    for (int c = 0; c < N; c++)   // all inside, and laid out alike
        direct = direct && source[c].pitch == source[0].pitch && source[c].x0 == source[0].x0 && source[c].y0 == source[0].y0 &&
                 reach.low_x >= source[c].x0 && reach.low_y >= source[c].y0 && reach.low_x + reach.cols <= source[c].x0 + source[c].w &&
                 reach.low_y + reach.rows <= source[c].y0 + source[c].h;
    if (direct) {
        const int count = reach.rows * reach.cols, per_row = (1 << 20) / reach.cols + 1;   // i · per_row >> 20 is i / cols here
        const int64_t corner = (int64_t)(reach.low_y - source[0].y0) * source[0].pitch + (reach.low_x - source[0].x0);
        const int pitch = (int)source[0].pitch;
        _Pragma("unroll 3")
        for (int i = first * kWarpAcross + lane; i < count; i += kWarpAcross * kWarpThreads) {
            const int r = (i * per_row) >> 20, k = i - r * reach.cols;
            const int64_t from = corner + (int64_t)r * pitch + k;
            WARP_UNROLL
            for (int c = 0; c < N; c++) {
                const float v = __ldg((const float*)source[c].p + from);
                area.held[c][r][k] = v;
                most = max_of(most, (unsigned int)bits_of(v));
            }
        }
    } else {
        for (int r = first; r < reach.rows; r += kWarpThreads) {
            const int y = clamp_of(mirror(reach.low_y + r, source[0].H), source[0].y0, source[0].y0 + source[0].h - 1);
            for (int k = lane; k < reach.cols; k += kWarpAcross) {
                const int x = clamp_of(mirror(reach.low_x + k, source[0].W), source[0].x0, source[0].x0 + source[0].w - 1);
                for (int c = 0; c < N; c++) {
                    const float v = row_of<const float>(source[c], y)[x - source[c].x0];
                    area.held[c][r][k] = v;
                    most = max_of(most, (unsigned int)bits_of(v));
                }
                if (coverage.p != nullptr) full = full && row_of<const float>(coverage, y)[x - coverage.x0] == 1.0f;
            }
        }
    }
    const int bright = __syncthreads_and(most < 0x71800000u);
    return (bright ? 1 : 0) | (coverage.p == nullptr || __syncthreads_and(full) ? 2 : 0);
}
template <class K> __device__ __noinline__ void warp_alone(const Args<K>& a, int row, int col) {   // any position, any coverage
    typename K::out_t o[K::outs];
    K::at(Near<K>(a, row, col), o, a.p, row + a.out[0].y0, col + a.out[0].x0);
    for (int c = 0; c < K::outs; c++) ((float*)a.out[c].p)[row * a.out[c].pitch + col] = o[c];
}
// The block's map is a shift: the 32 + 5 columns of each row of pixels are summed once.
template <int N, bool BRIGHT> FN void warp_shifted(WarpArea<N>& area, const WarpSpot& s, const float* taps, int first, float o[][N]) {
    const WarpWeights down(taps, s.py), across(taps, s.px);
    const int lane = (int)threadIdx.x, me = (int)threadIdx.y * kWarpAcross + lane;
    float sum[kWarpDown / kWarpThreads][N], beside[N];
    const int row = me / 5, col = kWarpAcross + me % 5;   // what is left: 16 rows of 5 columns
    WARP_UNROLL
    for (int i = 0; i < kWarpDown / kWarpThreads; i++)
        warp_column<N, BRIGHT>(&area.held[0][first + i * kWarpThreads][lane], down, warp_fraction(s.py), sum[i]);
    if (row < kWarpDown) warp_column<N, BRIGHT>(&area.held[0][row][col], down, warp_fraction(s.py), beside);
    __syncthreads();
    WARP_UNROLL
    for (int c = 0; c < N; c++) {
        WARP_UNROLL
        for (int i = 0; i < kWarpDown / kWarpThreads; i++) area.held[c][first + i * kWarpThreads][lane] = sum[i][c];
        if (row < kWarpDown) area.held[c][row][col] = beside[c];
    }
    __syncthreads();
    WARP_UNROLL
    for (int i = 0; i < kWarpDown / kWarpThreads; i++) {
        float v[N][6];
        WARP_UNROLL
        for (int c = 0; c < N; c++) {
            WARP_UNROLL
            for (int j = 0; j < 6; j++) v[c][j] = area.held[c][first + i * kWarpThreads][lane + j];
        }
        warp_row<N, BRIGHT>(v, across, warp_fraction(s.px), o[i]);
    }
}

template <class K> FN bool warp_used(const Args<K>& a, const Plane& source, int across, int down) {
    return !(a.p.leaves && !(warp_inside(across, source.W) && warp_inside(down, source.H)));
}
template <class K, int N> FN void warp_block(const Args<K>& a, const Plane* source, int what) {   // what: as in warp_plane
    enum { EACH = kWarpDown / kWarpThreads };   // 2
    __shared__ WarpArea<N> area;
    const Plane& to = a.out[0];
    const int lane = (int)threadIdx.x, left = (int)blockIdx.x * kWarpAcross, top = (int)blockIdx.y * kWarpDown;
    const int col = left + lane, row = top + (int)threadIdx.y;
    if (what == 2 && a.p.coverage.p == nullptr) {   // where the input is: nothing of it is read
        if (col >= to.w) return;
        for (int y = row; y < min_of(top + (int)kWarpDown, to.h); y += kWarpThreads) {
            const int right = warp_position_near(a.p.across, y + to.y0, col + to.x0), below = warp_position_near(a.p.down, y + to.y0, col + to.x0);
            ((float*)to.p)[(long long)y * to.pitch + col] = warp_used(a, source[0], right, below) ? 1.0f : 0.0f;
        }
        return;
    }
    const WarpReach reach = warp_reach(a.p, source[0], to, top, left);
    const bool fits = !reach.none && reach.cols <= kWarpCols && reach.rows <= kWarpRows;
    const int seen = fits ? warp_read<N>(area, reach, source, a.p.coverage) : 0;
    if (!reach.none && (!fits || (what != 1 && !(seen & 2)))) {
        for (int i = 0; i < EACH; i++)
            if (row + i * kWarpThreads < to.h && col < to.w) warp_alone<K>(a, row + i * kWarpThreads, col);
        return;
    }
    int across[EACH], down[EACH];
    WARP_UNROLL
    for (int i = 0; i < EACH; i++) {   // beyond the window: the position of its last row and column
        const int y = min_of(row + i * kWarpThreads, to.h - 1) + to.y0, x = min_of(col, to.w - 1) + to.x0;
        across[i] = warp_position_near(a.p.across, y, x);
        down[i] = warp_position_near(a.p.down, y, x);
    }
    bool shift = what == 0 && reach.shift && reach.cols == kWarpAcross + 5 && reach.rows == kWarpDown + 5;
    if (shift) {
        bool same = true;
        for (int i = 0; i < EACH; i++)
            same = same && across[i] - ((col + to.x0) << 10) == reach.shift_x && down[i] - ((row + i * kWarpThreads + to.y0) << 10) == reach.shift_y;
        shift = __syncthreads_and(same);
    }
    if (shift) {
        float o[EACH][N];
        const WarpSpot spot(reach.shift_x, reach.shift_y);   // all pixels' phases
        if (seen & 1) warp_shifted<N, true>(area, spot, a.p.taps, (int)threadIdx.y, o);
        else warp_shifted<N, false>(area, spot, a.p.taps, (int)threadIdx.y, o);
        WARP_UNROLL
        for (int i = 0; i < EACH; i++) {
            const bool used = warp_used(a, source[0], across[i], down[i]);
            WARP_UNROLL
            for (int c = 0; c < N; c++)
                ((float*)a.out[c].p)[(long long)(row + i * kWarpThreads) * a.out[c].pitch + col] = used ? o[i][c] : 0.0f;
        }
        return;
    }
    _Pragma("unroll 1")
    for (int i = 0; i < EACH; i++) {
        if (row + i * kWarpThreads >= to.h || col >= to.w) return;
        const int right = i ? across[1] : across[0], below = i ? down[1] : down[0];
        float made[N];
        if (reach.none || !warp_used(a, source[0], right, below)) {
            WARP_UNROLL
            for (int c = 0; c < N; c++) made[c] = 0.0f;
        } else if (what == 2) {
            made[0] = 1.0f;
        } else {
            const WarpSpot s(right, below);
            const float* near = &area.held[0][s.y - reach.low_y][s.x - reach.low_x];
            if (what == 1) made[0] = warp_peak([&](int r, int c) { return near[r * kWarpCols + c]; }, s);
            else if (seen & 1) warp_pixel<N, true>(near, s, a.p.taps, made);
            else warp_pixel<N, false>(near, s, a.p.taps, made);
        }
        WARP_UNROLL
        for (int c = 0; c < N; c++) ((float*)a.out[c].p)[(long long)(row + i * kWarpThreads) * a.out[c].pitch + col] = made[c];
    }
}
#endif
