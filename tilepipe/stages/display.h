// From scene-linear light to the display's: a shoulder, a turn toward white, and no channel outside 0..1.
#pragma once
#include "quick.h"
#include "forms.h"
#include "gamut.h"

struct display_shoulder {
    PARAMS(float start, depth, fall, reach, turn; float weight[3];);
    FORM(3, 3, 0, 1);
    // On a GPU what changes nothing is left out: a branch costs less there than divisions and powers that are thrown away.
    static FN float curve(const P& p, float v) {   // 1 − (1 − start)·(1 − z/Z)^Z: see display.py
#if !HOST_ONLY
        if (v <= p.start) return v;
#endif
        const float left = clamp_of(1.0f - (v - p.start) * p.fall, 0.0f, 1.0f);
        const float bent = 1.0f - p.depth * quick_exp2(p.reach * quick_log2(left));
        return v <= p.start ? v : bent;
    }
    // A size of the colour that is the value itself for grey and nearly the largest channel else, without creases. Scaled by a
    // power of two on the way, so that fifth powers neither vanish nor overflow.
    static FN float size(GamutColour v) {
        const int high = bits_of(max_of(gamut_most(v), 1.17549435e-38f)) & 0x7f800000;
        const float down = float_of(0x7f000000 - high), r = v.r * down, g = v.g * down, b = v.b * down;
        const float r4 = (r * r) * (r * r), g4 = (g * g) * (g * g), b4 = (b * b) * (b * b);
        const float fourth = (r4 + g4) + b4, fifth = (r4 * r + g4 * g) + b4 * b;
        return (fifth / (fourth > 0.0f ? fourth : 1.0f)) * float_of(high);
    }
    // The two ways of gamut.h with one division each. From below: 2 % of the luminance; from above: nine tenths of the way to 1;
    // chosen here: early enough to be smooth, late enough to leave the colours of a scene alone.
    static FN GamutColour from_below(GamutColour v, const float* weight) {
        const float y = gamut_luminance(v, weight), least = gamut_least(v), rest = 0.04f * y - least;
        const bool light = y > 0.0f, beyond = least < 0.02f * y;
#if !HOST_ONLY
        if (light && !beyond) return {v.r + 0.0f, v.g + 0.0f, v.b + 0.0f};
#endif
        const float pull = y * (rest - 0.0004f * y) / (light & beyond ? rest * (y - least) : 1.0f);
        const float share = beyond ? pull : 1.0f, grey = light ? y * (1.0f - share) : 0.0f, kept = light ? share : 0.0f;
        return {v.r * kept + grey, v.g * kept + grey, v.b * kept + grey};
    }
    static FN GamutColour from_above(GamutColour v, const float* weight) {
        const float y = min_of(gamut_luminance(v, weight), 1.0f), top = gamut_most(v) - y, room = 1.0f - y;
        const float last = 0.1f * room, over = top - 0.9f * room, span = over + last;
        const bool beyond = over > 0.0f;
#if !HOST_ONLY
        if (!beyond) return {clamp_of(v.r + 0.0f, 0.0f, 1.0f), clamp_of(v.g + 0.0f, 0.0f, 1.0f), clamp_of(v.b + 0.0f, 0.0f, 1.0f)};
#endif
        const float pull = (room * span - last * last) / (beyond ? span * top + 1e-30f : 1.0f);
        const float share = beyond ? pull : 1.0f, grey = y * (1.0f - share);
        return {clamp_of(v.r * share + grey, 0.0f, 1.0f), clamp_of(v.g * share + grey, 0.0f, 1.0f), clamp_of(v.b * share + grey, 0.0f, 1.0f)};
    }
    // One channel on its way to white: by its own curve, where other light has leaked in a little.
    static FN float own(const P& p, float v, float n, float white) { return curve(p, v + (n - v) * (0.05f + 0.1f * white)); }
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const GamutColour v = from_below({a(0, 0, 0), a(1, 0, 0), a(2, 0, 0)}, p.weight);
        const float n = size(v), shown = curve(p, n);
        const float share = shown / (n > 0.0f ? n : 1.0f), gain = n <= p.start ? 1.0f : share;
        const float near = max_of(2.0f * shown - 1.0f, 0.0f);   // from one stop under white on
        const float white = near * near * (3.0f - 2.0f * near);
        // Below, each channel keeps its share of the colour's size. Toward white each goes its own way, which turns hues, or all
        // are mixed with white, as much as brings the least channel to where its own way would.
        const GamutColour kept = {v.r * gain, v.g * gain, v.b * gain};
#if !HOST_ONLY
        if (white == 0.0f) {   // its factors are finite: what is added is 0
            const GamutColour dark = from_above({kept.r + 0.0f, kept.g + 0.0f, kept.b + 0.0f}, p.weight);
            o[0] = dark.r;
            o[1] = dark.g;
            o[2] = dark.b;
            return;
        }
#endif
        const GamutColour turned = {own(p, v.r, n, white), own(p, v.g, n, white), own(p, v.b, n, white)};
        const float least = gamut_least(kept);
        const float mixed = (gamut_least(turned) - least) / max_of(shown - least, 1e-6f) * (1.0f - p.turn);
        const GamutColour made = {
            kept.r + ((turned.r - kept.r) * p.turn + (shown - kept.r) * mixed) * white,
            kept.g + ((turned.g - kept.g) * p.turn + (shown - kept.g) * mixed) * white,
            kept.b + ((turned.b - kept.b) * p.turn + (shown - kept.b) * mixed) * white};
        const GamutColour out = from_above(made, p.weight);
        o[0] = out.r;
        o[1] = out.g;
        o[2] = out.b;
    }
};
KERNEL(display_shoulder)
