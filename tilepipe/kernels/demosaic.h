// Demosaicing of a Bayer mosaic: directional filtering with a posteriori decision and refining.
//
// Menon, Andriani, Calvagno, "Demosaicing with directional filtering and a posteriori decision", IEEE Transactions on
// Image Processing 16(1), 2007. The paper's six steps work on colour differences and are linear once the direction is
// chosen; written out, they are four passes over planes of differences:
//   1. demosaic_candidates  mosaic → own − green at every red and blue site, green filtered along rows and along columns
//   2. demosaic_direction   the smoother of the two (their variation over a 5×5 neighbourhood) and which one it was
//   3. demosaic_refine      own − green after refining; and the sum that the other colour's refining needs
//   4. demosaic_colours     red, green, blue
// Each pass reaches 2 px, all of them 8 px. Differences at green sites are 0. The border is mirrored without repeating
// the rim, which keeps the mosaic's phase; beyond the picture nothing counts as variation (pass 2).
// Passes 1–3 work on code values above the pedestal: for integers up to 16 bits the decisions of pass 2 are then exact.
// The phase is that of the picture's red sites: `red_y`, `red_x` are the row and column, 0 or 1, of the first of them.
#pragma once
#include "forms.h"

struct mosaic_pedestal {   // code values → code values above the pedestal of their place in the 2×2 cell
    PARAMS(float black[4];);
    FORM_OF(uint16_t, float, 1, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float even = (y & 1) ? p.black[2] : p.black[0], odd = (y & 1) ? p.black[3] : p.black[1];
        o[0] = (float)a(0, 0, 0) - ((x & 1) ? odd : even);
    }
};
KERNEL(mosaic_pedestal)

struct demosaic_candidates {
    PARAMS(int red_y, red_x;);
    FORM(1, 2, 2, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const bool green = ((y ^ x ^ p.red_y ^ p.red_x) & 1) != 0;
        const float own = 0.5f * a(0, 0, 0);
        const float rows = own - 0.5f * (a(0, 0, -1) + a(0, 0, 1)) + 0.25f * (a(0, 0, -2) + a(0, 0, 2));
        const float cols = own - 0.5f * (a(0, -1, 0) + a(0, 1, 0)) + 0.25f * (a(0, -2, 0) + a(0, 2, 0));
        o[0] = green ? 0.0f : rows;
        o[1] = green ? 0.0f : cols;
    }
};
KERNEL(demosaic_candidates)

struct demosaic_direction {   // (rows, cols) → (own − green, 1 where it was filtered along the row)
    PARAMS(int height, width;);
    FORM(2, 2, 2, 1);
    template <class A> static FN float across(A a, int dy, int dx) { return abs_of(a(0, dy, dx) - a(0, dy, dx + 2)); }
    template <class A> static FN float along(A a, int dy, int dx) { return abs_of(a(1, dy, dx) - a(1, dy + 2, dx)); }
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float up1 = y >= 1 ? 1.0f : 0.0f, up2 = y >= 2 ? 1.0f : 0.0f;
        const float left1 = x >= 1 ? 1.0f : 0.0f, left2 = x >= 2 ? 1.0f : 0.0f;
        const float down1 = y + 1 < p.height ? 1.0f : 0.0f, down2 = y + 2 < p.height ? 1.0f : 0.0f;
        const float right1 = x + 1 < p.width ? 1.0f : 0.0f, right2 = x + 2 < p.width ? 1.0f : 0.0f;
        const float rows =
            3.0f * (left2 * across(a, 0, -2) + across(a, 0, 0)) + left1 * (up1 * across(a, -1, -1) + down1 * across(a, 1, -1)) +
            up2 * (left2 * across(a, -2, -2) + across(a, -2, 0)) + down2 * (left2 * across(a, 2, -2) + across(a, 2, 0));
        const float cols =
            3.0f * (up2 * along(a, -2, 0) + along(a, 0, 0)) + up1 * (left1 * along(a, -1, -1) + right1 * along(a, -1, 1)) +
            left2 * (up2 * along(a, -2, -2) + along(a, 0, -2)) + right2 * (up2 * along(a, -2, 2) + along(a, 0, 2));
        const bool row_wins = cols >= rows;
        o[0] = row_wins ? a(0, 0, 0) : a(1, 0, 0);
        o[1] = row_wins ? 1.0f : 0.0f;
    }
};
KERNEL(demosaic_direction)

struct demosaic_refine {   // (own − green, direction) → (refined own − green, a sixth of the old and a third of the refined)
    PARAMS(int unused;);
    FORM(2, 2, 2, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float centre = a(0, 0, 0);
        const float beside = a(1, 0, 0) > 0.5f ? a(0, 0, -2) + a(0, 0, 2) : a(0, -2, 0) + a(0, 2, 0);
        const float refined = (4.0f * centre + beside) / 6.0f;
        o[0] = refined;
        o[1] = (0.5f * centre + refined) / 3.0f;
    }
};
KERNEL(demosaic_refine)

struct demosaic_colours {   // (mosaic, refined own − green, the sums of pass 3, direction) → red, green, blue ÷ range
    PARAMS(float range; int red_y, red_x;);
    FORM(4, 3, 2, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const bool red_row = ((y ^ p.red_y) & 1) == 0, red_col = ((x ^ p.red_x) & 1) == 0;
        const float own = a(0, 0, 0);
        // at a green site: the colours of its row and of its column
        const float of_row = own + 0.5f * (a(1, 0, -1) + a(1, 0, 1)), of_col = own + 0.5f * (a(1, -1, 0) + a(1, 1, 0));
        // at a red or blue site: green, and the other colour by its difference along the chosen direction
        const float corners = (a(2, -1, -1) + a(2, -1, 1)) + (a(2, 1, -1) + a(2, 1, 1));
        const float beside = a(3, 0, 0) > 0.5f ? a(2, 0, -2) + a(2, 0, 2) : a(2, -2, 0) + a(2, 2, 0);
        const float other = own + 0.5f * corners - 0.5f * (2.0f * a(2, 0, 0) + beside);
        const float green = own - a(1, 0, 0);
        const bool is_green = red_row != red_col;
        const float red = is_green ? (red_row ? of_row : of_col) : (red_row ? own : other);
        const float blue = is_green ? (red_row ? of_col : of_row) : (red_row ? other : own);
        o[0] = red / p.range;
        o[1] = (is_green ? own : green) / p.range;
        o[2] = blue / p.range;
    }
};
KERNEL(demosaic_colours)

// The largest sample of any colour within 2 px ÷ range, because every sample enters every colour. Judged by each colour's
// own samples instead, red and blue beside clipped green came out wrong by up to 44 times (joint: 1.4 times, at single
// pixels), for 7 dB less noise where green alone clips; leaving out colours that clip altogether: 17 times.
struct mosaic_peak {
    PARAMS(float range;);
    FORM(1, 1, 2, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int, int) {
        float most = a(0, 0, 0);
        for (int dy = -2; dy <= 2; dy++)
            for (int dx = -2; dx <= 2; dx++) most = max_of(most, a(0, dy, dx));
        o[0] = most / p.range;
    }
};
KERNEL(mosaic_peak)
