// Healing: a place's coarse light is filled in from around, its fine detail taken from a donor, its rim blended.
//
// A place is a disc, or a polygon of corners (x, y); `away` is the signed distance to its line in px, below 0 inside.
#pragma once
#include "exact.h"
#include "forms.h"

struct heal_level {   // red, green, blue → 4096·log2(luminance) as a whole number; below 2^-14 all is alike
    PARAMS(float weight[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float light = p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0) + p.weight[2] * a(2, 0, 0);
        o[0] = rint_of(4096.0f * log2_f(clamp_of(light, 6.103515625e-5f, 256.0f)));
    }
};
KERNEL(heal_level)

// What a level can be: kernels that count must not meet anything else, whatever they are given.
FN float heal_bound(float level) { return clamp_of(level, -57344.0f, 32768.0f); }

FN float heal_away(double x, double y, const double* centre, double radius, int count, const double* corners) {
    if (count == 0) {
        const double dx = x - centre[0], dy = y - centre[1];
        return (float)(sqrt_of(dx * dx + dy * dy) - radius);
    }
    double nearest = 1e300;
    bool inside = false;
    for (int i = 0; i < count; i++) {
        const int j = i + 1 < count ? i + 1 : 0;
        const double ax = corners[2 * i], ay = corners[2 * i + 1], bx = corners[2 * j], by = corners[2 * j + 1];
        const double ex = bx - ax, ey = by - ay, px = x - ax, py = y - ay;
        const double t = clamp_of((px * ex + py * ey) / max_of(ex * ex + ey * ey, 1e-12), 0.0, 1.0);
        const double qx = px - t * ex, qy = py - t * ey;
        nearest = min_of(nearest, qx * qx + qy * qy);
        if ((ay <= y) != (by <= y)) inside ^= x < ax + (y - ay) * ex / ey;
    }
    const double far = sqrt_of(nearest);
    return (float)(inside ? -far : far);
}

struct heal_distance {   // how far a pixel lies from the nearest place so far → with one place more
    PARAMS(double centre[2]; double radius, spread; int count; const double* corners;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        o[0] = min_of(a(0, 0, 0), heal_away((double)x, (double)y, p.centre, p.radius, p.count, p.corners) - (float)p.spread);
    }
};
KERNEL(heal_distance)

// Of the ring: how often each level is there (1408 bins of 64), then how rough it is, and of how many pixels that was summed.
struct heal_ring {
    PARAMS(float inner, outer;);
    FORM(4, 0, 2, 1);   // level, distance from this place, from the other places, coverage
    template <class A, class Put> static FN void tally(A a, const P& p, int, int, Put put) {
        const float away = a(1, 0, 0);
        if (away < p.inner || away > p.outer || a(2, 0, 0) <= 0.0f || a(3, 0, 0) < 1.0f) return;
        const float own = heal_bound(a(0, 0, 0));
        put(clamp_of(((int)own + 57344) / 64, 0, 1407), 1);
        put(1408, (long long)abs_of(heal_bound(a(0, 0, 2)) - own) + (long long)abs_of(heal_bound(a(0, 2, 0)) - own));
        put(1409, 1);
    }
};
TALLY(heal_ring)

// How well a donor fits, its pixels given in the place's own coordinates: pixels inside whose donor is no good, the donor's
// roughness inside and of how many pixels; around: pixels that compare, the sum of differences of level, and of squares.
struct heal_fit_donor {
    PARAMS(float rim, inner, outer, low, high;);
    FORM(7, 0, 2, 1);   // level, distance from this place, from the others, coverage; the donor's level, distance from all, coverage
    template <class A, class Put> static FN void tally(A a, const P& p, int, int, Put put) {
        const float away = a(1, 0, 0), given = heal_bound(a(4, 0, 0));
        const bool good = given >= p.low && given <= p.high && a(5, 0, 0) > 0.0f && a(6, 0, 0) >= 1.0f;
        if (away <= p.rim) {
            put(0, good ? 0 : 1);
            put(1, (long long)abs_of(heal_bound(a(4, 0, 2)) - given) + (long long)abs_of(heal_bound(a(4, 2, 0)) - given));
            put(2, 1);
        }
        const float own = heal_bound(a(0, 0, 0));
        if (away < p.inner || away > p.outer || !good || a(2, 0, 0) <= 0.0f || a(3, 0, 0) < 1.0f) return;
        if (own < p.low || own > p.high) return;
        const long long apart = (long long)(own - given);
        put(3, 1);
        put(4, apart);
        put(5, apart * apart);
    }
};
TALLY(heal_fit_donor)

struct heal_around {   // 1 for the pixels of the ring that belong to the same surface, else 0
    PARAMS(float inner, outer, low, high;);
    FORM(4, 1, 0, 1);   // level, distance from this place, from the others, coverage
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float away = a(1, 0, 0), level = a(0, 0, 0);
        const bool is = (away >= p.inner) & (away <= p.outer) & (a(2, 0, 0) > 0.0f) & (a(3, 0, 0) >= 1.0f)
                      & (level >= p.low) & (level <= p.high);
        o[0] = is ? 1.0f : 0.0f;
    }
};
KERNEL(heal_around)

// Sums for a plane through the ring: 1, u, v, uu, uv, vv; then of each colour c, cu, cv, in 2^-24.
struct heal_slope {
    PARAMS(int y0, x0;);
    FORM(4, 0, 0, 1);   // colours, belongs to the ring
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        if (a(3, 0, 0) <= 0.0f) return;
        const long long u = x - p.x0, v = y - p.y0;
        put(0, 1);
        put(1, u);
        put(2, v);
        put(3, u * u);
        put(4, u * v);
        put(5, v * v);
        for (int c = 0; c < 3; c++) {
            const long long value = (long long)rint_of((double)clamp_of(a(c, 0, 0), -64.0f, 64.0f) * 16777216.0);
            put(6 + 3 * c, value);
            put(7 + 3 * c, value * u);
            put(8 + 3 * c, value * v);
        }
    }
};
TALLY(heal_slope)

struct heal_beside {   // what of the ring the planes leave, and the ring itself; `plane`: of each colour 1, u, v
    PARAMS(double plane[9]; int y0, x0;);
    FORM(4, 4, 0, 1);   // colours, belongs to the ring
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const double u = (double)(x - p.x0), v = (double)(y - p.y0);
        const float m = a(3, 0, 0);
        for (int c = 0; c < 3; c++) {
            const float coarse = (float)((p.plane[3 * c] + p.plane[3 * c + 1] * u) + p.plane[3 * c + 2] * v);
            o[c] = m > 0.0f ? a(c, 0, 0) - coarse : 0.0f;
        }
        o[3] = m;
    }
};
KERNEL(heal_beside)

// Weighted sums of four planes along a row or a column, over what there is of them; taps[0] is the pixel's own.
struct heal_sum {
    PARAMS(Plane given[4]; const float* taps; int reach, down;);
    FORM(0, 4, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        float sum[4] = {0.0f, 0.0f, 0.0f, 0.0f};
        const Plane& any = p.given[0];
        const int here = p.down ? y - any.y0 : x - any.x0, count = p.down ? any.h : any.w;
        const int first = max_of(here - p.reach, 0), last = min_of(here + p.reach, count - 1);
        for (int i = first; i <= last; i++) {
            const float tap = p.taps[i < here ? here - i : i - here];
            const int row = p.down ? any.y0 + i : y, col = p.down ? x - any.x0 : i;
            for (int c = 0; c < 4; c++) sum[c] += tap * row_of<const float>(p.given[c], row)[col];
        }
        for (int c = 0; c < 4; c++) o[c] = sum[c];
    }
};
KERNEL(heal_sum)

struct heal_rest {   // what the first, wide fill leaves of the ring
    PARAMS(int unused;);
    FORM(8, 4, 0, 1);   // the ring's rest and itself; sums of both
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float m = a(3, 0, 0), total = max_of(a(7, 0, 0), 1e-20f);
        for (int c = 0; c < 3; c++) o[c] = m > 0.0f ? a(c, 0, 0) - a(4 + c, 0, 0) / total : 0.0f;
        o[3] = m;
    }
};
KERNEL(heal_rest)

struct heal_one {   // three planes and a plane of ones, for a blur's weights
    PARAMS(int unused;);
    FORM(3, 4, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0);
        o[3] = 1.0f;
    }
};
KERNEL(heal_one)

// Colours; sums of the wide and of the close fill; the donor's colours and their sums; distance, coverage → healed colours.
// What is not covered stays as it is.
// `full`: what the close fill's weights are where all is known; `donor`: 0 without one; the rim ends at `rim`.
struct heal_apply {
    PARAMS(double plane[9]; int y0, x0; float full, donor, rim;);
    FORM(20, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const double u = (double)(x - p.x0), v = (double)(y - p.y0);
        const float t = clamp_of((p.rim - a(18, 0, 0)) / max_of(p.rim, 1e-6f), 0.0f, 1.0f), w = a(19, 0, 0) > 0.0f ? t * t * (3.0f - 2.0f * t) : 0.0f;
        const float wide = max_of(a(6, 0, 0), 1e-20f), close = a(10, 0, 0) + 0.2f * p.full, blurred = max_of(a(17, 0, 0), 1e-20f);
        for (int c = 0; c < 3; c++) {
            const float own = a(c, 0, 0);
            const float coarse = (float)((p.plane[3 * c] + p.plane[3 * c + 1] * u) + p.plane[3 * c + 2] * v);
            const float filled = (coarse + a(3 + c, 0, 0) / wide) + a(7 + c, 0, 0) / close;
            const float fine = p.donor > 0.0f ? a(11 + c, 0, 0) - a(14 + c, 0, 0) / blurred : 0.0f;
            const float healed = filled + fine;
            o[c] = w >= 1.0f ? healed : w <= 0.0f ? own : own + w * (healed - own);
        }
    }
};
KERNEL(heal_apply)

// A veil: dirt that lets the picture through, weakened by 2^-depth·shape. The shape is 1 within a disc and falls to 0.
FN float heal_shape(double x, double y, const double* centre, double radius, double soft) {
    const double dx = x - centre[0], dy = y - centre[1];
    const double t = clamp_of((radius - sqrt_of(dx * dx + dy * dy)) / soft + 0.5, 0.0, 1.0);
    return (float)(t * t * (3.0 - 2.0 * t));
}

// How deep a veil each pixel of its rim asks for if the picture were even there, weighted by how much the shape changes: 1024 bins
// of 8 levels, the 512th is none. The weighted median of all is the depth that leaves the least total variation.
struct heal_veil_depth {
    PARAMS(double centre[2]; double radius, soft; int apart; Plane level;);
    FORM(2, 0, 0, 1);   // distance from the other places, coverage
    template <class Put> static FN void one(const Plane& l, const P& p, int y0, int x0, int y1, int x1, Put put) {
        if (y0 < l.y0 || x0 < l.x0 || y1 >= l.y0 + l.h || x1 >= l.x0 + l.w) return;
        const float change = heal_shape((double)x1, (double)y1, p.centre, p.radius, p.soft) - heal_shape((double)x0, (double)y0, p.centre, p.radius, p.soft);
        const long long weight = (long long)rint_of(abs_of(change) * 256.0f);
        if (weight < 8) return;
        const float rise = row_of<const float>(l, y1)[x1 - l.x0] - row_of<const float>(l, y0)[x0 - l.x0];
        put((long long)clamp_of(rint_of(-rise / change * 0.125f) + 512.0f, 0.0f, 1023.0f), weight);
    }
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        if (a(0, 0, 0) <= 0.0f || a(1, 0, 0) < 1.0f) return;
        const double dx = (double)x - p.centre[0], dy = (double)y - p.centre[1], far = dx * dx + dy * dy;
        const double beside = 0.5 * p.soft + (double)p.apart + 1.0, inner = p.radius - beside, outer = p.radius + beside;
        if (far > outer * outer || (inner > 0.0 && far < inner * inner)) return;   // nothing changes there
        one(p.level, p, y, x - p.apart, y, x + p.apart, put);
        one(p.level, p, y - p.apart, x, y + p.apart, x, put);
    }
};
TALLY(heal_veil_depth)

struct heal_veil_lift {
    PARAMS(double centre[2]; double radius, soft; float depth;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float shape = heal_shape((double)x, (double)y, p.centre, p.radius, p.soft);
        const float gain = shape > 0.0f ? exp2_f(p.depth * shape) : 1.0f;
        for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0) * gain;
    }
};
KERNEL(heal_veil_lift)
