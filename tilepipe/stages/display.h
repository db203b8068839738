// From scene-linear light to the display's: a shoulder, a turn toward white, and no channel outside 0..1.
#pragma once
#include "quick.h"
#include "forms.h"
#include "gamut.h"

struct display_shoulder {
    PARAMS(float start, depth, fall, reach, turn; float weight[3];);
    FORM(3, 3, 0, 1);
    static FN float curve(const P& p, float v) {   // 1 − (1 − start)·(1 − z/Z)^Z: see display.py
        const float left = clamp_of(1.0f - (v - p.start) * p.fall, 0.0f, 1.0f);
        const float bent = 1.0f - p.depth * quick_exp2(p.reach * quick_log2(left));
        return v <= p.start ? v : bent;
    }
    // A size of the colour that is the value itself for grey and nearly the largest channel else, without creases.
    static FN float size(GamutColour v) {
        const float m = gamut_most(v), scale = 1.0f / (m > 0.0f ? m : 1.0f);
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
        // 2 % of the luminance and nine tenths of the way to 1, chosen here: early enough to be smooth, late enough to leave
        // the colours of a scene alone.
        const GamutColour v = gamut_from_below({a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)}, p.weight, 0.02f);
        const float n = size(v), shown = curve(p, n);
        const float share = shown / (n > 0.0f ? n : 1.0f), gain = n <= p.start ? 1.0f : share;
        const float near = max_of(2.0f * shown - 1.0f, 0.0f);   // from one stop under white on
        const float turn = near * near * (3.0f - 2.0f * near) * p.turn;
        const GamutColour made = {
            channel(p, v.r, n, gain, turn), channel(p, v.g, n, gain, turn), channel(p, v.b, n, gain, turn)};
        const GamutColour out = gamut_from_above(made, p.weight, 0.9f);
        o[0] = out.r;
        o[1] = out.g;
        o[2] = out.b;
    }
};
KERNEL(display_shoulder)
