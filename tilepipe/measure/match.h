// Two frames of a bracket compared box by box: joint histograms and light sums where both are well exposed.
#pragma once
#include "forms.h"

// Reduced pictures of the darker and the brighter frame, and where a box of the darker one lies in the brighter one: whole
// boxes (dy, dx) per cell of 32 × 32. A box counts when nothing in it is clipped or uncovered and its four neighbours are
// alike (a sixth in sqrt(light)), so that a small error of that displacement cannot matter.

FN int match_at(const Plane& plane, int y, int x) { return row_of<const uint16_t>(plane, y)[x - plane.x0]; }

// The box itself stays out: a test of it would favour boxes that noise has brightened.
FN bool match_flat(const Plane& plane, int y, int x) {
    const int up = match_at(plane, y - 1, x), down = match_at(plane, y + 1, x);
    const int left = match_at(plane, y, x - 1), right = match_at(plane, y, x + 1);
    const int low = min_of(min_of(up, down), min_of(left, right)), high = max_of(max_of(up, down), max_of(left, right));
    return (high - low) * 12 <= high + low;
}

struct match_boxes { int dark, bright; bool usable; };   // levels

template <class P> FN match_boxes match_find(const P& p, int y, int x) {
    const int* move = p.moves + 2 * ((y >> 5) * p.cells + (x >> 5));
    const int to_y = y + move[0], to_x = x + move[1], height = p.level[0].H, width = p.level[0].W;
    const bool inside = y > 0 && x > 0 && y < height - 1 && x < width - 1 && to_y > 0 && to_x > 0 && to_y < height - 1
                        && to_x < width - 1;
    if (!inside || (match_at(p.state[0], y, x) | match_at(p.state[1], to_y, to_x)) != 0) return {0, 0, false};
    const int dark = match_at(p.level[0], y, x), bright = match_at(p.level[1], to_y, to_x);
    const bool flat = !p.flat || (match_flat(p.level[0], y, x) && match_flat(p.level[1], to_y, to_x));
    return {dark, bright, flat};
}

struct match_joint {
    PARAMS(Plane level[2]; Plane state[2]; const int* moves; int cells; const int* codes; int flat; int width;);
    FORM_OF(uint16_t, int64_t, 0, 1, 0, 1);
    template <class A, class Put> static FN void tally(A, const P& p, int y, int x, Put put) {
        const match_boxes boxes = match_find(p, y, x);
        if (!boxes.usable) return;
        const int dark = p.codes[boxes.dark], bright = p.codes[boxes.bright];
        if (dark >= 0 && bright >= 0) put((long long)dark * p.width + bright, 1);
    }
};
TALLY(match_joint)

// Count, Σ light of the darker frame, Σ light of the brighter one, over boxes whose log ratio lies in [low, high]. Which
// boxes count is decided by both codes together: a limit on one frame alone would favour one sign of every difference.
struct match_sums {
    PARAMS(Plane level[2]; Plane state[2]; const int* moves; int cells; const int* codes; int flat; const int64_t* light; int low; int high; int least; int most;);
    FORM_OF(uint16_t, int64_t, 0, 1, 0, 1);
    template <class A, class Put> static FN void tally(A, const P& p, int y, int x, Put put) {
        const match_boxes boxes = match_find(p, y, x);
        if (!boxes.usable) return;
        const int dark = p.codes[boxes.dark], bright = p.codes[boxes.bright], ratio = bright - dark, both = dark + bright;
        if (dark < 0 || bright < 0 || both < p.least || both > p.most || ratio < p.low || ratio > p.high) return;
        put(0, 1);
        put(1, p.light[boxes.dark]);
        put(2, p.light[boxes.bright]);
    }
};
TALLY(match_sums)
