// The sum over a curve's nodes: of the pyramids that hold the curve around each brightness, what belongs to a pixel's own.
#pragma once
#include "pyramid.h"

// Position among the nodes → Σ hat · Laplacian and Σ hat · value over the two nodes around it, in their order; others would add exact zeros.
// Planes of nodes lie `step` values apart, those of the coarser level `coarse_step`. A null `inverse`: all covered; else 1 /
// coverage of the level and 1 / expanded coverage of the coarser one.
struct node_sum {
    PARAMS(Plane value; Plane coarse; Plane inverse; Plane inverse_coarse; int64_t step, coarse_step; int nodes;);
    FORM(1, 2, 0, 1);
    static FN float read(const Plane& plane, int64_t further, int y, int x) {
        return (row_of<const float>(plane, y) + further)[x - plane.x0];
    }
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float position = a(0, 0, 0);
        const int first = min_of((int)clamp_of(position, 0.0f, 65536.0f), p.nodes - 1);
        float sum = 0.0f, mean = 0.0f;
        for (int k = first; k < min_of(first + 2, p.nodes); k++) {
            float value = read(p.value, k * p.step, y, x);
            float wide = expand_at(p.coarse, (const float*)p.coarse.p + k * p.coarse_step, y, x);
            if (p.inverse.p != nullptr) {
                value = value * read(p.inverse, 0, y, x);
                wide = wide * read(p.inverse_coarse, 0, y, x);
            }
            const float t = max_of(1.0f - abs_of(position - (float)k), 0.0f);
            sum = sum + t * (value - wide);
            mean = mean + t * value;
        }
        o[0] = sum;
        o[1] = mean;
    }
};
KERNEL(node_sum)
