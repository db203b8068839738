// Bringing a colour into 0..1 by drawing it toward the grey of its own luminance, all channels together.
#pragma once
#include "forms.h"

struct GamutColour { float r, g, b; };

FN float gamut_luminance(GamutColour v, const float* weight) { return weight[0] * v.r + weight[1] * v.g + weight[2] * v.b; }
FN float gamut_most(GamutColour v) { return max_of(max_of(v.r, v.g), v.b); }
FN float gamut_least(GamutColour v) { return min_of(min_of(v.r, v.g), v.b); }
FN float gamut_drawn(float v, float grey, float share) { return grey + (v - grey) * share; }

// A channel below `floor` of the luminance comes closer to 0 and never reaches it; `floor` 0: what is negative becomes 0.
// No light, or less than none, is black.
FN GamutColour gamut_from_below(GamutColour v, const float* weight, float floor) {
    const float y = gamut_luminance(v, weight);
    const float share = gamut_least(v) / (y > 0.0f ? y : 1.0f);
    const bool light = y > 0.0f, beyond = share < floor;
    const float kept = floor * floor / (beyond ? 2.0f * floor - share : 1.0f);
    const float pull = (1.0f - kept) / (beyond ? 1.0f - share : 1.0f);
    v.r = beyond ? gamut_drawn(v.r, y, pull) : v.r;
    v.g = beyond ? gamut_drawn(v.g, y, pull) : v.g;
    v.b = beyond ? gamut_drawn(v.b, y, pull) : v.b;
    return {light ? v.r : 0.0f, light ? v.g : 0.0f, light ? v.b : 0.0f};
}

// Likewise at the top, from `knee` of the way between the luminance's grey and 1; `knee` 1: what exceeds 1 becomes 1.
FN GamutColour gamut_from_above(GamutColour v, const float* weight, float knee) {
    const float y = min_of(gamut_luminance(v, weight), 1.0f), top = gamut_most(v) - y, room = 1.0f - y;
    const float over = top - knee * room, last = (1.0f - knee) * room;
    const float kept = room - last * last / (max_of(over, 0.0f) + last + 1e-30f);
    const float pull = kept / (top > 0.0f ? top : 1.0f);
    const bool beyond = over > 0.0f;
    v.r = beyond ? gamut_drawn(v.r, y, pull) : v.r;
    v.g = beyond ? gamut_drawn(v.g, y, pull) : v.g;
    v.b = beyond ? gamut_drawn(v.b, y, pull) : v.b;
    return {clamp_of(v.r, 0.0f, 1.0f), clamp_of(v.g, 0.0f, 1.0f), clamp_of(v.b, 0.0f, 1.0f)};
}
