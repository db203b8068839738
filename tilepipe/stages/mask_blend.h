// Blending a base frame with others by masks, across all scales, in scene light that every frame agrees on.
//
// All frames are brought to one brightness (x / light). Where a frame nears its clipping level its value is that of the next
// darker one, so no clipped value enters a pyramid. What is blended is a frame's difference from the base frame, on a curve
// that is logarithmic for light and linear around black: frames that agree give a difference of noise alone, at any height of
// an edge, and where they disagree a bright side cannot outweigh a dark one. Shares and differences meet level by level
// (Burt and Adelson, "A multiresolution spline with application to image mosaics", TOG 2(4), 1983), down to one pixel.
#pragma once
#include "exact.h"
#include "fusion_sum.h"
#include "streaming.h"

FN float mask_smooth(float t) { return t * t * (3.0f - 2.0f * t); }

// How far a colour is from clipping, 1 to 0, judged by peaks; all colours together where `joint` is 1.
FN float mask_seen(const float* peak, int c, float ramp, float slope, float joint) {
    const float together = max_of(max_of(peak[0], peak[1]), peak[2]) * joint;
    return mask_smooth(clamp_of(ramp - max_of(peak[c], together) * slope, 0.0f, 1.0f));
}
FN float mask_between(float low, float high, float part) { return part >= 1.0f ? high : low + part * (high - low); }

struct mask_fill {   // a frame, its peaks, the darker frame filled so far → the frame in base units, filled where it clips
    PARAMS(float per_light; float ramp; float slope; float joint; int darkest;);
    FORM(9, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float peak[3] = {a(3, 0, 0), a(4, 0, 0), a(5, 0, 0)};
        for (int c = 0; c < 3; c++) {
            const float seen = p.darkest ? 1.0f : mask_seen(peak, c, p.ramp, p.slope, p.joint);
            o[c] = mask_between(a(6 + c, 0, 0), a(c, 0, 0) * p.per_light, seen);
        }
    }
};
KERNEL(mask_fill)

struct mask_fill_covered {   // the same, with the coverage of both; filled also where the frame does not reach
    PARAMS(float per_light; float ramp; float slope; float joint; int darkest;);
    FORM(11, 4, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float peak[3] = {a(3, 0, 0), a(4, 0, 0), a(5, 0, 0)}, cover = a(9, 0, 0), under = p.darkest ? 0.0f : a(10, 0, 0);
        const bool own = is_covered(cover), below = is_covered(under);
        for (int c = 0; c < 3; c++) {
            const float v = own ? a(c, 0, 0) * p.per_light : 0.0f, low = below ? a(6 + c, 0, 0) : 0.0f;
            const float seen = own ? mask_seen(peak, c, p.ramp, p.slope, p.joint) * clamp_of(cover, 0.0f, 1.0f) : 0.0f;
            o[c] = mask_between(low, v, below ? seen : 1.0f);
        }
        o[3] = own || below ? max_of(cover, under) : 0.0f;
    }
};
KERNEL(mask_fill_covered)

struct mask_fill_above {   // a filled frame, the brighter one → the brighter one's where nothing darker reaches
    PARAMS(int unused;);
    FORM(8, 4, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const bool own = is_covered(a(3, 0, 0));
        for (int c = 0; c < 3; c++) o[c] = own ? a(c, 0, 0) : a(4 + c, 0, 0);
        o[3] = max_of(a(3, 0, 0), a(7, 0, 0));
    }
};
KERNEL(mask_fill_above)

// ---------------------------------------------------------------- the curve: stops for light, linear around black
FN float mask_curve_of(float v, float per_soft) {
    const float t = abs_of(v) * per_soft, stops = log2_f(t + sqrt_of(t * t + 1.0f));
    return v < 0.0f ? -stops : stops;
}
FN float mask_light_of(float stops, float soft) {
    const float s = clamp_of(stops, -100.0f, 100.0f);
    const float up = exp2_f(s);
    return (up - 1.0f / up) * (0.5f * soft);
}

struct mask_curve {
    PARAMS(float per_soft;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        for (int c = 0; c < 3; c++) o[c] = mask_curve_of(a(c, 0, 0), p.per_soft);
    }
};
KERNEL(mask_curve)

struct mask_difference {   // a filled frame, the base on the curve and its brightness → how far the frame is from it on the curve
    // Beside its mask the difference counts less, up to nothing: coarse levels reach there, and a frame that is not wanted
    // need not agree there. (Small dark windows in a clipped wall, seen through the glare of the bright frame.)
    PARAMS(float per_soft; float begins; float slope;);
    FORM(7, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float part = mask_smooth(clamp_of((a(6, 0, 0) - p.begins) * p.slope, 0.0f, 1.0f));
        for (int c = 0; c < 3; c++) o[c] = (mask_curve_of(a(c, 0, 0), p.per_soft) - a(3 + c, 0, 0)) * part;
    }
};
KERNEL(mask_difference)

struct mask_result {   // the base, the base on the curve, the blended difference → light; the base's own bits where it is 0
    PARAMS(float soft;);
    FORM(9, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        for (int c = 0; c < 3; c++) {
            const float difference = a(6 + c, 0, 0), light = mask_light_of(a(3 + c, 0, 0) + difference, p.soft);
            o[c] = difference == 0.0f ? a(c, 0, 0) : light;
        }
    }
};
KERNEL(mask_result)

// ---------------------------------------------------------------- masks by the base frame's brightness
struct mask_brightest {   // the brightest of three colours
    PARAMS(float per_clip;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = max_of(max_of(a(0, 0, 0), a(1, 0, 0)), a(2, 0, 0)) * p.per_clip;
    }
};
KERNEL(mask_brightest)

struct mask_brightness {   // the brightest colour of the base and its coverage → stops from its clipping level, of the brightest of the three colours
    // Means over 3×3 of what is like the pixel itself (within its half and `noise`): the pixel's own noise must not choose
    // the frame that it is taken from, and an edge stays where it is.
    PARAMS(float noise; int covered;);
    FORM(2, 1, 1, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float here = a(0, 0, 0), near = 0.5f * max_of(here, 0.0f) + p.noise;
        float sum = 0.0f, count = 0.0f;
        for (int dy = -1; dy <= 1; dy++)
            for (int dx = -1; dx <= 1; dx++) {
                const float v = a(0, dy, dx);
                const bool like = abs_of(v - here) <= near && (!p.covered || is_covered(a(1, dy, dx)));
                sum = sum + (like ? v : 0.0f);
                count = count + (like ? 1.0f : 0.0f);
            }
        const float mean = count > 0.0f ? sum / count : here;
        o[0] = log2_f(clamp_of(mean, 5.9604645e-8f, 1.6777216e7f));   // 2^-24 … 2^24
    }
};
KERNEL(mask_brightness)

struct mask_range {   // stops → 0 … 1; a negative `slope` makes a mask of what is darker than where it begins
    PARAMS(float begins; float slope;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = mask_smooth(clamp_of((a(0, 0, 0) - p.begins) * p.slope, 0.0f, 1.0f));
    }
};
KERNEL(mask_range)

struct mask_share {   // mask, what is left → the frame's share, what is left then
    PARAMS(float strength;);
    FORM(2, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float rest = a(1, 0, 0), taken = clamp_of(a(0, 0, 0) * p.strength, 0.0f, 1.0f) * rest;
        o[0] = taken;
        o[1] = rest - taken;
    }
};
KERNEL(mask_share)

#if HOST_ONLY
// Streams a tile: per layer sources red, green, blue, share[; then coverage of any] → handed (the same planes at the hand-over
// level), or solved → targets red, green, blue.
struct mask_blend_stream {
    PARAMS(const int* spans; int coarsest; const int64_t* views; int sources; int handed; int solved; int kept; int targets;
           char* arena; int64_t arena_bytes; int64_t* used; int layers; int covered;);

    struct Stream : RowStream<Stream> {
        const P& p;
        explicit Stream(const P& block) : p(block) {}

        void source(int y) {
            const Range columns = span[0].columns;
            for (int plane = 0; plane < planes; plane++) {
                float* own = level[0].row(plane, y);
                const float* row = source_views[plane].fetch(y, columns, own);
                if (row != own) std::memcpy(own + columns.low, row + columns.low, sizeof(float) * columns.size());
            }
            for (int plane = 0; plane < cover; plane++) {
                float* own = level[0].row(plane, y);
                point_row<coverage_weighted>({own, level[0].row(cover, y)}, {own}, {}, columns);
            }
        }
        void sum(int l, int y) {
            const Range columns = span[l].sum_columns;
            float *e = room(0, columns), *own = room(1, columns), *coarse = room(2, columns), *v = room(3, columns), *w = room(4, columns);
            if (p.covered) {
                const float* any = level[l].row(cover, y);
                std::memcpy(sums[l].row(3, y) + columns.low, any + columns.low, sizeof(float) * columns.size());
                point_row<coverage_inverse>({any}, {own}, {}, columns);
                expand(cover, l, y, columns, coarse);
                point_row<coverage_inverse>({coarse}, {coarse}, {}, columns);
            }
            for (int k = 0; k < p.layers; k++) {
                const float* share = level[l].row(4 * k + 3, y);
                if (p.covered) {
                    point_row<coverage_divided>({share, own}, {w}, {}, columns);
                    share = w;
                }
                for (int c = 0; c < 3; c++) {
                    const float* value = level[l].row(4 * k + c, y);
                    float* out = sums[l].row(c, y);
                    expand(4 * k + c, l, y, columns, e);
                    if (p.covered) {
                        point_row<coverage_divided>({value, own}, {v}, {}, columns);
                        point_row<coverage_divided>({e, coarse}, {e}, {}, columns);
                        value = v;
                    }
                    if (k == 0) point_row<fusion_begin>({share, value, e}, {out}, {}, columns);
                    else point_row<fusion_add>({share, value, e, out}, {out}, {}, columns);
                }
            }
        }
        void finish(int y) {
            store_pixels(targets, y, span[0].sum_columns, collapsed[0].row(0, y), collapsed[0].row(1, y), collapsed[0].row(2, y));
        }
    };

    enum { kSpareRows = 5 };
    static void run(const P& p, int, int) {
        Stream stream(p);
        stream.take(p);
        stream.planes = 4 * p.layers + p.covered;
        stream.cover = p.covered ? 4 * p.layers : -1;
        stream.live_planes = {0, stream.planes};
        stream.sum_planes = 3;
        Arena arena(p.arena, p.arena_bytes);
        stream.lay_out(arena, kSpareRows);
        *p.used = arena.used;
        if (!arena.fits()) return;
        stream.run();
    }
};
DRIVER(mask_blend_stream)
#endif
