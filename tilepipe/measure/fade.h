// How light faded between two frames, from place to place: sums of log ratios over cells, and the correction of a frame.
#pragma once
#include "exact.h"
#include "match.h"

// Per cell of 64 × 64 boxes of the darker frame: count, Σ light of the darker frame, Σ light of the brighter one, Σ ratio and
// Σ ratio² in 1/32 stop beside `middle`, over boxes as `match_sums` takes them.
struct fade_cells {
    PARAMS(Plane level[2]; Plane state[2]; const int* moves; int cells; const int* codes; int flat; const int64_t* light; int low; int high; int least; int most; int middle; int width;);
    FORM_OF(uint16_t, int64_t, 0, 1, 0, 1);
    template <class A, class Put> static FN void tally(A, const P& p, int y, int x, Put put) {
        const match_boxes boxes = match_find(p, y, x);
        if (!boxes.usable) return;
        const int dark = p.codes[boxes.dark], bright = p.codes[boxes.bright], ratio = bright - dark, both = dark + bright;
        if (dark < 0 || bright < 0 || both < p.least || both > p.most || ratio < p.low || ratio > p.high) return;
        const long long cell = 5 * ((long long)(y >> 6) * p.width + (x >> 6)), off = ratio - p.middle;
        put(cell, 1);
        put(cell + 1, p.light[boxes.dark]);
        put(cell + 2, p.light[boxes.bright]);
        put(cell + 3, off);
        put(cell + 4, off * off);
    }
};
TALLY(fade_cells)

// Colour × 2^(−stops), stops bilinear between the nodes of a grid over the picture, in 1/1024 EV.
struct fade_gain {
    PARAMS(const int* nodes; int rows, cols, height, width;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const double v = y * (p.rows - 1.0) / max_of(p.height - 1.0, 1.0), u = x * (p.cols - 1.0) / max_of(p.width - 1.0, 1.0);
        const int row = min_of((int)v, p.rows - 2), col = min_of((int)u, p.cols - 2);
        const double fy = v - row, fx = u - col;
        const int* at = p.nodes + row * p.cols + col;
        const double upper = (1.0 - fx) * at[0] + fx * at[1], lower = (1.0 - fx) * at[p.cols] + fx * at[p.cols + 1];
        const float gain = exp2_f((float)(((1.0 - fy) * upper + fy * lower) / -1024.0));
        for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0) * gain;
    }
};
KERNEL(fade_gain)
