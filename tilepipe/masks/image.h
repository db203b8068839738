// A grey picture laid over the whole base frame: bilinear where it is smaller, averaged where it is larger.
#pragma once
#include "forms.h"
#include "places.h"

struct mask_image {   // `across`, `down`: pixels of the grey picture per pixel of the base frame; `scale`: what a code is worth
    PARAMS(double m[9]; int samples; Plane source; double across, down; float scale;);
    FORM(0, 1, 0, 1);
    static FN float value(const P& p, MaskPlace at) {
        const double x = clamp_of((at.x + 0.5) * p.across - 0.5, 0.0, (double)(p.source.W - 1));
        const double y = clamp_of((at.y + 0.5) * p.down - 0.5, 0.0, (double)(p.source.H - 1));
        const int col = (int)x, row = (int)y, x0 = p.source.x0;   // not below 0: the same as floor
        const int right = min_of(col + 1, p.source.W - 1), below = min_of(row + 1, p.source.H - 1);
        const float fx = (float)(x - (double)col), fy = (float)(y - (double)row);
        const float *high = row_of<const float>(p.source, row), *low = row_of<const float>(p.source, below);
        const float above = high[col - x0] + fx * (high[right - x0] - high[col - x0]);
        const float under = low[col - x0] + fx * (low[right - x0] - low[col - x0]);
        return clamp_of((above + fy * (under - above)) * p.scale, 0.0f, 1.0f);
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        o[0] = mask_mean(p.m, p.samples, y, x, [&](MaskPlace at) { return value(p, at); });
    }
};
KERNEL(mask_image)
