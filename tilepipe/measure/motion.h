// Where two matched frames disagree beyond noise: pixel by pixel, then as counts per cell.
//
// Values in base units, y = x / light, Var(y) = shot·y + read with both constants in base units; a pixel's variance test
// counts both frames' noise (survey: Tursun, Akyüz, Erdem, Erdem, "The state of the art in HDR deghosting", CGF 34(2) 2015).
// A pixel disagrees where either frame's value lies farther than T outside what the other would show displaced by
// `displaced` px: by that part of the largest step to a neighbour, up or down. What alignment and resampling leave explains
// itself so, a twig that is elsewhere does not. A colour that clips is at least so bright: what is plainly darker disagrees.
#pragma once
#include "forms.h"
#include "exact.h"

struct motion_around {   // the mean of green within 4 px
    PARAMS(int unused;);
    FORM(1, 1, 4, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        float sum = 0.0f;
        for (int dy = -4; dy <= 4; dy++)
            for (int dx = -4; dx <= 4; dx++) sum += a(0, dy, dx);
        o[0] = sum * (1.0f / 81.0f);
    }
};
KERNEL(motion_around)

// Light that no picture holds: with it, sums overflow, and compilers do not agree on what becomes of an infinity.
FN float motion_bounded(float v) { return clamp_of(v, -1e12f, 1e12f); }

struct motion_differs {
    // both frames: 1 / light, the noise's two constants, the value from which a peak and below which a value says
    // nothing; T = `sigmas`·σ +
    // `contrast`·y; `joint`: 1 where one clipped colour spoils the others, else 0.
    // `relative`: 1 where the frame is first made as bright as the reference is around (up to 2 stops), else 0.
    PARAMS(float per_light[2], shot[2], read[2], limit[2], least[2], sigmas, contrast, displaced, joint, relative;);
    FORM(16, 4, 1, 1);   // reference: colours, peaks, coverage; the frame's; green around, of both → verdict, mean z, Σ difference, Σ level
    // verdict: 0 says nothing, 1 agrees, 2 agrees and has texture, 3 disagrees
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float peak[2] = {0.0f, 0.0f};
        for (int f = 0; f < 2; f++) peak[f] = max_of(max_of(a(7 * f + 3, 0, 0), a(7 * f + 4, 0, 0)), a(7 * f + 5, 0, 0));
        const float covered = a(6, 0, 0) >= 1.0f && a(13, 0, 0) >= 1.0f ? 1.0f : 0.0f;
        const float around = motion_bounded(a(14, 0, 0)) * p.per_light[0] / max_of(motion_bounded(a(15, 0, 0)) * p.per_light[1], 1e-9f);
        const float gain[2] = {1.0f, p.relative > 0.0f ? clamp_of(around, 0.25f, 4.0f) : 1.0f};
        float seen = 0.0f, say = 0.0f, apart = 0.0f, rough = 0.0f, z = 0.0f, difference = 0.0f, level = 0.0f;
        for (int c = 0; c < 3; c++) {
            float y[2], variance[2], low[2], high[2], range[2], use = covered, bound[2], open[2];
            for (int f = 0; f < 2; f++) {
                const int plane = 7 * f + c;
                const float unit = p.per_light[f] * gain[f];
                const float own_light = motion_bounded(a(plane, 0, 0));
                y[f] = own_light * unit;
                variance[f] = p.shot[f] * max_of(y[f], 0.0f) + p.read[f];
                float least = a(plane, 0, 0), most = least;
                for (int dy = -1; dy <= 1; dy++) {
                    for (int dx = -1; dx <= 1; dx++) {
                        least = min_of(least, a(plane, dy, dx));
                        most = max_of(most, a(plane, dy, dx));
                    }
                }
                least = motion_bounded(least);
                most = motion_bounded(most);
                const float slack = max_of(most - own_light, own_light - least) * p.displaced;
                low[f] = (own_light - slack) * unit;
                high[f] = most < p.limit[f] ? (own_light + slack) * unit : 1e30f;   // what clips may be brighter
                range[f] = (most - least) * unit;
                const float own = max_of(a(7 * f + 3 + c, 0, 0), peak[f] * p.joint);
                const float says = own < p.limit[f] && own_light >= p.least[f] ? 1.0f : 0.0f;
                use *= says;
                open[f] = says * covered;
                bound[f] = own_light >= p.limit[f] ? covered : 0.0f;   // the colour itself clips: it is at least so bright
            }
            const float sigma = sqrt_of(variance[0] + variance[1]);
            const float most = max_of(y[0], y[1]), far = p.sigmas * sigma + p.contrast * most;
            const float first = max_of(low[0] - y[1], y[1] - high[0]), second = max_of(low[1] - y[0], y[0] - high[1]);
            const float texture = range[0] - 6.0f * sqrt_of(variance[0]) - 0.1f * most;
            const float own0 = p.relative > 0.0f ? 0.5f * y[0] : low[0];   // (an encoded frame's highlights are a guess too)
            const float own1 = p.relative > 0.0f ? 0.5f * y[1] / gain[1] : low[1], other = y[1] / gain[1];
            const float below = max_of(open[1] * bound[0] * (own0 - other - far), open[0] * bound[1] * (own1 - y[0] - far));
            apart = use * (max_of(first, second) - far) > 0.0f || below > 0.0f ? 1.0f : apart;
            say = below > 0.0f ? 1.0f : say;
            rough = use * texture > 0.0f ? 1.0f : rough;
            seen += use;
            z += use * clamp_of((y[1] - y[0]) / max_of(sigma, 1e-12f), -16.0f, 16.0f);
            difference += use * clamp_of(y[1] - y[0], -1e6f, 1e6f);
            level += use * clamp_of(most, 0.0f, 1e6f);
        }
        o[0] = max_of(seen, say) <= 0.0f ? 0.0f : apart > 0.0f ? 3.0f : rough > 0.0f ? 2.0f : 1.0f;
        o[1] = z / max_of(seen, 1.0f);
        o[2] = difference;
        o[3] = level;
    }
};
KERNEL(motion_differs)

struct motion_cells {   // cells of `cell` px: pixels that disagree, that say anything, drift of the mean, textured agreement
    // drift in 1/32 of the threshold: the mean differs by `noise`·σ/√n and by `contrast` of the level, whichever is farther
    PARAMS(Plane verdict; Plane z; Plane difference; Plane level; int cell; float noise, contrast;);
    FORM_OF(float, uint8_t, 0, 4, 0, 1);
    template <class A> static FN void at(A, uint8_t* o, const P& p, int y, int x) {
        const Plane& v = p.verdict;
        const int top = max_of(y * p.cell, v.y0), bottom = min_of(y * p.cell + p.cell, v.y0 + v.h);
        const int left = max_of(x * p.cell, v.x0), right = min_of(x * p.cell + p.cell, v.x0 + v.w);
        int apart = 0, seen = 0, rough = 0;
        double z = 0.0, difference = 0.0, level = 0.0;
        for (int r = top; r < bottom; r++) {
            const float* verdict = row_of<const float>(v, r) - v.x0;
            const float* zs = row_of<const float>(p.z, r) - v.x0;
            const float* differences = row_of<const float>(p.difference, r) - v.x0;
            const float* levels = row_of<const float>(p.level, r) - v.x0;
            for (int c = left; c < right; c++) {
                apart += verdict[c] >= 3.0f ? 1 : 0;
                seen += verdict[c] >= 1.0f ? 1 : 0;
                rough += verdict[c] >= 2.0f && verdict[c] < 3.0f ? 1 : 0;
                z += (double)zs[c];
                difference += (double)differences[c];
                level += (double)levels[c];
            }
        }
        const double count = seen > 0 ? (double)seen : 1.0;
        const double by_noise = abs_of(z) / (sqrt_of(count) * max_of((double)p.noise, 1e-6));
        const double by_contrast = abs_of(difference) / (max_of(level, 1e-12) * max_of((double)p.contrast, 1e-6));
        o[0] = (uint8_t)min_of(apart, 255);
        o[1] = (uint8_t)min_of(seen, 255);
        o[2] = (uint8_t)(int)floor_of(clamp_of(min_of(by_noise, by_contrast) * 32.0, 0.0, 255.0));
        o[3] = (uint8_t)min_of(rough, 255);
    }
};
KERNEL(motion_cells)

struct motion_clipped {   // pixels of a cell whose brightest peak reaches `limit`; 8·log2 + 192 of green's mean in base units
    PARAMS(Plane peak[3]; Plane green; int cell; float limit, per_light;);
    FORM_OF(float, uint8_t, 0, 2, 0, 1);
    template <class A> static FN void at(A, uint8_t* o, const P& p, int y, int x) {
        const Plane& v = p.peak[0];
        const int top = max_of(y * p.cell, v.y0), bottom = min_of(y * p.cell + p.cell, v.y0 + v.h);
        const int left = max_of(x * p.cell, v.x0), right = min_of(x * p.cell + p.cell, v.x0 + v.w);
        int count = 0, pixels = 0;
        double sum = 0.0;
        for (int r = top; r < bottom; r++) {
            const float* own = row_of<const float>(p.green, r) - v.x0;
            const float* red = row_of<const float>(p.peak[0], r) - v.x0;
            const float* green = row_of<const float>(p.peak[1], r) - v.x0;
            const float* blue = row_of<const float>(p.peak[2], r) - v.x0;
            for (int c = left; c < right; c++) {
                count += max_of(max_of(red[c], green[c]), blue[c]) >= p.limit ? 1 : 0;
                sum += (double)clamp_of(own[c], -1.0f, 1e6f);
                pixels++;
            }
        }
        const float mean = (float)(sum / (double)max_of(pixels, 1)) * p.per_light;
        o[0] = (uint8_t)min_of(count, 255);
        o[1] = (uint8_t)(int)rint_of(clamp_of(8.0f * log2_f(clamp_of(mean, 1e-8f, 1e8f)) + 192.0f, 0.0f, 255.0f));
    }
};
KERNEL(motion_clipped)
