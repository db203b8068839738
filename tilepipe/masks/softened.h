// Softening a mask: a Gaussian of fixed weights on a coarse level, and the guided filter on log luminance.
//
// Levels are halved by box_reduce in global coordinates, so that no tile shows. Guided filter: He, Sun & Tang, IEEE TPAMI
// 35 (2013), equations 5, 6 and 8; solved on a reduced guide as in He & Sun, "Fast guided filter" (2015), with a Gaussian
// in place of the box.
#pragma once
#include "exact.h"
#include "forms.h"

FN int mask_mirror(int i, int n) {   // the rim repeated, so that the border lies at one place on every level
    const int at = i < 0 ? -1 - i : i, folded = at % (2 * n);
    return folded < n ? folded : 2 * n - 1 - folded;
}

struct mask_blur {   // `taps`: reach + 1 weights, the middle first, that add up to 1 exactly; `along`: 0 down, 1 across
    PARAMS(Plane source; const float* taps; int reach, along;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const Plane& s = p.source;
        auto value = [&](int d) {
            const int row = p.along ? y : mask_mirror(y + d, s.H), col = p.along ? mask_mirror(x + d, s.W) : x;
            return row_of<const float>(s, row)[col - s.x0];
        };
        float sum = p.taps[0] * value(0);
        for (int d = 1; d <= p.reach; d++) sum += p.taps[d] * (value(-d) + value(d));
        o[0] = sum;
    }
};
KERNEL(mask_blur)

// A place of a coarse level, bilinear; beyond the outer pixels' centres the outer value stays.
FN float mask_finer(const Plane& s, double per_coarse, int y, int x) {
    const double row = clamp_of(((double)y + 0.5) * per_coarse - 0.5, 0.0, (double)(s.H - 1));
    const double col = clamp_of(((double)x + 0.5) * per_coarse - 0.5, 0.0, (double)(s.W - 1));
    const int y0 = (int)row, x0 = (int)col, y1 = min_of(y0 + 1, s.H - 1), x1 = min_of(x0 + 1, s.W - 1);
    const float fy = (float)(row - (double)y0), fx = (float)(col - (double)x0);
    const float *high = row_of<const float>(s, y0) - s.x0, *low = row_of<const float>(s, y1) - s.x0;
    const float above = high[x0] + fx * (high[x1] - high[x0]), under = low[x0] + fx * (low[x1] - low[x0]);
    return above + fy * (under - above);
}

struct mask_expand {
    PARAMS(Plane source; double per_coarse;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        o[0] = clamp_of(mask_finer(p.source, p.per_coarse, y, x), 0.0f, 1.0f);
    }
};
KERNEL(mask_expand)

struct mask_guide {   // log2 luminance, from 20 stops below diffuse white to 12 above
    PARAMS(float weight[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float y = (p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0)) + p.weight[2] * a(2, 0, 0);
        o[0] = log2_f(clamp_of(y, 9.5367431640625e-7f, 4096.0f));
    }
};
KERNEL(mask_guide)

struct mask_products {   // guide, mask → guide · guide, guide · mask
    PARAMS(int unused;);
    FORM(2, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        o[0] = a(0, 0, 0) * a(0, 0, 0);
        o[1] = a(0, 0, 0) * a(1, 0, 0);
    }
};
KERNEL(mask_products)

struct mask_line {   // means of guide, mask, guide², guide · mask → slope and offset of the mask against the guide
    PARAMS(float noise;);
    FORM(4, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float guide = a(0, 0, 0), mask = a(1, 0, 0);
        const float spread = max_of(a(2, 0, 0) - guide * guide, 0.0f), common = a(3, 0, 0) - guide * mask;
        const float slope = common / (spread + p.noise);
        o[0] = slope;
        o[1] = mask - slope * guide;
    }
};
KERNEL(mask_line)

struct mask_followed {   // the line at each pixel of the fine guide
    PARAMS(Plane slope, offset; double per_coarse;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float slope = mask_finer(p.slope, p.per_coarse, y, x), offset = mask_finer(p.offset, p.per_coarse, y, x);
        o[0] = clamp_of(slope * a(0, 0, 0) + offset, 0.0f, 1.0f);
    }
};
KERNEL(mask_followed)
