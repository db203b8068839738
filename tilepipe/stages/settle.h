// What moved is taken from one frame: how far a pixel belongs to its group, that frame's light without its noise, the mixing.
#pragma once
#include "forms.h"
#include "highlights.h"

struct settle_member {   // a coarse map's weights 0..128 → 0..1: tents between cells' centres
    PARAMS(Plane weight; double per_cell, offset;);   // a pixel's place on the map: y · per_cell + offset, centres at whole numbers
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const Plane& w = p.weight;
        const double row = clamp_of((double)y * p.per_cell + p.offset, 0.0, (double)(w.H - 1));
        const double col = clamp_of((double)x * p.per_cell + p.offset, 0.0, (double)(w.W - 1));
        const int top = clamp_of((int)floor_of(row), w.y0, w.y0 + w.h - 1), left = clamp_of((int)floor_of(col), w.x0, w.x0 + w.w - 1);
        const int below = min_of(top + 1, w.y0 + w.h - 1), right = min_of(left + 1, w.x0 + w.w - 1);
        const float down = (float)(row - (double)top), across = (float)(col - (double)left);
        const uint8_t *upper = row_of<const uint8_t>(w, top) - w.x0, *lower = row_of<const uint8_t>(w, below) - w.x0;
        const float first = (float)upper[left] * (1.0f - across) + (float)upper[right] * across;
        const float second = (float)lower[left] * (1.0f - across) + (float)lower[right] * across;
        o[0] = clamp_of((first * (1.0f - down) + second * down) * (1.0f / 128.0f), 0.0f, 1.0f);
    }
};
KERNEL(settle_member)

// The light of one frame, and, where it clips, at least that of the darker ones: they are laid under it one by one.
struct settle_over {
    // `gain`: light of this frame / light of the one before; this frame's share falls from 1 at `full` to 0 at `none`
    PARAMS(float m[9]; float neutral[3], balance[3]; float per_clip, slope; float gain, full, none;);
    FORM(12, 6, 0, 1);   // what is below: colours, peaks; this frame: colours, peaks → the same in this frame's units
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float peak = max_of(max_of(a(9, 0, 0), a(10, 0, 0)), a(11, 0, 0));
        const float own = clamp_of((p.none - peak) / max_of(p.none - p.full, 1e-6f), 0.0f, 1.0f);
        float bound[3] = {a(6, 0, 0), a(7, 0, 0), a(8, 0, 0)};
        raise_clipped(bound, p.neutral, p.balance, p.per_clip, p.slope);   // what clips is at least so bright, and white
        // what the darker frames show stands, unless it is plainly less than what clips here proves
        const float least = max_of(max_of(bound[0], bound[1]), bound[2]);
        const float shown = max_of(max_of(a(0, 0, 0), a(1, 0, 0)), a(2, 0, 0)) * p.gain;
        const float lifted = clamp_of((0.6f * least - shown) / max_of(0.2f * least, 1e-9f), 0.0f, 1.0f);
        for (int c = 0; c < 3; c++) {
            const float below = a(c, 0, 0) * p.gain, light = below + (bound[c] - below) * lifted;
            const float top = max_of(a(9 + c, 0, 0), a(3 + c, 0, 0) * p.gain);
            o[c] = own >= 1.0f ? a(6 + c, 0, 0) : light + (a(6 + c, 0, 0) - light) * own;
            o[3 + c] = own >= 1.0f ? a(9 + c, 0, 0) : top + (a(9 + c, 0, 0) - top) * own;
        }
    }
};
KERNEL(settle_over)

struct settle_guide {   // the mean of three colours over 3×3 pixels: an edge that noise does not hide shows in it
    PARAMS(int unused;);
    FORM(3, 1, 1, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        float sum = 0.0f;
        for (int dy = -1; dy <= 1; dy++)
            for (int dx = -1; dx <= 1; dx++) sum += (a(0, dy, dx) + a(1, dy, dx)) + a(2, dy, dx);
        o[0] = sum * (1.0f / 27.0f);
    }
};
KERNEL(settle_guide)

// Noise like the surroundings': the variance is brought to `goal` times that of the merge of all frames that see this light,
// by exchange with like pixels within 4 px: o = x + s·Σ w·(x_j − x)/81. Exchange takes from one what it gives to the other, so
// that means stay; where all are alike it leaves (1 − s)² of the variance and what a mean of 81 has: s follows from the goal.
struct settle_quiet {
    // per frame: shot and read noise in base units, what it sees at most; `frame`: the one that is filtered, `light` its light
    // `alike`: a guide's difference in σ up to which pixels are alike; `sharp`: so the pixels' own, for lines finer than a guide
    PARAMS(float shot[16], read[16], most[16], light, goal, alike, sharp; int frames, frame;);
    FORM(4, 3, 4, 1);   // colours, guide → colours
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float guide = a(3, 0, 0), light = max_of(guide, 0.0f) / p.light;
        float precision = 0.0f;
        for (int k = 0; k < 16; k++) {
            const float add = 1.0f / max_of(p.shot[k] * light + p.read[k], 1e-20f);
            precision += k < p.frames && light < p.most[k] ? add : 0.0f;
        }
        const float own = p.shot[p.frame & 15] * light + p.read[p.frame & 15];   // base units
        const float wanted = precision > 0.0f ? clamp_of(p.goal / (precision * max_of(own, 1e-20f)), 0.0f, 1.0f) : 1.0f;
        const float share = wanted < 1.0f ? 1.0f - sqrt_of(wanted) : 0.0f;
        const float slope = 1.0f / max_of(p.alike * sqrt_of(own) * p.light, 1e-20f);
        const float steep = 1.0f / max_of(3.0f * p.sharp * sqrt_of(own) * p.light, 1e-20f);
        const float grey = (a(0, 0, 0) + a(1, 0, 0)) + a(2, 0, 0);
        float sum[3] = {0.0f, 0.0f, 0.0f};
        for (int dy = -4; dy <= 4; dy++) {
            for (int dx = -4; dx <= 4; dx++) {
                const float fine = clamp_of(2.0f - abs_of(((a(0, dy, dx) + a(1, dy, dx)) + a(2, dy, dx)) - grey) * steep, 0.0f, 1.0f);
                const float w = clamp_of(2.0f - abs_of(a(3, dy, dx) - guide) * slope, 0.0f, 1.0f) * fine;
                for (int c = 0; c < 3; c++) sum[c] += w * (a(c, dy, dx) - a(c, 0, 0));
            }
        }
        for (int c = 0; c < 3; c++) o[c] = share > 0.0f ? a(c, 0, 0) + sum[c] * (share * (1.0f / 81.0f)) : a(c, 0, 0);
    }
};
KERNEL(settle_quiet)

struct settle_mean {   // all frames' mean, added up frame by frame: colours and peaks in base units, their weights
    PARAMS(float per_light, full, none;);
    FORM(13, 7, 0, 1);   // sums so far: colours, peaks, weight; the frame's colours and peaks
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float peak = max_of(max_of(a(10, 0, 0), a(11, 0, 0)), a(12, 0, 0));
        const float own = clamp_of((p.none - peak) / max_of(p.none - p.full, 1e-6f), 0.0f, 1.0f);
        for (int c = 0; c < 6; c++) o[c] = a(c, 0, 0) + own * a(7 + c, 0, 0) * p.per_light;
        o[6] = a(6, 0, 0) + own;
    }
};
KERNEL(settle_mean)

struct settle_divide {   // the sums' means; where no frame counted, what is given instead, times `gain`
    PARAMS(float gain;);
    FORM(13, 6, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        for (int c = 0; c < 6; c++) o[c] = a(6, 0, 0) > 0.0f ? a(c, 0, 0) / a(6, 0, 0) : a(7 + c, 0, 0) * p.gain;
    }
};
KERNEL(settle_divide)

struct settle_mix {   // (1 − m)·own + m·settled·gain, exact at 0 and 1
    PARAMS(float gain;);
    FORM(3, 1, 0, 1);   // own, settled, membership
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        const float m = a(2, 0, 0), settled = a(1, 0, 0) * p.gain;
        o[0] = m <= 0.0f ? a(0, 0, 0) : m >= 1.0f ? settled : a(0, 0, 0) * (1.0f - m) + settled * m;
    }
};
KERNEL(settle_mix)

struct settle_share {   // a membership where the frame is covered, as a part of what later ones leave: they are mixed in after it
    PARAMS(int unused;);
    FORM(3, 2, 0, 1);   // membership, the frame's coverage, what later ones take → the part, what all take so far
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float m = a(1, 0, 0) >= 1.0f ? a(0, 0, 0) : 0.0f, later = a(2, 0, 0);
        o[0] = later <= 0.0f ? m : clamp_of(m / max_of(1.0f - later, 1e-6f), 0.0f, 1.0f);
        o[1] = min_of(later + m, 1.0f);
    }
};
KERNEL(settle_share)
