// Looking for dirt: a frame's light as whole numbers on reduced levels, dark round places in it, and whether they stay on the sensor.
//
// A level holds 2048·(log2(light) + 15) of a box's mean light, 0 where that says nothing (clipped, too dark, not covered).
#pragma once
#include "exact.h"
#include "forms.h"

// Colours, what clipping is judged by, coverage → the level of boxes of factor × factor px, cut to the picture.
struct spots_level {
    PARAMS(Plane colour[3]; Plane peak[3]; Plane coverage; int covered, factor, height, width; float clip, least;);
    FORM_OF(float, uint16_t, 0, 1, 0, 1);
    template <class A> static FN void at(A, uint16_t* o, const P& p, int y, int x) {
        const Plane& g = p.colour[0];
        const int top = max_of(y * p.factor, g.y0), bottom = min_of(min_of((y + 1) * p.factor, p.height), g.y0 + g.h);
        const int left = max_of(x * p.factor, g.x0), right = min_of(min_of((x + 1) * p.factor, p.width), g.x0 + g.w);
        float sum = 0.0f, peak = 0.0f, count = 0.0f;
        bool bare = false;
        for (int r = top; r < bottom; r++) {
            for (int c = left; c < right; c++) {
                const auto of = [&](const Plane& plane) { return clamp_of(row_of<const float>(plane, r)[c - g.x0], -1.0f, 4.0f); };
                sum += (of(p.colour[0]) + of(p.colour[2])) + 2.0f * of(p.colour[1]);
                peak = max_of(peak, max_of(max_of(of(p.peak[0]), of(p.peak[1])), of(p.peak[2])));
                bare |= p.covered != 0 && of(p.coverage) < 1.0f;
                count += 4.0f;
            }
        }
        const float mean = clamp_of(sum / max_of(count, 1.0f), 0.0f, 2.0f);
        const bool says = mean >= p.least && peak < p.clip && !bare;
        o[0] = (uint16_t)(int)(says ? rint_of(2048.0f * (log2_f(max_of(mean, 6.103515625e-5f)) + 15.0f)) : 0.0f);
    }
};
KERNEL(spots_level)

struct spots_half {   // the next level: the mean of 2×2, 0 where one of them says nothing
    PARAMS(int height, width;);
    FORM_OF(uint16_t, uint16_t, 1, 1, 1, 2);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int y, int x) {
        const int below = 2 * y + 1 < p.height ? 1 : 0, right = 2 * x + 1 < p.width ? 1 : 0;
        const int v[4] = {a(0, 0, 0), a(0, 0, right), a(0, below, 0), a(0, below, right)};
        const int least = min_of(min_of(v[0], v[1]), min_of(v[2], v[3]));
        o[0] = (uint16_t)(least > 0 ? (v[0] + v[1] + v[2] + v[3] + 2) >> 2 : 0);
    }
};
KERNEL(spots_half)

// A binomial blur, its five taps S px apart: adds S² to the variance along rows and columns.
template <int S> struct spots_blur {
    PARAMS(int unused;);
    FORM_OF(uint16_t, uint16_t, 1, 1, 2 * S, 1);
    template <class A> static FN int row(A a, int dy) {
        return ((int)a(0, dy, -2 * S) + (int)a(0, dy, 2 * S)) + 4 * ((int)a(0, dy, -S) + (int)a(0, dy, S)) + 6 * (int)a(0, dy, 0);
    }
    template <class A> static FN void at(A a, uint16_t* o, const P&, int, int) {
        const int sum = (row(a, -2 * S) + row(a, 2 * S)) + 4 * (row(a, -S) + row(a, S)) + 6 * row(a, 0);
        o[0] = (uint16_t)((sum + 128) >> 8);
    }
};
struct spots_blur_1 : spots_blur<1> {};
KERNEL(spots_blur_1)
struct spots_blur_2 : spots_blur<2> {};
KERNEL(spots_blur_2)
struct spots_blur_4 : spots_blur<4> {};
KERNEL(spots_blur_4)
struct spots_blur_8 : spots_blur<8> {};
KERNEL(spots_blur_8)

struct spots_contrast {   // a finer and a coarser blur → how much darker than around; how far apart at all, bounded, in 1/64
    PARAMS(int most;);
    FORM_OF(uint16_t, uint16_t, 2, 2, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int, int) {
        const int apart = (int)a(1, 0, 0) - (int)a(0, 0, 0);
        o[0] = (uint16_t)max_of(apart, 0);
        o[1] = (uint16_t)(64 * min_of(apart < 0 ? -apart : apart, p.most));
    }
};
KERNEL(spots_contrast)

// How dark a place is where it is darkest within 3×3 and darker than `times`/4 of what is usual around and than `least`; else 0:
// so where more than `most` is usual.
// What is usual is a mean of standard deviation 8.9 px less a fifth of one of 4 px, which is nothing at the place itself.
FN int spots_usual(int near, int wide) { return max_of((5 * wide - near) / 4, wide / 4); }
struct spots_peak {
    PARAMS(int times, least, most;);
    FORM_OF(uint16_t, uint16_t, 3, 2, 1, 1);   // contrast; means of how far apart at all, near and wide, in 1/64 → peaks; the usual
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int, int) {
        const int own = a(0, 0, 0), usual = spots_usual(a(1, 0, 0), a(2, 0, 0));
        const int before = max_of(max_of((int)a(0, -1, -1), (int)a(0, -1, 0)), max_of((int)a(0, -1, 1), (int)a(0, 0, -1)));
        const int after = max_of(max_of((int)a(0, 1, -1), (int)a(0, 1, 0)), max_of((int)a(0, 1, 1), (int)a(0, 0, 1)));
        const bool is = (own > before) & (own >= after) & (own >= p.least) & (usual <= 64 * p.most) & (256LL * own >= (long long)p.times * usual);
        o[0] = (uint16_t)(is ? own : 0);
        o[1] = (uint16_t)min_of(usual, 65535);
    }
};
KERNEL(spots_peak)

struct spots_trust {   // colours, what clipping is judged by, coverage → 1 where the light is known, else 0
    PARAMS(float clip, least;);
    FORM(7, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float peak = max_of(max_of(a(3, 0, 0), a(4, 0, 0)), a(5, 0, 0)), green = a(1, 0, 0);
        o[0] = peak < p.clip && green >= p.least && a(6, 0, 0) >= 1.0f ? 1.0f : 0.0f;
    }
};
KERNEL(spots_trust)

FN double spots_disc(double x, double y, const double* centre, double radius, double soft) {   // 1 within, 0 without
    const double dx = x - centre[0], dy = y - centre[1];
    const double t = clamp_of((radius - sqrt_of(dx * dx + dy * dy)) / soft + 0.5, 0.0, 1.0);
    return t * t * (3.0 - 2.0 * t);
}

// Two frames' levels at the same sensor places: had a disc moved with the scene by `shift` (x, y) from the second to the
// first, they would differ by its depth times g. Sums of g², e·g, e, g, 1, where both frames know the light; g in 1/256;
// of every so many rows and columns one.
struct spots_sway {
    PARAMS(double centre[2]; double radius, soft; double shift[2]; int every;);
    FORM(4, 0, 0, 1);   // level and trust of the first, of the second
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        if (x % p.every != 0 || y % p.every != 0 || a(1, 0, 0) < 1.0f || a(3, 0, 0) < 1.0f) return;
        const double here = spots_disc((double)x, (double)y, p.centre, p.radius, p.soft);
        const double there = spots_disc((double)x - p.shift[0], (double)y - p.shift[1], p.centre, p.radius, p.soft);
        const long long g = (long long)rint_of((there - here) * 256.0);
        const long long e = (long long)rint_of(clamp_of(a(0, 0, 0), -65536.0f, 65536.0f) - clamp_of(a(2, 0, 0), -65536.0f, 65536.0f));
        put(0, g * g);
        put(1, e * g);
        put(2, e);
        put(3, g);
        put(4, 1);
    }
};
TALLY(spots_sway)

// What another frame shows at (u, v), between four of its pixels; not there where one of them is not known.
FN bool spots_between(const Plane& o, const Plane& t, double u, double v, float* light) {
    const double left = floor_of(u), top = floor_of(v);
    const int c = (int)left, r = (int)top;
    if (c < o.x0 || r < o.y0 || c + 1 >= o.x0 + o.w || r + 1 >= o.y0 + o.h) return false;
    if (c < t.x0 || r < t.y0 || c + 1 >= t.x0 + t.w || r + 1 >= t.y0 + t.h) return false;
    float row[2], known = 1.0f;
    const float across = (float)(u - left), down = (float)(v - top);
    for (int i = 0; i < 2; i++) {
        const float *l = row_of<const float>(o, r + i) + (c - o.x0), *k = row_of<const float>(t, r + i) + (c - t.x0);
        const float one = clamp_of(l[0], -65536.0f, 65536.0f), two = clamp_of(l[1], -65536.0f, 65536.0f);
        row[i] = one + across * (two - one);
        known = min_of(known, min_of(k[0], k[1]));
    }
    *light = row[0] + down * (row[1] - row[0]);
    return known >= 1.0f;
}
FN double spots_bounded(double v) { return clamp_of(v, -65536.0, 65536.0); }

// The scene laid on itself: what the second frame shows at x + shift and the first at x are the same light, so only dirt
// makes them differ, by its depth times g. Sums as in spots_sway. `carried`: the shift itself for dirt; for a disc that lies
// elsewhere in the second frame, less by as much.
struct spots_apart {
    PARAMS(Plane other, trusted; double centre[2]; double radius, soft; double shift[2], carried[2]; int every;);
    FORM(2, 0, 0, 1);   // the first frame's level and trust
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        if (x % p.every != 0 || y % p.every != 0) return;
        const double u = (double)x + spots_bounded(p.shift[0]), v = (double)y + spots_bounded(p.shift[1]);
        float there = 0.0f;
        if (a(1, 0, 0) < 1.0f || !spots_between(p.other, p.trusted, u, v, &there)) return;
        const double cx = (double)x + spots_bounded(p.carried[0]), cy = (double)y + spots_bounded(p.carried[1]);
        const double shapes = spots_disc(cx, cy, p.centre, p.radius, p.soft) - spots_disc((double)x, (double)y, p.centre, p.radius, p.soft);
        const long long g = (long long)rint_of(shapes * 256.0);
        const long long e = (long long)rint_of(there - clamp_of(a(0, 0, 0), -65536.0f, 65536.0f));
        put(0, g * g);
        put(1, e * g);
        put(2, e);
        put(3, g);
        put(4, 1);
    }
};
TALLY(spots_apart)

struct spots_around {   // how well the scene lies on itself outside a disc, and not where it lay: Σe², Σe, 1
    PARAMS(Plane other, trusted; double centre[2]; double radius; double shift[2]; int every;);
    FORM(2, 0, 0, 1);   // the first frame's level and trust
    template <class A, class Put> static FN void tally(A a, const P& p, int y, int x, Put put) {
        if (x % p.every != 0 || y % p.every != 0) return;
        const double u = (double)x + spots_bounded(p.shift[0]), v = (double)y + spots_bounded(p.shift[1]);
        const double dx = (double)x - p.centre[0], dy = (double)y - p.centre[1], du = u - p.centre[0], dv = v - p.centre[1];
        const double inner = p.radius * p.radius;
        float there = 0.0f;
        if (a(1, 0, 0) < 1.0f || dx * dx + dy * dy < inner || du * du + dv * dv < inner) return;
        if (!spots_between(p.other, p.trusted, u, v, &there)) return;
        const long long e = (long long)rint_of(there - clamp_of(a(0, 0, 0), -65536.0f, 65536.0f));
        put(0, e * e);
        put(1, e);
        put(2, 1);
    }
};
TALLY(spots_around)
