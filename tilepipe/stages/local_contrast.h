// Local contrast: the fast local Laplacian filter on log2 luminance (Paris, Hasinoff, Kautz 2011; Aubry et al. 2014).
#pragma once
#include "exact.h"
#include "pyramid.h"
#include "streaming.h"

struct local_luminance {   // log2 of Rec.2020 luminance, levelling off at the lower end of the nodes: ½·log2(Y² + floor²), Y ≥ 0
    PARAMS(float floor_squared;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float y = (a(0, 0, 0) * 0.262700212f + a(1, 0, 0) * 0.677998072f) + a(2, 0, 0) * 0.0593017165f;
        const float light = clamp_of(y, 0.0f, 1.15292150e18f);
        o[0] = 0.5f * log2_f(light * light + p.floor_squared);
    }
};

// What the curve changes: r(d) − d = (range − 1)·d + (detail − range)·d / √(1 + (d / edge)²), d = x − node. The pyramids carry
// the change alone (the filter is linear in it), so rounding is in proportion to it and neutral values change no bit.
struct local_remap {
    PARAMS(float node; float slope; float gain; float inverse_edge;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float d = a(0, 0, 0) - p.node, q = d * p.inverse_edge;
        o[0] = p.slope * d + p.gain * (d / sqrt_of(1.0f + q * q));
    }
};

struct local_position {   // where a value lies among the nodes, in nodes; beyond the ends: at the end
    PARAMS(float low; float high; float inverse_step;);
    FORM(1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = (clamp_of(a(0, 0, 0), p.low, p.high) - p.low) * p.inverse_step;
    }
};

struct local_hat {   // position, node's level, node's expanded coarser level, sum → sum + hat · Laplacian
    PARAMS(float node;);
    FORM(4, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float t = 1.0f - abs_of(a(0, 0, 0) - p.node);
        o[0] = a(3, 0, 0) + max_of(t, 0.0f) * (a(1, 0, 0) - a(2, 0, 0));
    }
};

struct local_anchor {   // one value for the whole picture, sum of all values, their number → its change by range around an anchor
    PARAMS(int fixed; float anchor; float slope;);   // `slope`: range − 1; the anchor is given, or the picture's mean
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float x = a(0, 0, 0), count = a(2, 0, 0);
        const float mean = is_covered(count) ? a(1, 0, 0) / count : 0.0f;
        o[0] = p.slope * (x - (p.fixed ? p.anchor : mean));
    }
};

struct local_apply {   // red, green, blue, change in stops → the colour at its new luminance
    PARAMS(int unused;);
    FORM(4, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float gain = exp2_f(a(3, 0, 0));
        for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0) * gain;
    }
};

KERNEL(local_luminance)
KERNEL(local_remap)
KERNEL(local_position)
KERNEL(local_hat)
KERNEL(local_anchor)
KERNEL(local_apply)

#if HOST_ONLY
// Streams a tile: sources red, green, blue[, coverage] → handed (guide, nodes, sum of the guide[, sum of coverage, coverage])
// and / or Laplacian sums, or solved → targets.
struct local_stream {
    PARAMS(const int* spans; int coarsest; const int64_t* views; int sources; int handed; int solved; int kept; int targets;
           char* arena; int64_t arena_bytes; int64_t* used; int nodes; double origin; double step; float low; float high; float inverse_step;
           float floor_squared; float slope; float gain; float inverse_edge;);

    enum { kSumBlock = 64, kSpareRows = 8 };   // short blocks hold few brightnesses, so few nodes take part in their sums

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
                point_row<coverage_weighted>({x, c}, {level[0].row(0, y)}, {}, columns);
            }
            for (int plane = boxes.low; plane < boxes.high; plane++)
                std::memcpy(level[0].row(plane, y) + columns.low, level[0].row(plane == boxes.low ? 0 : cover, y) + columns.low,
                            sizeof(float) * columns.size());
            for (int k = live_planes.low; k < live_planes.high; k++) {
                float* row = level[0].row(k, y);
                point_row<local_remap>({x}, {row}, {node(k - 1), p.slope, p.gain, p.inverse_edge}, columns);
                if (covered()) point_row<coverage_weighted>({row, coverage}, {row}, {}, columns);
            }
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
                point_row<coverage_divided>({guide, inverse}, {position}, {}, columns);
                guide = position;
            }
            point_row<local_position>({guide}, {position}, {p.low, p.high, p.inverse_step}, columns);
            float* own = kept ? room(7, columns) : sums[l].row(0, y);
            for (int low = columns.low; low < columns.high; low += kSumBlock)
                sum_block(l, y, {low, min_of(low + (int)kSumBlock, columns.high)}, position, inverse, inverse_coarse, own);
            if (kept) kept[l].store(y, columns, own);
        }
        void sum_block(int l, int y, Range block, const float* position, const float* inverse, const float* inverse_coarse, float* own) {
            float least = position[block.low], most = least;
            for (int x = block.low; x < block.high; x++) {
                least = min_of(least, position[x]);
                most = max_of(most, position[x]);
                own[x] = 0.0f;
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
                point_row<local_hat>({position, value, e, own}, {own}, {(float)k}, block);
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
            point_row<local_apply>({in[0], in[1], in[2], collapsed[0].row(0, y)}, {out[0], out[1], out[2]}, {}, columns);
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
