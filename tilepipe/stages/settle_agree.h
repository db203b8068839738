// Where a frame shows the same as the one that a group is taken from, within noise: there it may keep its own light.
//
// Compared are means, in base units, whose noise is known: of 3×3 pixels and three colours, of all within 4 px, and of those
// among them that are like the middle in the frame of reference. What clips is at least so bright: it agrees unless the reference is plainly darker.
#pragma once
#include "forms.h"

struct settle_seen {   // colours, peaks → the mean of 3×3 pixels in base units, one sample's variance (negative: something clips there)
    PARAMS(float per_light, shot, read, limit;);
    FORM(6, 2, 1, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float sum = 0.0f, peak = 0.0f;
        for (int dy = -1; dy <= 1; dy++) {
            for (int dx = -1; dx <= 1; dx++) {
                sum += (a(0, dy, dx) + a(1, dy, dx)) + a(2, dy, dx);
                peak = max_of(peak, max_of(max_of(a(3, dy, dx), a(4, dy, dx)), a(5, dy, dx)));
            }
        }
        const float mean = clamp_of(sum * (1.0f / 27.0f) * p.per_light, -1e12f, 1e12f);
        o[0] = mean;
        const float variance = p.shot * max_of(mean, 0.0f) + p.read;
        o[1] = peak >= p.limit ? -variance : variance;
    }
};
KERNEL(settle_seen)

struct settle_brighter {   // mean and variance so far, a brighter frame's → the brighter one's where it sees
    PARAMS(int unused;);
    FORM(4, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        o[0] = a(3, 0, 0) >= 0.0f ? a(2, 0, 0) : a(0, 0, 0);
        o[1] = a(3, 0, 0) >= 0.0f ? a(3, 0, 0) : a(1, 0, 0);
    }
};
KERNEL(settle_brighter)

struct settle_toward {   // mean and variance, another's, how far it agrees → the mixture of both
    PARAMS(int unused;);
    FORM(5, 2, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float k = a(4, 0, 0);
        for (int c = 0; c < 2; c++) o[c] = k <= 0.0f ? a(c, 0, 0) : k >= 1.0f ? a(2 + c, 0, 0) : a(c, 0, 0) * (1.0f - k) + a(2 + c, 0, 0) * k;
    }
};
KERNEL(settle_toward)

struct settle_agrees {   // mean and variance of the reference and of a frame → 1 agrees … 0 does not
    // one sample's σ times `here` or `around`: how far means may be apart; `level`: a part of the light that may be, too
    PARAMS(float alike, here, around, level;);
    FORM(4, 1, 4, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float guide = a(0, 0, 0), own = max_of(a(1, 0, 0), 0.0f), sigma = sqrt_of(max_of(own + abs_of(a(3, 0, 0)), 1e-20f));
        const float slope = 1.0f / max_of(p.alike * sqrt_of(own), 1e-20f);
        float sum = 0.0f, weight = 0.0f, all = 0.0f, noise = 0.0f;
        for (int dy = -4; dy <= 4; dy++) {
            for (int dx = -4; dx <= 4; dx++) {
                const float w = clamp_of(2.0f - abs_of(a(0, dy, dx) - guide) * slope, 0.0f, 1.0f);
                const float difference = a(2, dy, dx) - a(0, dy, dx);
                sum += w * difference;
                weight += w;
                all += difference;
                noise += abs_of(a(1, dy, dx)) + abs_of(a(3, dy, dx));
            }
        }
        const float may = p.level * max_of(guide, a(2, 0, 0)), darker = a(3, 0, 0) < 0.0f ? 0.0f : -1.0f;
        const float here = a(2, 0, 0) - guide, around = sum / weight, mean = all * (1.0f / 81.0f);
        const float near = max_of(here, here * darker) - may, far = max_of(around, around * darker) - may;
        const float spread = sigma * 9.0f / sqrt_of(weight), even = sqrt_of(max_of(noise * (1.0f / 81.0f), 1e-20f));
        const float wide = max_of(mean, mean * darker) - may;
        const float apart = max_of(max_of(near / (p.here * sigma), far / (p.around * spread)), wide / (p.around * even));
        o[0] = a(1, 0, 0) < 0.0f ? 0.0f : clamp_of(2.0f - apart * 2.0f, 0.0f, 1.0f);
    }
};
KERNEL(settle_agrees)

struct settle_least {   // the least of 3×3 pixels
    PARAMS(int unused;);
    FORM(1, 1, 1, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        float least = a(0, 0, 0);
        for (int dy = -1; dy <= 1; dy++)
            for (int dx = -1; dx <= 1; dx++) least = min_of(least, a(0, dy, dx));
        o[0] = least;
    }
};
KERNEL(settle_least)

// The least of 3×3 pixels; what clips agrees no more than a frame that does not clip there, brighter than the chosen one, does.
struct settle_bounded {
    PARAMS(int unused;);
    FORM(5, 1, 1, 1);   // agreement, the frame's variance, the bright frame's agreement and mean, the chosen frame's mean
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        float least = a(0, 0, 0);
        for (int dy = -1; dy <= 1; dy++)
            for (int dx = -1; dx <= 1; dx++) least = min_of(least, a(0, dy, dx));
        const float bound = a(3, 0, 0) == a(4, 0, 0) ? 0.0f : a(2, 0, 0);
        o[0] = a(1, 0, 0) < 0.0f ? min_of(least, bound) : least;
    }
};
KERNEL(settle_bounded)

struct settle_open {   // of a membership what a frame does not keep
    PARAMS(int unused;);
    FORM(2, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) { o[0] = a(0, 0, 0) * (1.0f - a(1, 0, 0)); }
};
KERNEL(settle_open)
