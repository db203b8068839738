// Which hue a place has, read from its surroundings without crossing edges: moments of cells, a line through each window,
// and what the asked-for hues do along that line.
//
// Per window the colour is taken as a straight line (He, Sun, Tang 2013, fast form), fitted to cells of 4×4 pixels: twigs and
// sky lie at its two ends, while noise, whose ends are near, hardly tilts it. What a hue does is worked out at both ends of
// the line, once per cell; a pixel finds its own share by its own place on it.
#pragma once
#include "oklab.h"

// Colours enter as square roots of cone responses: g medium, p long − medium, q medium − short; p and q are 0 for greys. The
// line runs over u = short − (long − medium): brightness for greys, and it tells warm from cool where both are as bright.
FN float guide_root(float v) { return exact_signed_f(sqrt_of(abs_of(v)), v); }
FN float guide_of(float g, float p, float q) { return (g - q) - p; }
FN float guide_of(Cones v) {
    const float l = guide_root(v.l), m = guide_root(v.m);
    return guide_of(m, l - m, m - guide_root(v.s));
}

struct hue_moments {   // red, green, blue → means over 2×2 of g, p, q, uu, ug, up; least and most of u
    PARAMS(int unused;);
    FORM(3, 8, 1, 2);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        float g[4], p[4], q[4], u[4];
        for (int i = 0; i < 4; i++) {
            const Cones v = oklab_cones(a(0, i >> 1, i & 1), a(1, i >> 1, i & 1), a(2, i >> 1, i & 1));
            const float l = guide_root(v.l), s = guide_root(v.s);
            g[i] = guide_root(v.m);
            p[i] = l - g[i];
            q[i] = g[i] - s;
            u[i] = guide_of(g[i], p[i], q[i]);
        }
        auto mean = [](const float* v) { return ((v[0] + v[1]) + (v[2] + v[3])) * 0.25f; };
        auto both = [&](const float* v) { return ((u[0] * v[0] + u[1] * v[1]) + (u[2] * v[2] + u[3] * v[3])) * 0.25f; };
        o[0] = mean(g);
        o[1] = mean(p);
        o[2] = mean(q);
        o[3] = both(u);
        o[4] = both(g);
        o[5] = both(p);
        o[6] = min_of(min_of(u[0], u[1]), min_of(u[2], u[3]));
        o[7] = max_of(max_of(u[0], u[1]), max_of(u[2], u[3]));
    }
};
KERNEL(hue_moments)

struct hue_halved {   // the same of 2×2 cells
    PARAMS(int unused;);
    FORM(8, 8, 1, 2);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        for (int c = 0; c < 6; c++) o[c] = ((a(c, 0, 0) + a(c, 0, 1)) + (a(c, 1, 0) + a(c, 1, 1))) * 0.25f;
        o[6] = min_of(min_of(a(6, 0, 0), a(6, 0, 1)), min_of(a(6, 1, 0), a(6, 1, 1)));
        o[7] = max_of(max_of(a(7, 0, 0), a(7, 0, 1)), max_of(a(7, 1, 0), a(7, 1, 1)));
    }
};
KERNEL(hue_halved)

FN float guide_tent(float a, float b, float c, float d, float e) { return ((a + e) + (b + d) * 2.0f + c * 3.0f) * 0.11111111f; }

struct hue_across {   // windows of five cells across: a tent's means, least and most
    PARAMS(int unused;);
    FORM(8, 8, 2, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        for (int c = 0; c < 6; c++) o[c] = guide_tent(a(c, 0, -2), a(c, 0, -1), a(c, 0, 0), a(c, 0, 1), a(c, 0, 2));
        o[6] = min_of(min_of(min_of(a(6, 0, -2), a(6, 0, -1)), min_of(a(6, 0, 1), a(6, 0, 2))), a(6, 0, 0));
        o[7] = max_of(max_of(max_of(a(7, 0, -2), a(7, 0, -1)), max_of(a(7, 0, 1), a(7, 0, 2))), a(7, 0, 0));
    }
};
KERNEL(hue_across)

struct hue_down {   // and five down
    PARAMS(int unused;);
    FORM(8, 8, 2, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        for (int c = 0; c < 6; c++) o[c] = guide_tent(a(c, -2, 0), a(c, -1, 0), a(c, 0, 0), a(c, 1, 0), a(c, 2, 0));
        o[6] = min_of(min_of(min_of(a(6, -2, 0), a(6, -1, 0)), min_of(a(6, 1, 0), a(6, 2, 0))), a(6, 0, 0));
        o[7] = max_of(max_of(max_of(a(7, -2, 0), a(7, -1, 0)), max_of(a(7, 1, 0), a(7, 2, 0))), a(7, 0, 0));
    }
};
KERNEL(hue_down)

// How a window's colour goes along u: its mean, and its rise where u spreads widely; where it hardly does, it is one surface.
// What "widely" means grows with the root of brightness up to 0.25: noise of roots does not grow beyond, and pale ridges need it.
struct GuideLine {
    float u, g, p, q, rise_g, rise_p, rise_q;
    template <class A> FN GuideLine(A a, float tilt) : u(guide_of(a(0, 0, 0), a(1, 0, 0), a(2, 0, 0))), g(a(0, 0, 0)), p(a(1, 0, 0)), q(a(2, 0, 0)) {
        const float spread = max_of(a(3, 0, 0) - u * u, 0.0f), times = min_of(spread / max_of(tilt * min_of(g * g, 0.0625f), 1e-30f), 10000.0f);
        const float fourth = (times * times) * (times * times), each = fourth / ((1.0f + fourth) * max_of(spread, 1e-30f));
        const float with_g = a(4, 0, 0) - u * g, with_p = a(5, 0, 0) - u * p;
        rise_g = with_g * each;
        rise_p = with_p * each;
        rise_q = (with_g - spread - with_p) * each;   // as u = g − q − p
    }
};

struct hue_ends {   // a window's moments → at its least and at its most u: direction of hue in a and b, and how much it counts
    PARAMS(float tilt;);
    FORM(8, 6, 0, 1);
    // Light that no picture holds, and the NaN it ends in, becomes a number: a NaN's sign is a processor's own.
    static FN float squared(float root) {
        const float bounded = clamp_of(root, -1e6f, 1e6f);
        return bounded * abs_of(bounded);
    }
    static FN void end(const GuideLine& line, float u, float* o) {
        const float away = u - line.u, g = max_of(line.g + away * line.rise_g, 0.02f * abs_of(line.g));   // black has no hue
        const float l = g + (line.p + away * line.rise_p), s = g - (line.q + away * line.rise_q);
        const Cones root = oklab_roots({squared(l), squared(g), squared(s)});
        const float a = oklab_a(root), b = oklab_b(root), chroma = sqrt_of(a * a + b * b);
        const float share = chroma / max_of(oklab_lightness(root), 1e-6f), inverse = 1.0f / max_of(chroma, 1e-12f);
        // Chosen here: greys up to 1 % of chroma ÷ lightness stay put, from 7 % on a colour counts fully.
        const float coloured = clamp_of((share - 0.01f) * 16.666666f, 0.0f, 1.0f);
        o[0] = a * inverse;
        o[1] = b * inverse;
        o[2] = coloured * coloured * (3.0f - 2.0f * coloured);
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const GuideLine line(a, p.tilt);
        end(line, a(6, 0, 0), o);
        end(line, a(7, 0, 0), o + 3);
    }
};
KERNEL(hue_ends)

struct hue_effect {   // both ends, and what is done there so far → with one more hue; `narrow`: 1 / (1 − cos reach)
    PARAMS(float along_a, along_b, narrow, stops, chroma, turn;);
    FORM(12, 6, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        for (int end = 0; end < 6; end += 3) {
            const float near = a(end, 0, 0) * p.along_a + a(end + 1, 0, 0) * p.along_b;   // cosine of the distance in hue
            const float t = clamp_of(1.0f - (1.0f - near) * p.narrow, 0.0f, 1.0f), weight = t * t * a(end + 2, 0, 0);
            o[end] = a(end + 6, 0, 0) + p.stops * weight;
            o[end + 1] = a(end + 7, 0, 0) + p.chroma * weight;
            o[end + 2] = a(end + 8, 0, 0) + p.turn * weight;
        }
    }
};
KERNEL(hue_effect)

struct hue_lines {   // least and most of u, and what is done at both → lines over u: each at u = 0 and its slope
    PARAMS(int unused;);
    FORM(8, 6, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float low = a(0, 0, 0), high = a(1, 0, 0), middle = (low + high) * 0.5f;
        const float apart = high - low, size = max_of(high, -low);
        const float each = apart / max_of(apart * apart + 0.001f * (size * size), 1e-30f);
        for (int c = 0; c < 3; c++) {
            const float first = a(2 + c, 0, 0), last = a(5 + c, 0, 0), rise = (last - first) * each;
            o[2 * c] = (first + last) * 0.5f - middle * rise;
            o[2 * c + 1] = rise;
        }
    }
};
KERNEL(hue_lines)

// Cells lie at the middles of 4×4 pixels. Between two of them down: one row of cells for every row of pixels …
struct hue_rows {
    PARAMS(Plane lines[2];);
    FORM(0, 2, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const int upper = clamp_of((y - 2) >> 2, 0, p.lines[0].H - 1), lower = clamp_of(((y - 2) >> 2) + 1, 0, p.lines[0].H - 1);
        const float down = (float)((y - 2) & 3) * 0.25f + 0.125f;
        for (int c = 0; c < 2; c++) {
            const float first = (row_of<const float>(p.lines[c], upper) - p.lines[c].x0)[x];
            const float second = (row_of<const float>(p.lines[c], lower) - p.lines[c].x0)[x];
            o[c] = first + (second - first) * down;
        }
    }
};
KERNEL(hue_rows)

// … and across.
struct Across {
    int y, left, right;
    float across;
    FN Across(const Plane& rows, int row, int x)
        : y(row), left(clamp_of((x - 2) >> 2, 0, rows.W - 1)), right(clamp_of(((x - 2) >> 2) + 1, 0, rows.W - 1)),
          across((float)((x - 2) & 3) * 0.25f + 0.125f) {}
    FN float operator()(const Plane& rows) const {
        const float* row = row_of<const float>(rows, y) - rows.x0;
        return row[left] + (row[right] - row[left]) * across;
    }
};
FN float guide_line(const Across& at, const Plane* lines, float u, float low, float high) {
    return clamp_of(at(lines[0]) + at(lines[1]) * u, low, high);
}
