// Exposure fusion (Mertens, Kautz, Van Reeth, Computer Graphics Forum 28(1), 2009): weights in float64, pyramids in float32.
// With `copies`, its extended form (extended_fusion.h): every frame enters as several copies of a part of its range.
#pragma once
#include "exact.h"
#include "extended_fusion.h"
#include "fusion_sum.h"
#include "pyramid.h"
#include "streaming.h"

FN double fusion_grey(float r, float g, float b) { return ((double)r * 0.299 + (double)g * 0.587) + (double)b * 0.114; }

// 2^x for x ≤ 0, below 2^-1000 as 2^-1000: the Taylor series of 2^r, |r| ≤ ½, to r^9; relative error below 1e-11. Weights end
// as float32 shares, so the last digits of exp2_d would cost a fifth of the whole stage for nothing.
FN double fusion_power_of_two(double x) {
    const double t = max_of(x, -1000.0), n = exact_nearest_d(t), r = t - n, r2 = r * r, r4 = r2 * r2;
    const double a = (1.0 + r * 0.6931471805599453) + r2 * (0.24022650695910072 + r * 0.05550410866482158);
    const double b = (0.009618129107628477 + r * 0.0013333558146428443) + r2 * (0.0001540353039338161 + r * 1.5252733804059841e-05);
    const double c = 1.321548679014431e-06 + r * 1.01780860092397e-07;
    return ((a + r4 * b) + (r4 * r4) * c) * exact_two_to_d(n);
}

// |Laplacian of grey|^ωc · (standard deviation of the channels)^ωs · Π exp(−(v − ½)² / (2·0.2²))^ωe + 1e-12
template <bool PLAIN> FN double fusion_weight_of(double up, double down, double left, double right, double here, float r, float g,
                                                 float b, double contrast, double saturation, double falloff) {
    double c = abs_of(((up + down) + (left + right)) - 4.0 * here);
    const double p = (double)r - (double)g, q = (double)g - (double)b, t = (double)b - (double)r;
    double s = sqrt_of((p * p + q * q + t * t) * 0.1111111111111111);
    if (!PLAIN) {
        c = pow_d(c, contrast);
        s = pow_d(s, saturation);
    }
    const double x = (double)r - 0.5, y = (double)g - 0.5, z = (double)b - 0.5;
    return (c * s) * fusion_power_of_two((x * x + y * y + z * z) * -falloff) + 1e-12;
}

template <bool COPIES, class A, class P> FN void fusion_raw_weight(A a, double* o, const P& p) {
    auto grey = [&](int dy, int dx) { return fusion_grey(a(0, dy, dx), a(1, dy, dx), a(2, dy, dx)); };
    const double here = grey(0, 0);
    auto beside = [&](int dy, int dx) { return !p.covered || is_covered(a(3, dy, dx)) ? grey(dy, dx) : here; };
    double w = fusion_weight_of<false>(beside(-1, 0), beside(1, 0), beside(0, -1), beside(0, 1), here, a(0, 0, 0), a(1, 0, 0),
                                       a(2, 0, 0), p.contrast, p.saturation, p.falloff);
    if (COPIES) w = w * (double)a(COPIES ? 4 : 3, 0, 0);
    const float c = a(3, 0, 0);
    o[0] = !p.covered ? w : is_covered(c) ? w * (double)c : 0.0;
}

struct fusion_weight {   // red, green, blue, coverage of one frame → raw weight; an uncovered neighbour counts as the pixel itself
    PARAMS(double contrast; double saturation; double falloff; int covered;);
    FORM_OF(float, double, 4, 1, 1, 1);
    template <class A> static FN void at(A a, double* o, const P& p, int, int) { fusion_raw_weight<false>(a, o, p); }
};

struct fusion_copy_weight {   // and of a copy, with the product of its curve's slopes
    PARAMS(double contrast; double saturation; double falloff; int covered;);
    FORM_OF(float, double, 5, 1, 1, 1);
    template <class A> static FN void at(A a, double* o, const P& p, int, int) { fusion_raw_weight<true>(a, o, p); }
};

struct fusion_total {
    PARAMS(int unused;);
    FORM_OF(double, double, 2, 1, 0, 1);
    template <class A> static FN void at(A a, double* o, const P&, int, int) { o[0] = a(0, 0, 0) + a(1, 0, 0); }
};

struct fusion_inverse {   // 1 / total weight, 0 where no frame counts
    PARAMS(int unused;);
    FORM_OF(double, double, 1, 1, 0, 1);
    template <class A> static FN void at(A a, double* o, const P&, int, int) {
        const double total = a(0, 0, 0);
        o[0] = total > 0.0 ? 1.0 / total : 0.0;
    }
};

struct fusion_share {   // raw weight, 1 / total → this frame's share
    PARAMS(int unused;);
    FORM_OF(double, float, 2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = (float)(a(0, 0, 0) * a(1, 0, 0)); }
};

struct fusion_larger {   // coverage of either
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = max_of(a(0, 0, 0), a(1, 0, 0)); }
};

KERNEL(fusion_weight)
KERNEL(fusion_copy_weight)
KERNEL(fusion_total)
KERNEL(fusion_inverse)
KERNEL(fusion_share)
KERNEL(fusion_larger)
MANY(fusion_share)

#if HOST_ONLY
// Streams a tile: per frame sources red, green, blue[, coverage] → handed (per copy of each frame red, green, blue, share[; per
// frame coverage; coverage of any]) and / or sums, or solved → targets red, green, blue[, coverage].
struct fusion_stream {
    PARAMS(const int* spans; int coarsest; const int64_t* views; int sources; int handed; int solved; int kept; int targets;
           char* arena; int64_t arena_bytes; int64_t* used; int frames; int covered; double contrast; double saturation;
           double falloff; int plain; int copies; float middles[16]; float half; float above; float below; float bend;);

    enum { kGreyRows = 4 };

    struct Stream : RowStream<Stream> {
        const P& p;
        Rings grey, raw;   // rows of doubles: one a copy; raw weights and, last, their total
        Rings slopes;      // of the copies' curves; only where there are several
        int loaded;
        explicit Stream(const P& block) : p(block) {}

        int stride() const { return p.covered ? 4 : 3; }
        int all() const { return p.frames * p.copies; }
        int share(int k) const { return 4 * k + 3; }   // k counts copies, those of a frame one after the other
        int coverage(int k) const { return 4 * all() + k / p.copies; }
        int any() const { return 4 * all() + p.frames; }
        static double* doubles(const Rings& rings, int plane, int y, int low) { return (double*)(rings.row(plane, y) + rings.x0) - low; }
        Range wide() const { return {max_of(span[0].columns.low - 1, 0), min_of(span[0].columns.high + 1, span[0].width)}; }
        double* grey_row(int k, int y) const { return doubles(grey, k, y, span[0].columns.low - 1); }
        double* raw_row(int k) const { return doubles(raw, k, 0, span[0].columns.low); }

        void load(int y) {   // colour, coverage and grey of a row of all copies
            const Range columns = wide();
            for (int f = 0; f < p.frames; f++) {
                const View* frame = source_views + f * stride();
                const int k = f * p.copies;
                float* own[3];
                for (int c = 0; c < 3; c++) own[c] = p.copies == 1 ? level[0].row(4 * k + c, y) : room(c, columns);
                if (y + 1 < span[0].height && frame[0].holds(y + 1)) frame[0].prefetch(y + 1, columns);
                fetch_pixels(frame, y, columns, own[0], own[1], own[2]);
                if (p.covered) {
                    float* cover = level[0].row(coverage(k), y);
                    const float* c = frame[3].fetch(y, columns, cover);
                    if (c != cover) std::memcpy(cover + columns.low, c + columns.low, sizeof(float) * columns.size());
                }
                for (int i = 0; i < p.copies && p.copies > 1; i++) {
                    const extended_copy::P curve{p.middles[i], p.half, p.above, p.below, p.bend};
                    float* to[4] = {level[0].row(4 * (k + i), y), level[0].row(4 * (k + i) + 1, y), level[0].row(4 * (k + i) + 2, y),
                                    slopes.row(k + i, y)};
                    point_row<extended_copy>({own[0], own[1], own[2]}, {to[0], to[1], to[2], to[3]}, curve, columns);
                }
                for (int i = 0; i < p.copies; i++) load_grey(k + i, y, columns);
            }
        }
        void load_grey(int k, int y, Range columns) {
            const int width = span[0].width;
            const float *r = level[0].row(4 * k, y), *g = level[0].row(4 * k + 1, y), *b = level[0].row(4 * k + 2, y);
            double* out = grey_row(k, y);
            VECTOR_LOOP
            for (long x = columns.low; x < columns.high; x++) out[x] = fusion_grey(r[x], g[x], b[x]);
            if (columns.low == 0) out[-1] = out[mirror(-1, width)];
            if (columns.high == width) out[width] = out[mirror(width, width)];
        }
        template <bool PLAIN, bool COVERED, bool COPIES> void weigh(int k, int y) {
            const int height = span[0].height;
            const double *up = grey_row(k, mirror(y - 1, height)), *here = grey_row(k, y), *down = grey_row(k, mirror(y + 1, height));
            const float *r = level[0].row(4 * k, y), *g = level[0].row(4 * k + 1, y), *b = level[0].row(4 * k + 2, y);
            const float *c = nullptr, *above = nullptr, *below = nullptr;
            if (COVERED) {
                c = level[0].row(coverage(k), y);
                above = level[0].row(coverage(k), mirror(y - 1, height));
                below = level[0].row(coverage(k), mirror(y + 1, height));
            }
            const float* slope = COPIES ? slopes.row(k, y) : nullptr;
            double* out = raw_row(k);
            const double contrast = p.contrast, saturation = p.saturation, falloff = p.falloff;
            const int width = span[0].width;
            VECTOR_LOOP
            for (long x = span[0].columns.low; x < span[0].columns.high; x++) {
                double u = up[x], d = down[x], left = here[x - 1], right = here[x + 1];
                if (COVERED) {
                    u = is_covered(above[x]) ? u : here[x];
                    d = is_covered(below[x]) ? d : here[x];
                    left = is_covered(c[mirror((int)x - 1, width)]) ? left : here[x];
                    right = is_covered(c[mirror((int)x + 1, width)]) ? right : here[x];
                }
                double w = fusion_weight_of<PLAIN>(u, d, left, right, here[x], r[x], g[x], b[x], contrast, saturation, falloff);
                if (COPIES) w = w * (double)slope[x];
                out[x] = !COVERED ? w : is_covered(c[x]) ? w * (double)c[x] : 0.0;
            }
        }
        template <bool PLAIN, bool COVERED> void weigh_any(int k, int y) {
            p.copies > 1 ? weigh<PLAIN, COVERED, true>(k, y) : weigh<PLAIN, COVERED, false>(k, y);
        }
        void source(int y) {
            while (loaded < min_of(y + 1, span[0].height - 1)) load(++loaded);
            const Range columns = span[0].columns;
            double* total = raw_row(all());
            for (int k = 0; k < all(); k++) {
                if (p.covered) p.plain ? weigh_any<true, true>(k, y) : weigh_any<false, true>(k, y);
                else p.plain ? weigh_any<true, false>(k, y) : weigh_any<false, false>(k, y);
                const double* w = raw_row(k);
                if (k == 0) std::memcpy(total + columns.low, w + columns.low, sizeof(double) * columns.size());
                else point_row<fusion_total>({total, w}, {total}, {}, columns);
            }
            point_row<fusion_inverse>({total}, {total}, {}, columns);
            for (int k = 0; k < all(); k++) point_row<fusion_share>({raw_row(k), total}, {level[0].row(share(k), y)}, {}, columns);
            if (p.covered) cover_source(y, columns);
        }
        void cover_source(int y, Range columns) {
            float* most = level[0].row(any(), y);
            std::memcpy(most + columns.low, level[0].row(coverage(0), y) + columns.low, sizeof(float) * columns.size());
            for (int k = p.copies; k < all(); k += p.copies)
                point_row<fusion_larger>({most, level[0].row(coverage(k), y)}, {most}, {}, columns);
            for (int k = 0; k < all(); k++)
                for (int c = 0; c < 4; c++) {
                    float* row = level[0].row(4 * k + c, y);
                    point_row<coverage_weighted>({row, c == 3 ? most : level[0].row(coverage(k), y)}, {row}, {}, columns);
                }
        }
        void inverse_of(int plane, int l, int y, Range columns, float* own, float* coarse) {
            point_row<coverage_inverse>({level[l].row(plane, y)}, {own}, {}, columns);
            expand(plane, l, y, columns, coarse);
            point_row<coverage_inverse>({coarse}, {coarse}, {}, columns);
        }
        void sum(int l, int y) {
            const Range columns = span[l].sum_columns;
            float *e = room(0, columns), *own = room(1, columns), *coarse = room(2, columns), *v = room(3, columns);
            float *w = room(4, columns), *any_inverse = room(5, columns);
            float* out[3];
            for (int c = 0; c < 3; c++) out[c] = kept ? room(6 + c, columns) : sums[l].row(c, y);
            if (p.covered) {
                const float* most = level[l].row(any(), y);
                std::memcpy(sums[l].row(3, y) + columns.low, most + columns.low, sizeof(float) * columns.size());
                point_row<coverage_inverse>({most}, {any_inverse}, {}, columns);
            }
            for (int k = 0; k < all(); k++) {
                const float* weight = level[l].row(share(k), y);
                if (p.covered) {
                    if (k % p.copies == 0) inverse_of(coverage(k), l, y, columns, own, coarse);
                    point_row<coverage_divided>({weight, any_inverse}, {w}, {}, columns);
                    weight = w;
                }
                for (int c = 0; c < 3; c++) {
                    const float* value = level[l].row(4 * k + c, y);
                    expand(4 * k + c, l, y, columns, e);
                    if (p.covered) {
                        point_row<coverage_divided>({value, own}, {v}, {}, columns);
                        point_row<coverage_divided>({e, coarse}, {e}, {}, columns);
                        value = v;
                    }
                    if (k == 0) point_row<fusion_begin>({weight, value, e}, {out[c]}, {}, columns);
                    else point_row<fusion_add>({weight, value, e, out[c]}, {out[c]}, {}, columns);
                }
            }
            if (kept) store_pixels(kept + 3 * l, y, columns, out[0], out[1], out[2]);
        }
        void finish(int y) {
            const Range columns = span[0].sum_columns;
            float* rows[3];
            for (int c = 0; c < 3; c++) rows[c] = collapsed[0].row(c, y);
            if (p.covered) {
                const float* most = collapsed[0].row(3, y);
                for (int c = 0; c < 3; c++) point_row<coverage_kept>({rows[c], most}, {rows[c]}, {}, columns);
                targets[3].store(y, columns, most);
            }
            store_pixels(targets, y, columns, rows[0], rows[1], rows[2]);
        }
    };

    enum { kSpareRows = 9 };
    static void run(const P& p, int, int) {
        Stream stream(p);
        stream.take(p);
        stream.planes = 4 * stream.all() + (p.covered ? p.frames + 1 : 0);
        stream.cover = p.covered ? stream.any() : -1;
        stream.live_planes = {0, stream.planes};
        stream.sum_planes = 3;
        stream.margin = 1;
        Arena arena(p.arena, p.arena_bytes);
        stream.lay_out(arena, kSpareRows);
        const Range columns = stream.span[0].columns;
        stream.grey = arena.rings(stream.all(), kGreyRows, {0, 2 * (columns.size() + 2)});
        stream.raw = arena.rings(stream.all() + 1, 1, {0, 2 * (columns.size() + 2)});
        if (p.copies > 1) stream.slopes = arena.rings(stream.all(), kGreyRows, {columns.low - 1, columns.high + 1});
        stream.loaded = max_of(stream.span[0].rows.low - 1, 0) - 1;
        *p.used = arena.used;
        if (!arena.fits()) return;
        stream.run();
    }
};
DRIVER(fusion_stream)
#endif
