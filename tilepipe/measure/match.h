// Two frames of a bracket compared box by box: joint histograms and light sums where both are well exposed.
#pragma once
#include "forms.h"

// Planes: level and state of the darker frame, level and state of the brighter one. A box counts when nothing in it is
// clipped or uncovered and its four neighbours are alike (a sixth in sqrt(light)), so that a small shift cannot matter.
template <class A> FN bool match_flat(A a, int plane, int flat) {
    const int centre = a(plane, 0, 0);
    const int up = a(plane, -1, 0), down = a(plane, 1, 0), left = a(plane, 0, -1), right = a(plane, 0, 1);
    const int low = min_of(min_of(up, down), min_of(left, right)), high = max_of(max_of(up, down), max_of(left, right));
    const int most = max_of(high, centre) - min_of(low, centre);
    return !flat || most * 6 <= centre;
}
template <class A> FN bool match_usable(A a, int flat) {
    return (a(1, 0, 0) | a(3, 0, 0)) == 0 && match_flat(a, 0, flat) && match_flat(a, 2, flat);
}

struct match_joint {
    PARAMS(const int* codes; int width; int flat;);
    FORM_OF(uint16_t, int64_t, 4, 1, 1, 1);
    template <class A, class Put> static FN void tally(A a, const P& p, int, int, Put put) {
        const int dark = p.codes[a(0, 0, 0)], bright = p.codes[a(2, 0, 0)];
        if (dark >= 0 && bright >= 0 && match_usable(a, p.flat)) put((long long)dark * p.width + bright, 1);
    }
};
TALLY(match_joint)

// Count, Σ light of the darker frame, Σ light of the brighter one, over boxes whose log ratio lies in [low, high].
struct match_sums {
    PARAMS(const int* codes; const int64_t* light; int low; int high; int least; int most; int flat;);
    FORM_OF(uint16_t, int64_t, 4, 1, 1, 1);
    template <class A, class Put> static FN void tally(A a, const P& p, int, int, Put put) {
        const int dark = p.codes[a(0, 0, 0)], bright = p.codes[a(2, 0, 0)], ratio = bright - dark;
        if (dark < 0 || bright < p.least || bright > p.most || ratio < p.low || ratio > p.high) return;
        if (!match_usable(a, p.flat)) return;
        put(0, 1);
        put(1, p.light[a(0, 0, 0)]);
        put(2, p.light[a(2, 0, 0)]);
    }
};
TALLY(match_sums)
