// Reducing a picture: a windowed sinc as wide as the reduction asks, down the columns first and then along the rows.
//
// Output pixel i of n lies at ((2i + 1)·N / 2n − 1/2) of N input pixels, rounded to 1/128 px. Each of the 128 phases has two
// rows of weights that add up to 1 exactly: the sinc, and its positive main lobe alone, a plain average. The sinc rings along
// bright edges; where a channel leaves the range of the samples nearer than one output pixel (but for half the rise of a crest
// above those nearer than two, never more than half of itself), all channels go back to the average together, as in warp.h. Beside a ragged edge it is the
// average of what is covered, Σkcv/Σkc; where all c are 1, Σkc is exactly 1.
#pragma once
#include "forms.h"

struct ResizeSpot {   // first sample and phase of output pixel i
    int first, phase;
    FN ResizeSpot(int i, int from, int to, int taps) {
        const int64_t at = ((2LL * i + 1) * from * 128 + to) / (2LL * to) - 64;
        first = (int)(at >> 7) - taps / 2 + 1;
        phase = (int)(at & 127);
    }
};
struct ResizeSums {   // of one channel: sinc, average, range of the near samples, range of those around
    float sum, mean, low, high, under, over;
    FN ResizeSums() : sum(0.0f), mean(0.0f), low(3.402823466e38f), high(-3.402823466e38f), under(low), over(high) {}
};
struct ResizeRange {
    float lower, upper, mean, share;
    FN ResizeRange(const ResizeSums& s) {
        lower = s.low - min_of(max_of(s.under - s.low, 0.0f), max_of(s.low, -s.low)) * 0.5f;
        upper = s.high + min_of(max_of(s.high - s.over, 0.0f), max_of(s.high, -s.high)) * 0.5f;
        mean = clamp_of(s.mean, s.low, s.high);
        const float bound = clamp_of(s.sum, lower, upper), off = max_of(s.sum - bound, bound - s.sum);
        const bool leaves = off > max_of(bound, -bound) * 9.5367431640625e-07f;   // rounding alone is no reason to give way
        share = (leaves ? bound - mean : 1.0f) / (leaves ? s.sum - mean : 1.0f);
    }
    FN float value(float sum, float common) const { return clamp_of(mean + (sum - mean) * common, lower, upper); }
};
FN float resize_share(float least) { return max_of(least * 4.0f - 3.0f, 0.0f); }

template <int N> struct ResizeLine {   // along: 0 down the columns, 1 along the rows; `weights`: per phase `taps` of each kind
    PARAMS(Plane source[3]; Plane coverage; const float* weights; int taps, inner, to, along;);
    FORM(0, N, 0, 1);
    FN static float sample(const Plane& plane, int along, int y, int x, int i) {
        return along ? row_of<const float>(plane, y)[mirror(i, plane.W) - plane.x0]
                     : row_of<const float>(plane, mirror(i, plane.H))[x - plane.x0];
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const ResizeSpot s(p.along ? x : y, p.along ? p.source[0].W : p.source[0].H, p.to, p.taps);
        const float *sinc = p.weights + 2 * s.phase * p.taps, *mean = sinc + p.taps;
        ResizeSums sums[N];
        float covered = 0.0f, light[N];
        bool full = true;
        for (int c = 0; c < N; c++) light[c] = 0.0f;
        for (int j = 0; j < p.taps; j++) {
            const int away = j < p.taps / 2 ? p.taps / 2 - 1 - j : j - p.taps / 2;
            const float share = p.coverage.p ? sample(p.coverage, p.along, y, x, s.first + j) : 1.0f;
            full = full && share == 1.0f;
            covered = covered + mean[j] * share;
            for (int c = 0; c < N; c++) {
                ResizeSums& k = sums[c];
                const float v = sample(p.source[c], p.along, y, x, s.first + j);
                k.sum = k.sum + sinc[j] * v;
                light[c] = light[c] + mean[j] * (share * v);
                const bool near = away < p.inner && share > 0.0f, around = away >= p.inner && away < 2 * p.inner;
                k.low = near && v < k.low ? v : k.low;
                k.high = near && v > k.high ? v : k.high;
                k.under = around && v < k.under ? v : k.under;
                k.over = around && v > k.over ? v : k.over;
            }
        }
        float least = 1.0f;
        for (int c = 0; c < N; c++) {
            sums[c].mean = full ? light[c] : light[c] / (covered > 0.0f ? covered : 1.0f);
            least = min_of(least, ResizeRange(sums[c]).share);
        }
        const float common = full ? resize_share(least) : 0.0f;
        for (int c = 0; c < N; c++) o[c] = covered > 0.0f ? ResizeRange(sums[c]).value(sums[c].sum, common) : 0.0f;
    }
};
struct resize_colour : ResizeLine<3> {};
KERNEL(resize_colour)
struct resize_plane : ResizeLine<1> {};
KERNEL(resize_plane)

struct resize_cover {   // the coverage itself: the average, which stays within 0..1
    PARAMS(Plane coverage; const float* weights; int taps, to, along;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const ResizeSpot s(p.along ? x : y, p.along ? p.coverage.W : p.coverage.H, p.to, p.taps);
        const float* mean = p.weights + (2 * s.phase + 1) * p.taps;
        float covered = 0.0f;
        for (int j = 0; j < p.taps; j++)
            covered = covered + mean[j] * ResizeLine<1>::sample(p.coverage, p.along, y, x, s.first + j);
        o[0] = min_of(covered, 1.0f);
    }
};
KERNEL(resize_cover)

#if HOST_ONLY
struct resize_down {   // resize_colour down the columns without coverage, rows of sums at a time; `scratch`: 15·w floats
    PARAMS(Plane source[3]; Plane result[3]; const float* weights; int taps, inner; float* scratch;);
    static void run(const P& p, int first, int last) {
        const int width = p.result[0].w;
        for (int r = first; r < last; r++) {
            const ResizeSpot s(r + p.result[0].y0, p.source[0].H, p.result[0].H, p.taps);
            for (int c = 0; c < 3; c++) gather(p, s, c, line(p, c, r), p.scratch + 5L * c * width);
            finish(p, r, width);
        }
    }
    static FN float* line(const P& p, int c, int r) { return (float*)p.result[c].p + r * p.result[c].pitch; }
    static void gather(const P& p, const ResizeSpot& s, int c, float* __restrict sum, float* __restrict scratch) {
        const Plane &from = p.source[c], &to = p.result[c];
        const int width = to.w;
        const float *sinc = p.weights + 2 * s.phase * p.taps, *mean = sinc + p.taps;
        float *__restrict light = scratch, *__restrict low = light + width, *__restrict high = low + width;
        float *__restrict under = high + width, *__restrict over = under + width;
        const ResizeSums none;
        for (int i = 0; i < width; i++) {
            sum[i] = light[i] = none.sum;
            low[i] = under[i] = none.low;
            high[i] = over[i] = none.high;
        }
        for (int j = 0; j < p.taps; j++) {
            const int away = j < p.taps / 2 ? p.taps / 2 - 1 - j : j - p.taps / 2;
            const float* v = row_of<const float>(from, mirror(s.first + j, from.H)) + (to.x0 - from.x0);
            const float k = sinc[j], m = mean[j];
            if (away < p.inner)
                for (int i = 0; i < width; i++) {
                    sum[i] = sum[i] + k * v[i];
                    light[i] = light[i] + m * v[i];
                    low[i] = v[i] < low[i] ? v[i] : low[i];
                    high[i] = v[i] > high[i] ? v[i] : high[i];
                }
            else if (away < 2 * p.inner)
                for (int i = 0; i < width; i++) {
                    sum[i] = sum[i] + k * v[i];
                    light[i] = light[i] + m * v[i];
                    under[i] = v[i] < under[i] ? v[i] : under[i];
                    over[i] = v[i] > over[i] ? v[i] : over[i];
                }
            else
                for (int i = 0; i < width; i++) {
                    sum[i] = sum[i] + k * v[i];
                    light[i] = light[i] + m * v[i];
                }
        }
    }
    static FN ResizeSums taken(const float* sum, const float* scratch, long width, long i) {
        ResizeSums k;
        k.sum = sum[i];
        k.mean = scratch[i];
        k.low = scratch[width + i];
        k.high = scratch[2 * width + i];
        k.under = scratch[3 * width + i];
        k.over = scratch[4 * width + i];
        return k;
    }
    static void finish(const P& p, int r, long width) {
        float *__restrict a = line(p, 0, r), *__restrict b = line(p, 1, r), *__restrict c = line(p, 2, r);
        const float* __restrict scratch = p.scratch;
        VECTOR_LOOP
        for (long i = 0; i < width; i++) {
            const ResizeRange red(taken(a, scratch, width, i)), green(taken(b, scratch + 5 * width, width, i)),
                blue(taken(c, scratch + 10 * width, width, i));
            const float common = resize_share(min_of(min_of(min_of(1.0f, red.share), green.share), blue.share));
            a[i] = red.value(a[i], common);
            b[i] = green.value(b[i], common);
            c[i] = blue.value(c[i], common);
        }
    }
};
DRIVER(resize_down)
#endif
