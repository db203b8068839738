// The reduced copy of a frame: boxes of factor × factor pixels, cut at the picture's border.
#pragma once
#include "forms.h"

struct proof_mean {   // the mean light of each box; with coverage the mean of what is covered
    PARAMS(Plane source; Plane coverage; int covered; int factor;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int y0 = y * p.factor, x0 = x * p.factor;
        const int y1 = min_of(y0 + p.factor, p.source.H), x1 = min_of(x0 + p.factor, p.source.W);
        float sum = 0.0f, weight = 0.0f;
        for (int r = y0; r < y1; r++) {
            const float* values = row_of<const float>(p.source, r) - p.source.x0;
            const float* covers = row_of<const float>(p.coverage, r) - p.coverage.x0;
            for (int c = x0; c < x1; c++) {
                const float k = p.covered ? covers[c] : 1.0f;
                sum = sum + values[c] * k;
                weight = weight + k;
            }
        }
        o[0] = weight > 0.0f ? sum / weight : 0.0f;
    }
};
KERNEL(proof_mean)

struct proof_share {   // the share of each box that is covered
    PARAMS(Plane source; int factor;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int y0 = y * p.factor, x0 = x * p.factor;
        const int y1 = min_of(y0 + p.factor, p.source.H), x1 = min_of(x0 + p.factor, p.source.W);
        float sum = 0.0f;
        for (int r = y0; r < y1; r++) {
            const float* values = row_of<const float>(p.source, r) - p.source.x0;
            for (int c = x0; c < x1; c++) sum = sum + values[c];
        }
        o[0] = sum / (float)((y1 - y0) * (x1 - x0));
    }
};
KERNEL(proof_share)
