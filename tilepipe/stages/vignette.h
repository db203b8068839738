// Vignette: darker or brighter toward the corners of the final picture, highlights spared.
#pragma once
#include "quick.h"
#include "forms.h"

struct vignette_gain {   // `across`, `down`: (x, y, 1) → distance from the centre, 1 at the furthest corner
    PARAMS(double across[3], down[3]; float stops, reach, inverse_fall, spared, inverse_spared; float weight[3];);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float u = (float)(p.across[0] * x + (p.across[1] * y + p.across[2]));
        const float v = (float)(p.down[0] * x + (p.down[1] * y + p.down[2]));
        const float t = clamp_of((sqrt_of(u * u + v * v) - p.reach) * p.inverse_fall, 0.0f, 1.0f);
        const float corner = t * t * t * (t * (t * 6.0f - 15.0f) + 10.0f);   // no crease at either end
        const float root = sqrt_of(max_of(p.weight[0] * r + p.weight[1] * g + p.weight[2] * b, 0.0f));
        const float bright = clamp_of((root - p.spared) * p.inverse_spared, 0.0f, 1.0f);
        const float gain = quick_exp2(p.stops * corner * (1.0f - bright * bright * (3.0f - 2.0f * bright)));
        o[0] = r * gain;
        o[1] = g * gain;
        o[2] = b * gain;
    }
};
KERNEL(vignette_gain)
