// From scene-linear light to the display's: a shoulder, a turn toward white, and no channel outside 0..1.
#pragma once
#include "exact.h"
#include "forms.h"

struct DisplayColour { float r, g, b; };

struct display_shoulder {
    PARAMS(float start, depth, fall, reach; float weight[3];);
    FORM(3, 3, 0, 1);
    static FN float luminance(DisplayColour v, const P& p) { return p.weight[0] * v.r + p.weight[1] * v.g + p.weight[2] * v.b; }
    static FN float most(DisplayColour v) { return max_of(max_of(v.r, v.g), v.b); }
    static FN float least(DisplayColour v) { return min_of(min_of(v.r, v.g), v.b); }
    static FN float curve(const P& p, float v) {   // 1 − (1 − start)·(1 − z/Z)^Z: see display.py
        const float left = clamp_of(1.0f - (v - p.start) * p.fall, 0.0f, 1.0f);
        const float bent = 1.0f - p.depth * exp2_f(p.reach * log2_f(left));   // pow_f of a constant exponent does not vectorise
        return v <= p.start ? v : bent;
    }
    static FN float drawn(float v, float grey, float share) { return grey + (v - grey) * share; }

    // A channel below 2 % of the luminance comes closer to 0 and never reaches it: all move toward the grey of that luminance.
    static FN DisplayColour from_below(DisplayColour v, const P& p) {
        const float y = luminance(v, p), floor = 0.02f;
        const float share = least(v) / (y > 0.0f ? y : 1.0f);
        const float kept = floor * floor / (2.0f * floor - min_of(share, floor));
        const float pull = (1.0f - kept) / (share < floor ? 1.0f - share : 1.0f);
        const bool light = y > 0.0f, beyond = share < floor;
        const DisplayColour inside = {drawn(v.r, y, pull), drawn(v.g, y, pull), drawn(v.b, y, pull)};
        v.r = beyond ? inside.r : v.r;
        v.g = beyond ? inside.g : v.g;
        v.b = beyond ? inside.b : v.b;
        return {light ? v.r : 0.0f, light ? v.g : 0.0f, light ? v.b : 0.0f};
    }
    // Near the top of the gamut likewise: from nine tenths of the way between the luminance's grey and 1.
    static FN DisplayColour from_above(DisplayColour v, const P& p) {
        const float y = min_of(luminance(v, p), 1.0f), top = most(v) - y, room = 1.0f - y;
        const float over = top - 0.9f * room;   // > 0 where it must give way
        const float kept = room - 0.01f * room * room / (max_of(over, 0.0f) + 0.1f * room + 1e-30f);
        const float pull = kept / (top > 0.0f ? top : 1.0f);
        const bool beyond = over > 0.0f;
        v.r = beyond ? drawn(v.r, y, pull) : v.r;
        v.g = beyond ? drawn(v.g, y, pull) : v.g;
        v.b = beyond ? drawn(v.b, y, pull) : v.b;
        return {clamp_of(v.r, 0.0f, 1.0f), clamp_of(v.g, 0.0f, 1.0f), clamp_of(v.b, 0.0f, 1.0f)};
    }
    // A size of the colour that is the value itself for grey and nearly the largest channel else, without creases.
    static FN float size(DisplayColour v) {
        const float m = most(v), scale = 1.0f / (m > 0.0f ? m : 1.0f);
        const float r = v.r * scale, g = v.g * scale, b = v.b * scale;
        const float r4 = (r * r) * (r * r), g4 = (g * g) * (g * g), b4 = (b * b) * (b * b);
        const float fourth = (r4 + g4) + b4, fifth = (r4 * r + g4 * g) + b4 * b;
        return m * (fifth / (fourth > 0.0f ? fourth : 1.0f));
    }
    // One channel: its share of the colour's size below, its own curve toward white, where other light has leaked in a little.
    static FN float channel(const P& p, float v, float n, float gain, float turn) {
        const float kept = v * gain, own = curve(p, v + (n - v) * (0.05f + 0.1f * turn));
        return kept + (own - kept) * turn;
    }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const DisplayColour v = from_below({a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)}, p);
        const float n = size(v), shown = curve(p, n);
        const float share = shown / (n > 0.0f ? n : 1.0f), gain = n <= p.start ? 1.0f : share;
        const float near = max_of(2.0f * shown - 1.0f, 0.0f);   // from one stop under white on
        const float turn = near * near * (3.0f - 2.0f * near);
        const DisplayColour out = from_above(
            {channel(p, v.r, n, gain, turn), channel(p, v.g, n, gain, turn), channel(p, v.b, n, gain, turn)}, p);
        o[0] = out.r;
        o[1] = out.g;
        o[2] = out.b;
    }
};
KERNEL(display_shoulder)
