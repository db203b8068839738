// The sum of a blend across scales: every layer's Laplacian by its share.
#pragma once
#include "pyramid.h"

struct fusion_begin {   // share, value, expanded coarser value → share · Laplacian, of the first frame
    PARAMS(int unused;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(0, 0, 0) * (a(1, 0, 0) - a(2, 0, 0)); }
};

struct fusion_add {   // and of the next ones, added to the sum (fourth)
    PARAMS(int unused;);
    FORM(4, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        o[0] = a(3, 0, 0) + a(0, 0, 0) * (a(1, 0, 0) - a(2, 0, 0));
    }
};

// The same of all layers in one go, as devices without drivers do it: Σ share · (value − expanded coarser value), in their order.
// Planes of layers lie `step` values apart, those of the coarser level `coarse_step`, of the share `share_step`. Coverage, one
// for every `copies` layers, by the inverses of its level and of the expanded coarser one; `any`: the inverse of what any layer
// covers. A null plane: all covered; a null `coarse`: the top of the pyramid, where values are joined as they are.
struct fusion_layers {
    PARAMS(Plane value; Plane coarse; Plane share; Plane inverse; Plane inverse_coarse; Plane any;
           int64_t step, coarse_step, share_step, inverse_step, inverse_coarse_step; int layers, copies;);
    FORM(0, 1, 0, 1);
    static FN float read(const Plane& plane, int64_t further, int y, int x) {
        return (row_of<const float>(plane, y) + further)[x - plane.x0];
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const float whole = p.any.p != nullptr ? read(p.any, 0, y, x) : 1.0f;
        float total = 0.0f;
        for (int k = 0; k < p.layers; k++) {
            float share = read(p.share, k * p.share_step, y, x), value = read(p.value, k * p.step, y, x), wide = 0.0f;
            if (p.coarse.p != nullptr) wide = expand_at(p.coarse, (const float*)p.coarse.p + k * p.coarse_step, y, x);
            if (p.any.p != nullptr) share = share * whole;
            if (p.inverse.p != nullptr) {
                const int frame = k / p.copies;
                value = value * read(p.inverse, frame * p.inverse_step, y, x);
                if (p.coarse.p != nullptr) wide = wide * read(p.inverse_coarse, frame * p.inverse_coarse_step, y, x);
            }
            const float part = share * (value - wide);
            total = k == 0 ? part : total + part;
        }
        o[0] = total;
    }
};

KERNEL(fusion_begin)
KERNEL(fusion_add)
KERNEL(fusion_layers)
MANY(fusion_layers)
