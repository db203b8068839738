// The row schedule of the deep stages: rows of a window flow through rings, from the source up the pyramid and down again.
//
// A row of level l + 1 is made as soon as five rows of level l are there, a row of the Laplacian sums of level l as soon as
// the three coarse rows around it are; so six rows a plane are alive, whatever the window's height. The sums wait in longer
// rings until the coarse half is known that far. No arithmetic here: bodies come from the kernels.
#pragma once
#include "pyramid.h"

#if HOST_ONLY
enum { kMaxLevels = 32, kRingRows = 6, kCollapsedRows = 4 };

struct View {   // one channel in Python's memory: strides in elements, window in global pixels; `sixteen`: uint16, 65535 = 1
    int64_t address, row, column, y0, x0, height, width, sixteen;
    float* at(int y) const { return (float*)address + (y - y0) * row - x0 * column; }
    const uint16_t* at16(int y) const { return (const uint16_t*)address + (y - y0) * row - x0 * column; }
    bool plain() const { return column == 1 && !sixteen; }
    bool holds(int y) const { return y >= y0 && y < y0 + height; }
    Range columns() const { return {(int)x0, (int)(x0 + width)}; }
    // The row, indexed by global columns: where it lies if it is plain, else gathered into `room`.
    const float* fetch(int y, Range columns, float* room) const;
    void store(int y, Range columns, const float* values) const;
    // Asks for a row early: strips read short pieces of rows far apart, which the hardware does not foresee.
    void prefetch(int y, Range columns) const {
        const long item = sixteen ? 2 : 4;
        const char* first = (const char*)address + ((y - y0) * row + (columns.low - x0) * column) * item;
        for (long i = 0; i < columns.size() * column * item; i += 64) __builtin_prefetch(first + i, 0, 2);
    }
};

FN float from_sixteen(uint16_t v) { return (float)v / 65535.0f; }

inline const float* View::fetch(int y, Range columns, float* room) const {
    if (plain()) return at(y);
    const long step = column;
    if (sixteen) {
        const uint16_t* s = at16(y);
        VECTOR_LOOP
        for (long x = columns.low; x < columns.high; x++) room[x] = from_sixteen(s[x * step]);
    } else {
        const float* s = at(y);
        VECTOR_LOOP
        for (long x = columns.low; x < columns.high; x++) room[x] = s[x * step];
    }
    return room;
}
// Three channels of one row; interleaved pixels are taken apart in one go.
inline void fetch_pixels(const View* views, int y, Range columns, float* red, float* green, float* blue) {
    const View &r = views[0], &g = views[1], &b = views[2];
    const int64_t item = r.sixteen ? 2 : 4;
    const bool together = r.column == 3 && g.address == r.address + item && b.address == g.address + item;
    if (together && !r.sixteen) {
        const float* s = r.at(y);
        VECTOR_LOOP
        for (long x = columns.low; x < columns.high; x++) red[x] = s[3 * x], green[x] = s[3 * x + 1], blue[x] = s[3 * x + 2];
        return;
    }
    float* const rooms[3] = {red, green, blue};
    for (int c = 0; c < 3; c++) {
        const float* row = views[c].fetch(y, columns, rooms[c]);
        if (row != rooms[c]) std::memcpy(rooms[c] + columns.low, row + columns.low, sizeof(float) * columns.size());
    }
}
inline void store_pixels(const View* views, int y, Range columns, const float* red, const float* green, const float* blue) {
    const View &r = views[0], &g = views[1], &b = views[2];
    if (r.column == 3 && g.address == r.address + 4 && b.address == g.address + 4) {
        float* t = r.at(y);
        VECTOR_LOOP
        for (long x = columns.low; x < columns.high; x++) t[3 * x] = red[x], t[3 * x + 1] = green[x], t[3 * x + 2] = blue[x];
        return;
    }
    const float* const rows[3] = {red, green, blue};
    for (int c = 0; c < 3; c++) views[c].store(y, columns, rows[c]);
}
inline void View::store(int y, Range columns, const float* values) const {
    float* t = at(y);
    const long step = column;
    if (step == 1) {
        std::memcpy(t + columns.low, values + columns.low, sizeof(float) * columns.size());
        return;
    }
    VECTOR_LOOP
    for (long x = columns.low; x < columns.high; x++) t[x * step] = values[x];
}

struct LevelSpan {   // a level's picture size; rows and columns that are made of it; those of its Laplacian sums
    int height, width;
    Range rows, columns, sum_rows, sum_columns;
};

struct Rings {   // `depth` rows of several planes; a row is indexed by global columns
    float* base;
    long plane_stride, row_stride;
    int depth, x0;
    float* row(int plane, int y) const {
        return base + plane * plane_stride + (long)((unsigned)y % (unsigned)depth) * row_stride - x0;
    }
};

struct Arena {   // hands out Python's buffer; `used` may grow beyond `size`: then nothing may be run
    char* base;
    int64_t size, used;
    Arena(char* buffer, int64_t bytes) : base((char*)(((uintptr_t)buffer + 63) & ~(uintptr_t)63)), size(bytes - 64), used(0) {}
    bool fits() const { return used <= size; }
    Rings rings(int planes, int depth, Range columns) {
        // An odd number of cache lines a row: rows must not fall onto the same sets of the cache.
        const long stride = 16 * (((columns.size() + 31) / 16) | 1);
        Rings made{(float*)(base + used), stride * depth, stride, depth, columns.low};
        used += (int64_t)sizeof(float) * stride * depth * planes;
        return made;
    }
};

template <class T> struct PointAt {
    const T* const* in;
    long x;
    FN T operator()(int c, int, int) const { return in[c][x]; }
};
// One row of a point kernel: the body that the grids run; rows are indexed by global columns.
template <class K> FN void point_row(const typename K::in_t* const (&in)[(int)K::ins], typename K::out_t* const (&out)[(int)K::outs],
                                     const typename K::P& p, Range columns) {
    VECTOR_LOOP
    for (long x = columns.low; x < columns.high; x++) {
        typename K::out_t o[K::outs];
        K::at(PointAt<typename K::in_t>{in, x}, o, p, 0, 0);
        for (int c = 0; c < K::outs; c++) out[c][x] = o[c];
    }
}

// What both deep stages share. `Work` adds source(y): level 0's planes of row y; sum(level, y): the Laplacian sums of row y;
// finish(y, rows): an output row from the collapsed values.
template <class Work> struct RowStream {
    const LevelSpan* span;
    int coarsest, planes, sum_planes, cover;   // cover: the plane of the pyramids that holds the sums' coverage, or -1
    Range live_planes;                         // planes that are really made, beside plane 0 and `cover`
    Range boxes = {0, 0};                      // planes that are summed over 2×2 instead
    const View *source_views = nullptr, *handed = nullptr, *solved = nullptr, *kept = nullptr, *targets = nullptr;
    bool sums_wanted = false, collapse_wanted = false;
    int margin = 0;   // columns beside level 0 that the source reads too
    Rings level[kMaxLevels], sums[kMaxLevels], collapsed[kMaxLevels], spare;
    int made[kMaxLevels], summed[kMaxLevels], ready[kMaxLevels];

    Work& work() { return *(Work*)this; }
    bool reduce_first(const float* const*, int, Range, float*) const { return false; }   // true: plane 0 was reduced another way
    static int sum_rows_alive(int coarsest, int l) { return (4 << (coarsest - l)) + 6; }

    template <class P> void take(const P& p) {   // what every driver is told: levels, and views one kind after the other
        const View* views = (const View*)p.views;
        span = (const LevelSpan*)p.spans;
        coarsest = p.coarsest;
        source_views = views;
        handed = p.handed ? views + p.sources : nullptr;
        solved = p.solved ? views + p.sources + p.handed : nullptr;
        kept = p.kept ? views + p.sources + p.handed + p.solved : nullptr;
        targets = views + p.sources + p.handed + p.solved + p.kept;
        collapse_wanted = p.targets > 0;
        sums_wanted = p.targets ? !p.kept : p.kept > 0;
    }
    void lay_out(Arena& arena, int spare_rows) {
        for (int l = 0; l <= coarsest && (handed || sums_wanted); l++) {
            const int beside = l == 0 ? margin : 0;
            level[l] = arena.rings(planes, kRingRows, {span[l].columns.low - beside, span[l].columns.high + beside});
        }
        const int carried = sum_planes + (cover >= 0);
        for (int l = 0; l < coarsest && sums_wanted && !kept; l++)
            sums[l] = arena.rings(carried, sum_rows_alive(coarsest, l), span[l].sum_columns);
        for (int l = 0; l <= coarsest && collapse_wanted; l++)
            collapsed[l] = arena.rings(carried, kCollapsedRows, span[l].sum_columns);
        const int wide = max_of(span[0].columns.size() + 2 * margin, span[0].sum_columns.size());
        spare = arena.rings(spare_rows, 1, {span[0].columns.low, span[0].columns.low + wide});
        for (int l = 0; l <= coarsest; l++) {
            made[l] = span[l].rows.low - 1;
            summed[l] = ready[l] = span[l].sum_rows.low - 1;
        }
    }
    float* room(int i, Range columns) const { return spare.row(i, 0) + spare.x0 - columns.low; }

    // ------------------------------------------------------------ up the pyramid
    void make(int l, int y) {
        y = min_of(y, span[l].rows.high - 1);
        while (made[l] < y) {
            const int next = made[l] + 1;
            if (l == 0) work().source(next);
            else {
                make(l - 1, 2 * next + 2);
                reduce(l, next);
            }
            made[l] = next;
            if (l > 0 && sums_wanted) sum_below(l);
            if (l == coarsest && handed) hand_over(next);
        }
    }
    void reduce(int l, int y) {
        const LevelSpan &fine = span[l - 1], &own = span[l];
        for (int plane = 0; plane < planes; plane++) {
            if (plane != 0 && plane != cover && !live_planes.holds(plane) && !boxes.holds(plane)) continue;
            if (boxes.holds(plane)) {
                const float* below = 2 * y + 1 < fine.height ? level[l - 1].row(plane, 2 * y + 1) : nullptr;
                box_row(level[l - 1].row(plane, 2 * y), below, fine.width, own.columns, level[l].row(plane, y));
                continue;
            }
            const float* rows[5];
            for (int d = -2; d <= 2; d++) rows[d + 2] = level[l - 1].row(plane, mirror(2 * y + d, fine.height));
            if (plane == 0 && work().reduce_first(rows, fine.width, own.columns, level[l].row(plane, y))) continue;
            reduce_row(rows, fine.width, own.columns, level[l].row(plane, y));
        }
    }
    void sum_below(int l) {   // all rows of level l - 1 that the rows of level l made so far allow
        const LevelSpan& fine = span[l - 1];
        const bool complete = made[l] == span[l].rows.high - 1;
        while (summed[l - 1] + 1 < fine.sum_rows.high && (complete || ((summed[l - 1] + 1) >> 1) + 1 <= made[l])) {
            work().sum(l - 1, ++summed[l - 1]);
        }
    }
    void expand(int plane, int l, int y, Range columns, float* out) const { expand_from(level[l + 1], plane, l, y, columns, out); }
    void expand_from(const Rings& coarse, int plane, int l, int y, Range columns, float* out) const {
        const LevelSpan& above = span[l + 1];
        auto row = [&](int i) { return coarse.row(plane, clamp_of(i, 0, above.height - 1)); };
        const float* here = row(y >> 1);
        expand_row(y & 1 ? here : row((y >> 1) - 1), here, row((y >> 1) + 1), y & 1, above.width, columns, out);
    }
    void hand_over(int y) const {
        if (!handed[0].holds(y)) return;
        for (int plane = 0; plane < planes; plane++) handed[plane].store(y, handed[plane].columns(), level[coarsest].row(plane, y));
    }

    // ------------------------------------------------------------ and down again
    void collapse(int l, int y) {
        y = min_of(y, span[l].sum_rows.high - 1);
        while (ready[l] < y) {
            const int next = ready[l] + 1;
            if (l == coarsest) take_solved(next);
            else {
                collapse(l + 1, (next >> 1) + 1);
                collapse_row(l, next);
            }
            ready[l] = next;
        }
    }
    void take_solved(int y) {
        const Range columns = span[coarsest].sum_columns;
        if (sums_wanted) make(coarsest, y);
        for (int c = 0; c < sum_planes; c++) {
            float* own = collapsed[coarsest].row(c, y);
            const float* row = solved[c].fetch(y, columns, own);
            std::memmove(own + columns.low, row + columns.low, sizeof(float) * columns.size());
        }
        if (cover >= 0) {
            const float* coverage = level[coarsest].row(cover, y);
            std::memcpy(collapsed[coarsest].row(sum_planes, y) + columns.low, coverage + columns.low, sizeof(float) * columns.size());
        }
        settle(coarsest, y);
    }
    void collapse_row(int l, int y) {
        const Range columns = span[l].sum_columns;
        float *e = room(0, columns), *inverse = room(1, columns);
        if (cover >= 0) {
            std::memcpy(collapsed[l].row(sum_planes, y) + columns.low, sums[l].row(sum_planes, y) + columns.low,
                        sizeof(float) * columns.size());
            expand_from(collapsed[l + 1], sum_planes, l, y, columns, e);
            point_row<coverage_inverse>({e}, {inverse}, {}, columns);
        }
        if (kept && sum_planes == 3)
            fetch_pixels(kept + 3 * l, y, columns, collapsed[l].row(0, y), collapsed[l].row(1, y), collapsed[l].row(2, y));
        for (int c = 0; c < sum_planes; c++) {
            expand_from(collapsed[l + 1], c, l, y, columns, e);
            if (cover >= 0) point_row<coverage_divided>({e, inverse}, {e}, {}, columns);
            float* own = collapsed[l].row(c, y);
            const float* sum = !kept ? sums[l].row(c, y) : sum_planes == 3 ? own : kept[l].fetch(y, columns, own);
            point_row<pyramid_add>({sum, e}, {own}, {}, columns);
        }
        settle(l, y);
    }
    void settle(int l, int y) {   // level 0 is the result; other levels go on as value · coverage
        const Range columns = span[l].sum_columns;
        if (l == 0) work().finish(y);
        else if (cover >= 0)
            for (int c = 0; c < sum_planes; c++) {
                float* own = collapsed[l].row(c, y);
                point_row<coverage_weighted>({own, collapsed[l].row(sum_planes, y)}, {own}, {}, columns);
            }
    }
    void run() {
        if (!collapse_wanted) make(coarsest, span[coarsest].rows.high - 1);
        else collapse(0, span[0].sum_rows.high - 1);
    }
};
#endif
