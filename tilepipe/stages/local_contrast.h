// Local contrast: the fast local Laplacian filter on log2 luminance (Paris, Hasinoff, Kautz 2011; Aubry et al. 2014).
#pragma once
#include "exact.h"
#include "pyramid.h"
#include "quick.h"
#include "streaming.h"

// log2 of Rec.2020 luminance, levelling off at the lower end of the nodes: ½·log2(Y² + floor²), Y ≥ 0.
FN float local_stops(float r, float g, float b, float floor_squared) {
    const float y = (r * 0.262700212f + g * 0.677998072f) + b * 0.0593017165f;
    const float light = clamp_of(y, 0.0f, 1.15292150e18f);
    return 0.5f * log2_f(light * light + floor_squared);
}
#define LOCAL_NOTHING (-1.0e6f)   // the guide's value under no coverage; no light comes near it

struct local_luminance {
    PARAMS(float floor_squared;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = local_stops(a(0, 0, 0), a(1, 0, 0), a(2, 0, 0), p.floor_squared);
    }
};

struct local_guarded {   // value, coverage → the value where it is covered, else a mark
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        o[0] = is_covered(a(1, 0, 0)) ? a(0, 0, 0) : LOCAL_NOTHING;
    }
};

// ---------------------------------------------------------------- the guide
// The guide says around which brightness a place of a level is changed. Blurred, it would lie between the two sides of an
// edge, where the curve sees half the step twice: that is a halo. So each level takes the mean of those of its 5×5 neighbours
// that are about as bright as the middle one (a bilateral filter: Tomasi and Manduchi 1998; weight 1/(1 + (d/edge)²)²).
struct LocalMean { float total, weight; };
FN void local_near(LocalMean& m, float v, float middle, float inverse_edge, float tap) {
    const float d = v - middle, q = d * inverse_edge, t = 1.0f + q * q;
    const float w = v > 0.5f * LOCAL_NOTHING ? tap / (t * t) : 0.0f;
    m.total += w * d;
    m.weight += w;
}
template <class V> FN void local_near_row(LocalMean& m, V v, int dy, float middle, float inverse_edge, float tap) {
    local_near(m, v(dy, -2), middle, inverse_edge, tap);
    local_near(m, v(dy, -1), middle, inverse_edge, 4.0f * tap);
    local_near(m, v(dy, 0), middle, inverse_edge, 6.0f * tap);
    local_near(m, v(dy, 1), middle, inverse_edge, 4.0f * tap);
    local_near(m, v(dy, 2), middle, inverse_edge, tap);
}
template <class V> FN LocalMean local_around(V v, float middle, float inverse_edge) {
    LocalMean m = {0.0f, 0.0f};
    local_near_row(m, v, -2, middle, inverse_edge, 1.0f);
    local_near_row(m, v, -1, middle, inverse_edge, 4.0f);
    local_near_row(m, v, 0, middle, inverse_edge, 6.0f);
    local_near_row(m, v, 1, middle, inverse_edge, 4.0f);
    local_near_row(m, v, 2, middle, inverse_edge, 1.0f);
    return m;
}
template <class V> FN float local_guide_of(V v, float inverse_edge) {   // where all is covered
    const float middle = v(0, 0);
    const LocalMean m = local_around(v, middle, inverse_edge);
    return middle + m.total / m.weight;
}
template <class V> FN float local_guide_covered_of(V v, float inverse_edge) {   // around an uncovered middle: the mean of all
    const bool known = v(0, 0) > 0.5f * LOCAL_NOTHING;
    const float middle = known ? v(0, 0) : 0.0f;
    const LocalMean m = local_around(v, middle, known ? inverse_edge : 0.0f);
    return m.weight > 0.0f ? middle + m.total / m.weight : LOCAL_NOTHING;
}

struct local_guide {
    PARAMS(float inverse_edge;);
    FORM(1, 1, 2, 2);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = local_guide_of([&](int dy, int dx) { return a(0, dy, dx); }, p.inverse_edge);
    }
};
struct local_guide_covered {
    PARAMS(float inverse_edge;);
    FORM(1, 1, 2, 2);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = local_guide_covered_of([&](int dy, int dx) { return a(0, dy, dx); }, p.inverse_edge);
    }
};

// ---------------------------------------------------------------- the curve
// r(d) = range·d + (detail − range)·f(d), f(d) = d / √(1 + (d/edge)²), d = x − node. The linear part needs no pyramid: it is
// added at the end, pixel by pixel. The pyramids carry f alone.
struct local_remap {
    PARAMS(float node; float inverse_edge;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float d = a(0, 0, 0) - p.node, q = d * p.inverse_edge;
        o[0] = d / sqrt_of(1.0f + q * q);
    }
};

struct local_position {   // where a value lies among the nodes, in nodes; beyond the ends: at the end
    PARAMS(float low; float high; float inverse_step;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = (clamp_of(a(0, 0, 0), p.low, p.high) - p.low) * p.inverse_step;
    }
};

struct local_hat {   // position, node's level, node's expanded coarser level, sum, mean → sum + hat · Laplacian, mean + hat · level
    PARAMS(float node;);
    FORM(5, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float t = max_of(1.0f - abs_of(a(0, 0, 0) - p.node), 0.0f), own = a(1, 0, 0);
        o[0] = a(3, 0, 0) + t * (own - a(2, 0, 0));
        o[1] = a(4, 0, 0) + t * own;
    }
};

// Sum of f's Laplacians, their levels' mean, position → what is added: 1 − range of it, and the lift of detail.
//
// The lift is silent below the noise (`noise`: a variance in light as powers, in units of this level's Laplacians). Sizes have
// their weights, for what brightens and what darkens; but not where the mean tells of a strong edge within reach: there any
// weight that differs between levels or sides would be a halo.
struct local_lift {
    PARAMS(float rest; float lift; float brighter; float darker; float low; float step; float inverse_edge; float noise[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float f = a(0, 0, 0), dark = quick_exp2(-(p.low + a(2, 0, 0) * p.step));   // 1 ÷ light
        const float variance = (p.noise[0] * dark + p.noise[1]) * dark + p.noise[2], square = f * f;
        const float seen = square * square, gate = seen / (seen + (variance * variance + 1e-30f));
        const float near = clamp_of(abs_of(a(1, 0, 0)) * p.inverse_edge * 8.0f - 0.25f, 0.0f, 1.0f);   // chosen here: see show_relief
        const float edge = near * near * (3.0f - 2.0f * near), weight = f < 0.0f ? p.darker : p.brighter;
        o[0] = f * (p.rest + p.lift * (gate * (weight + (1.0f - weight) * edge)));
    }
};

struct local_anchor {   // sum of all values, their number → what the linear part adds everywhere, for an anchor that stays
    PARAMS(int fixed; float anchor; float slope;);   // `slope`: range − 1; the anchor is given, or the picture's mean
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float count = a(1, 0, 0), mean = is_covered(count) ? a(0, 0, 0) / count : 0.0f;
        o[0] = -p.slope * (p.fixed ? p.anchor : mean);
    }
};

struct local_apply {   // red, green, blue, change in stops but for the linear part → the colour at its new luminance
    PARAMS(float floor_squared; float slope;);
    FORM(4, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float gain = exp2_f(a(3, 0, 0) + p.slope * local_stops(r, g, b, p.floor_squared));
        o[0] = r * gain;
        o[1] = g * gain;
        o[2] = b * gain;
    }
};

KERNEL(local_luminance)
KERNEL(local_guarded)
KERNEL(local_guide)
KERNEL(local_guide_covered)
KERNEL(local_remap)
KERNEL(local_position)
KERNEL(local_hat)
KERNEL(local_lift)
KERNEL(local_anchor)
KERNEL(local_apply)
MANY(local_remap)

#if HOST_ONLY
// `in`: the five rows beside 2y (mirrored); `width`: of the finer picture; `columns`: of the coarser row. Even and odd columns
// are put apart first, so that all reads of the long loop are in a row.
template <bool COVERED> inline void local_guide_row(const float* const in[5], int width, Range columns, float inverse_edge, float* out) {
    enum { kBlock = 256 };
    for (int low = columns.low; low < columns.high; low += kBlock) {
        const int high = min_of(low + (int)kBlock, columns.high);
        alignas(64) float evens[5][kBlock + 32], odds[5][kBlock + 32];
        const float *even[5], *odd[5];
        for (int r = 0; r < 5; r++) {
            float *e = evens[r] + 16 - low, *d = odds[r] + 16 - low;
            const auto mirrored = [&](int x) { e[x] = in[r][mirror(2 * x, width)], d[x] = in[r][mirror(2 * x + 1, width)]; };
            const int first = max_of(low - 1, 0), last = min_of(high, (width - 2) >> 1);   // pairs that lie inside the picture
            VECTOR_LOOP
            for (long x = first; x <= last; x++) e[x] = in[r][2 * x], d[x] = in[r][2 * x + 1];
            for (int x = low - 1; x < min_of(first, high + 1); x++) mirrored(x);
            for (int x = max_of(first, last + 1); x <= high; x++) mirrored(x);
            even[r] = e;
            odd[r] = d;
        }
        VECTOR_LOOP
        for (long x = low; x < high; x++) {
            const auto v = [&](int dy, int dx) { return dx & 1 ? odd[dy + 2][x + ((dx - 1) >> 1)] : even[dy + 2][x + (dx >> 1)]; };
            out[x] = COVERED ? local_guide_covered_of(v, inverse_edge) : local_guide_of(v, inverse_edge);
        }
    }
}

// Streams a tile: sources red, green, blue[, coverage] → handed (guide, nodes, sum of the guide[, sum of coverage, coverage])
// and / or Laplacian sums, or solved → targets.
struct local_stream {
    PARAMS(const int* spans; int coarsest; const int64_t* views; int sources; int handed; int solved; int kept; int targets;
           char* arena; int64_t arena_bytes; int64_t* used; int nodes; double origin; double step; float low; float high; float inverse_step;
           float floor_squared; float slope; float inverse_edge; float rest; float lift; float noise[3]; float brighter[16];
           float darker[16]; float spread[16];);

    enum { kSumBlock = 64, kSpareRows = 9 };   // short blocks hold few brightnesses, so few nodes take part in their sums

    struct Stream : RowStream<Stream> {
        const P& p;
        explicit Stream(const P& block) : p(block) {}

        bool covered() const { return cover >= 0; }
        float node(int k) const { return (float)(p.origin + k * p.step); }

        void luminance(int y, Range columns, float* const colour[3], float* out) const {
            const float* in[3];
            for (int c = 0; c < 3; c++) in[c] = source_views[c].fetch(y, columns, colour[c]);
            point_row<local_luminance>({in[0], in[1], in[2]}, {out}, {p.floor_squared}, columns);
        }
        void source(int y) {
            const Range columns = span[0].columns;
            float* const colour[3] = {room(0, columns), room(1, columns), room(2, columns)};
            float* x = covered() ? room(3, columns) : level[0].row(0, y);
            luminance(y, columns, colour, x);
            const float* coverage = nullptr;
            if (covered()) {
                float* own = level[0].row(cover, y);
                const float* c = coverage = source_views[3].fetch(y, columns, own);
                if (c != own) std::memcpy(own + columns.low, c + columns.low, sizeof(float) * columns.size());
                point_row<local_guarded>({x, c}, {level[0].row(0, y)}, {}, columns);
            }
            for (int plane = boxes.low; plane < boxes.high; plane++) {
                float* box = level[0].row(plane, y);
                const float* from = plane == boxes.low ? x : coverage;
                if (covered() && plane == boxes.low) point_row<coverage_weighted>({x, coverage}, {box}, {}, columns);
                else std::memcpy(box + columns.low, from + columns.low, sizeof(float) * columns.size());
            }
            for (int k = live_planes.low; k < live_planes.high; k++) {
                float* row = level[0].row(k, y);
                point_row<local_remap>({x}, {row}, {node(k - 1), p.inverse_edge}, columns);
                if (covered()) point_row<coverage_weighted>({row, coverage}, {row}, {}, columns);
            }
        }
        bool reduce_first(const float* const rows[5], int width, Range columns, float* out) const {
            if (covered()) local_guide_row<true>(rows, width, columns, p.inverse_edge, out);
            else local_guide_row<false>(rows, width, columns, p.inverse_edge, out);
            return true;
        }
        // Only nodes within one step of a block's brightnesses take part; the others would add exact zeros.
        void sum(int l, int y) {
            const Range columns = span[l].sum_columns;
            float *position = room(4, columns), *inverse = room(5, columns), *inverse_coarse = room(6, columns);
            const float* guide = level[l].row(0, y);
            if (covered()) {
                const float* c = level[l].row(cover, y);
                std::memcpy(sums[l].row(1, y) + columns.low, c + columns.low, sizeof(float) * columns.size());
                point_row<coverage_inverse>({c}, {inverse}, {}, columns);
                expand(cover, l, y, columns, inverse_coarse);
                point_row<coverage_inverse>({inverse_coarse}, {inverse_coarse}, {}, columns);
            }
            point_row<local_position>({guide}, {position}, {p.low, p.high, p.inverse_step}, columns);
            float *own = kept ? room(7, columns) : sums[l].row(0, y), *mean = room(8, columns);
            for (int low = columns.low; low < columns.high; low += kSumBlock)
                sum_block(l, y, {low, min_of(low + (int)kSumBlock, columns.high)}, position, inverse, inverse_coarse, own, mean);
            lift(l, position, mean, own, columns);
            if (kept) kept[l].store(y, columns, own);
        }
        void lift(int l, const float* position, const float* mean, float* own, Range columns) const {
            const float spread = p.spread[l], step = (float)p.step;
            const local_lift::P block = {p.rest, p.lift, p.brighter[l], p.darker[l], p.low, step, p.inverse_edge,
                                         {p.noise[0] * spread, p.noise[1] * spread, p.noise[2] * spread}};
            point_row<local_lift>({own, mean, position}, {own}, block, columns);
        }
        void sum_block(int l, int y, Range block, const float* position, const float* inverse, const float* inverse_coarse, float* own,
                       float* mean) {
            float least = position[block.low], most = least;
            for (int x = block.low; x < block.high; x++) {
                least = min_of(least, position[x]);
                most = max_of(most, position[x]);
                own[x] = mean[x] = 0.0f;
            }
            const int first = max_of((int)least, live_planes.low - 1), last = min_of((int)most + 1, live_planes.high - 2);
            alignas(64) float room_e[kSumBlock], room_v[kSumBlock];
            float *e = room_e - block.low, *v = room_v - block.low;
            for (int k = first; k <= last; k++) {
                const float* value = level[l].row(1 + k, y);
                expand(1 + k, l, y, block, e);
                if (covered()) {
                    point_row<coverage_divided>({value, inverse}, {v}, {}, block);
                    point_row<coverage_divided>({e, inverse_coarse}, {e}, {}, block);
                    value = v;
                }
                point_row<local_hat>({position, value, e, own, mean}, {own, mean}, {(float)k}, block);
            }
        }
        void finish(int y) {
            const Range columns = span[0].sum_columns;
            const float* in[3];
            float* out[3];
            for (int c = 0; c < 3; c++) {
                in[c] = source_views[c].fetch(y, columns, room(c, columns));
                out[c] = room(4 + c, columns);
            }
            point_row<local_apply>({in[0], in[1], in[2], collapsed[0].row(0, y)}, {out[0], out[1], out[2]}, {p.floor_squared, p.slope}, columns);
            for (int c = 0; c < 3; c++) {
                if (covered()) point_row<coverage_kept>({out[c], source_views[3].fetch(y, columns, room(7, columns))}, {out[c]}, {}, columns);
            }
            store_pixels(targets, y, columns, out[0], out[1], out[2]);
        }
        // Nodes that can take part anywhere in the tile: higher levels are averages, so they stay within level 0's extremes.
        Range nodes_in_use() {
            const Range columns = span[0].columns;
            float* const colour[3] = {room(0, columns), room(1, columns), room(2, columns)};
            float *x = room(3, columns), least = p.high, most = p.low;
            for (int y = span[0].rows.low; y < span[0].rows.high; y++) {
                luminance(y, columns, colour, x);
                for (int i = columns.low; i < columns.high; i++) {
                    least = min_of(least, x[i]);
                    most = max_of(most, x[i]);
                }
            }
            const float slack = 0.01f;   // rounding of the averages is a thousand times smaller
            const float first = (max_of(least, p.low) - slack - p.low) * p.inverse_step;
            const float last = (min_of(most, p.high) + slack - p.low) * p.inverse_step;
            return {max_of((int)first, 0), min_of((int)last + 1, p.nodes - 1) + 1};
        }
    };

    static void run(const P& p, int, int) {
        Stream stream(p);
        stream.take(p);
        const bool covered = p.sources > 3;
        stream.planes = p.nodes + (covered ? 4 : 2);
        stream.cover = covered ? stream.planes - 1 : -1;
        if (p.handed) stream.boxes = {p.nodes + 1, p.nodes + 2 + covered};
        stream.sum_planes = 1;
        Arena arena(p.arena, p.arena_bytes);
        stream.lay_out(arena, kSpareRows);
        *p.used = arena.used;
        if (!arena.fits()) return;
        stream.live_planes = {1, p.nodes + 1};
        if (p.targets && stream.sums_wanted && p.coarsest > 0) {
            const Range used = stream.nodes_in_use();
            stream.live_planes = {1 + used.low, 1 + used.high};
        }
        stream.run();
    }
};
DRIVER(local_stream)
#endif
