// Reducing a picture: a windowed sinc as wide as the reduction asks, down the columns first and then along the rows.
//
// Output pixel i of n lies at ((2i + 1)·N / 2n − 1/2) of N input pixels, rounded to 1/128 px; the weights of the 128 phases
// add up to 1 exactly. A sum stays within the samples nearer than one output pixel, so that edges get no rings. Beside a
// ragged edge it is Σkcv/Σkc; where all c are 1, Σkc is exactly 1.
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

struct resize_line {   // along: 0 down the columns, 1 along the rows; covered: 0 plain values, 1 values, 2 the coverage itself
    PARAMS(Plane source; Plane coverage; const float* weights; int taps, inner, to, along, covered;);
    FORM(0, 1, 0, 1);
    FN static float sample(const Plane& plane, int along, int y, int x, int i) {
        return along ? row_of<const float>(plane, y)[mirror(i, plane.W) - plane.x0]
                     : row_of<const float>(plane, mirror(i, plane.H))[x - plane.x0];
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const Plane& from = p.covered == 2 ? p.coverage : p.source;
        const ResizeSpot s(p.along ? x : y, p.along ? from.W : from.H, p.to, p.taps);
        const float* w = p.weights + s.phase * p.taps;
        const int near = p.taps / 2 - p.inner, far = p.taps / 2 + p.inner;
        float sum = 0.0f, cover = 0.0f, low = 3.402823466e38f, high = -3.402823466e38f;
        for (int j = 0; j < p.taps; j++) {
            const float v = sample(from, p.along, y, x, s.first + j);
            const float c = p.covered == 0 ? 1.0f : sample(p.coverage, p.along, y, x, s.first + j);
            sum = sum + w[j] * (p.covered == 2 ? v : c * v);
            cover = cover + w[j] * c;
            const bool counts = j >= near && j < far && c > 0.0f;
            low = counts && v < low ? v : low;
            high = counts && v > high ? v : high;
        }
        const bool any = low <= high && cover > 0.0f;
        o[0] = !any ? 0.0f : p.covered == 2 ? min_of(cover, 1.0f) : clamp_of(sum / max_of(cover, 0.0625f), low, high);
    }
};
KERNEL(resize_line)

#if HOST_ONLY
struct resize_down {   // the same down the columns without coverage, one row of sums at a time; `scratch`: 2·w floats
    PARAMS(Plane source; Plane result; const float* weights; int taps, inner; float* scratch;);
    static void run(const P& p, int first, int last) {
        const int width = p.result.w, near = p.taps / 2 - p.inner, far = p.taps / 2 + p.inner;
        float *__restrict low = p.scratch, *__restrict high = p.scratch + width;
        for (int r = first; r < last; r++) {
            const ResizeSpot s(r + p.result.y0, p.source.H, p.result.H, p.taps);
            const float* w = p.weights + s.phase * p.taps;
            float* __restrict sum = (float*)p.result.p + r * p.result.pitch;
            for (int i = 0; i < width; i++) sum[i] = 0.0f, low[i] = 3.402823466e38f, high[i] = -3.402823466e38f;
            for (int j = 0; j < p.taps; j++) {
                const float* v = row_of<const float>(p.source, mirror(s.first + j, p.source.H)) + (p.result.x0 - p.source.x0);
                const float k = w[j];
                if (j >= near && j < far)
                    for (int i = 0; i < width; i++) {
                        sum[i] = sum[i] + k * v[i];
                        low[i] = v[i] < low[i] ? v[i] : low[i];
                        high[i] = v[i] > high[i] ? v[i] : high[i];
                    }
                else
                    for (int i = 0; i < width; i++) sum[i] = sum[i] + k * v[i];
            }
            for (int i = 0; i < width; i++) sum[i] = clamp_of(sum[i], low[i], high[i]);
        }
    }
};
DRIVER(resize_down)
#endif
