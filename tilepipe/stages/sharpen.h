// Sharpening of luminance: detail against a small blur, silent below the noise, kept within the range around.
#pragma once
#include "exact.h"
#include "forms.h"

struct sharpen_root {   // red, green, blue → the square root of luminance, in which steps look more alike
    PARAMS(float weight[3];);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        o[0] = sqrt_of(max_of(p.weight[0] * a(0, 0, 0) + p.weight[1] * a(1, 0, 0) + p.weight[2] * a(2, 0, 0), 0.0f));
    }
};
KERNEL(sharpen_root)

// Seven taps around `v`: its own and those one, two and three away, as a change from `v`, so that even places stay exactly even.
FN float sharpen_blur(const float* taps, float v, float ones, float twos, float threes) {
    return v + (((ones - 2.0f * v) * taps[0] + (twos - 2.0f * v) * taps[1]) + (threes - 2.0f * v) * taps[2]);
}

struct sharpen_across {   // root → blurred across, least and most of three
    PARAMS(float taps[3];);
    FORM(1, 3, 3, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float v = a(0, 0, 0), left = a(0, 0, -1), right = a(0, 0, 1);
        o[0] = sharpen_blur(p.taps, v, left + right, a(0, 0, -2) + a(0, 0, 2), a(0, 0, -3) + a(0, 0, 3));
        o[1] = min_of(v, min_of(left, right));
        o[2] = max_of(v, max_of(left, right));
    }
};
KERNEL(sharpen_across)

struct sharpen_gain {   // blurred, least, most, root → the factor of all three channels; `noise`: a variance over luminance, as powers
    PARAMS(float noise[3]; float dark; float taps[3]; float amount, overshoot;);
    FORM(4, 1, 3, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float blurred = sharpen_blur(p.taps, a(0, 0, 0), a(0, -1, 0) + a(0, 1, 0), a(0, -2, 0) + a(0, 2, 0),
                                           a(0, -3, 0) + a(0, 3, 0));
        const float low = min_of(a(1, 0, 0), min_of(a(1, -1, 0), a(1, 1, 0))), high = max_of(a(2, 0, 0), max_of(a(2, -1, 0), a(2, 1, 0)));
        const float root = a(3, 0, 0), detail = root - blurred, luminance = blurred * blurred;
        // A root's variance is the light's ÷ 4 light. Nothing up to the noise, everything from twice as much on.
        const float variance = p.noise[0] + luminance * (p.noise[1] + luminance * p.noise[2]);
        const float share = detail * detail * 4.0f * max_of(luminance, p.dark) / max_of(variance, 1e-30f);
        const float over = clamp_of(sqrt_of(share) - 1.0f, 0.0f, 1.0f);
        const float beyond = (high - low) * p.overshoot;
        const float sharp = root + p.amount * (over * over * (3.0f - 2.0f * over)) * detail;
        const float kept = clamp_of(sharp, max_of(low - beyond, 0.0f), high + beyond) / max_of(root, 1e-6f);
        o[0] = root > 1e-6f ? min_of(kept * kept, 16.0f) : 1.0f;
    }
};
KERNEL(sharpen_gain)

struct sharpen_apply {   // factor, red, green, blue → channels that do not exceed 1 by it
    PARAMS(int unused;);
    FORM(4, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float most = max_of(max_of(a(1, 0, 0), a(2, 0, 0)), a(3, 0, 0));
        const float gain = min_of(a(0, 0, 0), max_of(1.0f / max_of(most, 1e-6f), 1.0f));
        for (int c = 0; c < 3; c++) o[c] = a(c + 1, 0, 0) * gain;
    }
};
KERNEL(sharpen_apply)
