// Demosaicing of a Bayer mosaic: directional filtering with a posteriori decision and refining, on balanced samples.
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
//
// Colour differences are smooth where the colours are equal in size. So red and blue are first brought to the size of
// green by the ratio of their means nearby (mosaic_columns, mosaic_ratios: 4 px more; mosaic_balanced), and pass 4 is
// demosaic_bounded: what was interpolated stays between its nearest samples of that colour and what was sensed at the
// place itself. Without this a twig before bright sky takes on the sky's colour difference, which in a camera's own
// colours is green. Structures thinner than the sampling still leave single pixels of any colour. Medians of colour
// differences take those away (Freeman, US patent 4724395, 1988; Lu and Tan, "Color filter array demosaicking: new method
// and performance measures", IEEE Transactions on Image Processing 12(10), 2003); here medians of ratios, which do not grow with
// the light behind a twig, and only in places darker than their surroundings, twice (demosaic_thin, demosaic_settled: 4 px
// more). Then every colour returns to its own size. What was sensed is never changed.
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

// Whose sample a site holds, as masks: all ones where it is so. What is chosen by a mask has been computed for every pixel, and
// bits are chosen, not branches taken: so compilers make vectors of it.
struct DemosaicSite {
    int red_row, red_col;
    FN DemosaicSite(int y, int x, int red_y, int red_x) : red_row(((y ^ red_y) & 1) - 1), red_col(((x ^ red_x) & 1) - 1) {}
    FN int green() const { return red_row ^ red_col; }
    FN int red() const { return red_row & red_col; }
    FN int blue() const { return ~(red_row | red_col); }
};
FN float either(int mask, float yes, float no) { return float_of((bits_of(yes) & mask) | (bits_of(no) & ~mask)); }

struct mosaic_columns {   // binomial sums along the column: of the own row's kind, of the other rows' kind
    PARAMS(int unused;);
    FORM(1, 2, 4, 1);
    template <class A> static FN void at(A a, float* o, const P&, int, int) {
        const float far = a(0, -4, 0) + a(0, 4, 0), near = a(0, -2, 0) + a(0, 2, 0);
        o[0] = far + 28.0f * near + 70.0f * a(0, 0, 0);
        o[1] = 8.0f * (a(0, -3, 0) + a(0, 3, 0)) + 56.0f * (a(0, -1, 0) + a(0, 1, 0));
    }
};
KERNEL(mosaic_columns)

// Both sums → mean green ÷ mean red and mean green ÷ mean blue over 9×9 binomial weights. Where green is `least` bright the
// ratios of the light as shot (`red`, `blue`) weigh as much, and more in darker places, by the square of the light.
struct mosaic_ratios {
    PARAMS(float red, blue, least; int red_y, red_x;);
    FORM(2, 2, 4, 1);
    template <class A> static FN float own(A a, int c) {
        return (a(c, 0, -4) + a(c, 0, 4)) + 28.0f * (a(c, 0, -2) + a(c, 0, 2)) + 70.0f * a(c, 0, 0);
    }
    template <class A> static FN float other(A a, int c) {
        return 8.0f * (a(c, 0, -3) + a(c, 0, 3)) + 56.0f * (a(c, 0, -1) + a(c, 0, 1));
    }
    static FN float ratio(float green, float colour, float as_shot, float least) {
        const float seen = max_of(green, 0.0f), grey = least * least;
        return (seen * seen + grey) / (seen * max_of(colour, 0.0f) + grey / as_shot);
    }
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const DemosaicSite site(y, x, p.red_y, p.red_x);
        const float here = own(a, 0), beside = other(a, 0), below = own(a, 1), across = other(a, 1);
        const float at_colour = 0.5f * (beside + below), at_green = 0.5f * (here + across);
        const float green = either(site.green(), at_green, at_colour) / 16384.0f;
        const float of_row = either(site.green(), beside, here), of_others = either(site.green(), below, across);
        o[0] = ratio(green, either(site.red_row, of_row, of_others) / 16384.0f, p.red, p.least);
        o[1] = ratio(green, either(site.red_row, of_others, of_row) / 16384.0f, p.blue, p.least);
    }
};
KERNEL(mosaic_ratios)

struct mosaic_balanced {   // (mosaic, ratios) → red and blue samples of green's size
    PARAMS(int red_y, red_x;);
    FORM(3, 1, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const DemosaicSite site(y, x, p.red_y, p.red_x);
        const float sensed = a(0, 0, 0);
        o[0] = either(site.green(), sensed, sensed * either(site.red(), a(1, 0, 0), a(2, 0, 0)));
    }
};
KERNEL(mosaic_balanced)

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

struct DemosaicGuess {   // what was not sensed at a site
    float of_row, of_col;   // at a green site: the colours of its row and of its column
    float green, other;     // at a red or blue site: green, and the other colour by its difference along the chosen direction
    template <class A> FN explicit DemosaicGuess(A a) {   // (mosaic, refined own − green, the sums of pass 3, direction)
        const float own = a(0, 0, 0);
        of_row = own + 0.5f * (a(1, 0, -1) + a(1, 0, 1));
        of_col = own + 0.5f * (a(1, -1, 0) + a(1, 1, 0));
        const float corners = (a(2, -1, -1) + a(2, -1, 1)) + (a(2, 1, -1) + a(2, 1, 1));
        const float beside = a(3, 0, 0) > 0.5f ? a(2, 0, -2) + a(2, 0, 2) : a(2, -2, 0) + a(2, 2, 0);
        other = own + 0.5f * corners - 0.5f * (2.0f * a(2, 0, 0) + beside);
        green = own - a(1, 0, 0);
    }
    FN void place(const DemosaicSite& site, float own, float* o) const {
        o[0] = either(site.green(), either(site.red_row, of_row, of_col), either(site.red_row, own, other));
        o[1] = either(site.green(), own, green);
        o[2] = either(site.green(), either(site.red_row, of_col, of_row), either(site.red_row, other, own));
    }
};

struct demosaic_colours {   // (mosaic, refined own − green, the sums of pass 3, direction) → red, green, blue ÷ range
    PARAMS(float range; int red_y, red_x;);
    FORM(4, 3, 2, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        DemosaicGuess(a).place(DemosaicSite(y, x, p.red_y, p.red_x), a(0, 0, 0), o);
        for (int c = 0; c < 3; c++) o[c] = o[c] / p.range;
    }
};
KERNEL(demosaic_colours)

// (balanced mosaic, refined own − green, the sums of pass 3, direction) → green, red ÷ green, blue ÷ green
struct demosaic_bounded {
    PARAMS(float slack, faint; int red_y, red_x;);
    FORM(4, 3, 2, 1);
    struct Bounds {
        float low, high;
        FN void with(float v, float slack) { low = min_of(low, v - slack); high = max_of(high, v + slack); }
        FN float hold(float v) const { return min_of(max_of(v, low), high); }
    };
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const DemosaicSite site(y, x, p.red_y, p.red_x);
        const float own = a(0, 0, 0);
        DemosaicGuess guess(a);
        Bounds row{own - p.slack, own + p.slack}, col = row, corner = row;
        row.with(a(0, 0, -1), p.slack);
        row.with(a(0, 0, 1), p.slack);
        col.with(a(0, -1, 0), p.slack);
        col.with(a(0, 1, 0), p.slack);
        guess.of_row = row.hold(guess.of_row);
        guess.of_col = col.hold(guess.of_col);
        row.with(col.low, 0.0f);
        row.with(col.high, 0.0f);
        guess.green = row.hold(guess.green);
        corner.with(guess.green, p.slack);
        for (int i = 0; i < 4; i++) corner.with(a(0, (i & 2) - 1, 2 * (i & 1) - 1), p.slack);
        guess.other = corner.hold(guess.other);
        float colours[3];
        guess.place(site, own, colours);
        const float light = max_of(colours[1], 0.0f) + p.faint;
        o[0] = colours[1];
        o[1] = (colours[0] + p.faint) / light;
        o[2] = (colours[2] + p.faint) / light;
    }
};
KERNEL(demosaic_bounded)

// How dark a place is beside the brightest of 3×3. `least` is added to both, so that noise in black does not pass for a twig.
template <class A> FN float demosaic_dark(A a, int green, float least) {
    float most = 0.0f;
    for (int dy = -1; dy <= 1; dy++)
        for (int dx = -1; dx <= 1; dx++) most = max_of(most, a(green, dy, dx));
    return (most + least) / (max_of(a(green, 0, 0), 0.0f) + least);
}
FN float demosaic_weight(float dark, float from, float to) { return clamp_of((dark - from) / (to - from), 0.0f, 1.0f); }

// The median of what lies within two steps along rows and columns and one step along diagonals. Floats of one sign are ordered
// as their bits are, and compilers make vectors of integers' order; below 0 counts as 0.
struct DemosaicMedian {
    static FN void sort(int& a, int& b) {
        const int low = min_of(a, b);
        b = max_of(a, b);
        a = low;
    }
    template <class A> static FN int at(A a, int c, int dy, int dx) { return max_of(bits_of(a(c, dy, dx)), 0); }
    // In 8 places: smallest and largest of what is held are found, then the next sample takes the place of one and the other
    // falls out of use, for neither can be the median.
    template <class A> static FN float of(A a, int c) {
        int v0 = at(a, c, 0, 0), v1 = at(a, c, 0, -1), v2 = at(a, c, 0, 1), v3 = at(a, c, -1, 0);
        int v4 = at(a, c, 1, 0), v5 = at(a, c, -1, -1), v6 = at(a, c, -1, 1), v7 = at(a, c, 1, -1);
        sort(v0, v1), sort(v2, v3), sort(v4, v5), sort(v6, v7);
        sort(v0, v2), sort(v4, v6), sort(v0, v4), sort(v1, v3), sort(v5, v7), sort(v3, v7);
        v0 = at(a, c, 1, 1);   // v7 falls out
        sort(v0, v1), sort(v2, v3), sort(v4, v5), sort(v0, v2), sort(v4, v6), sort(v0, v4), sort(v1, v3), sort(v5, v6), sort(v3, v6);
        v0 = at(a, c, 0, -2);   // v6
        sort(v0, v1), sort(v2, v3), sort(v4, v5), sort(v0, v2), sort(v0, v4), sort(v1, v3), sort(v3, v5);
        v0 = at(a, c, 0, 2);   // v5
        sort(v0, v1), sort(v2, v3), sort(v0, v2), sort(v0, v4), sort(v1, v3), sort(v3, v4);
        v0 = at(a, c, -2, 0);   // v4
        sort(v0, v1), sort(v2, v3), sort(v0, v2), sort(v1, v3);
        v0 = at(a, c, 2, 0);   // v3
        sort(v0, v1);
        return float_of(max_of(v0, min_of(v1, v2)));
    }
};

// (balanced mosaic, green, red ÷ green, blue ÷ green) → the last three. In thin dark places what was interpolated takes the
// colour that most places nearby have; green, known better, moves less and in darker places only.
struct demosaic_thin {
    PARAMS(float faint, least; int red_y, red_x;);
    FORM(4, 3, 2, 1);
    template <class A> static FN int busy(A a, const P& p) { return demosaic_dark(a, 1, p.least) > 1.5f ? 1 : 0; }
    template <class A> static FN void plain(A a, float* o, const P&, int, int) {
        for (int c = 0; c < 3; c++) o[c] = a(c + 1, 0, 0);
    }
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const DemosaicSite site(y, x, p.red_y, p.red_x);
        const float dark = demosaic_dark(a, 1, p.least), weight = demosaic_weight(dark, 1.5f, 3.0f);
        const float red = DemosaicMedian::of(a, 2), blue = DemosaicMedian::of(a, 3);
        const float before = max_of(a(1, 0, 0), 0.0f) + p.faint, own = max_of(a(0, 0, 0), 0.0f) + p.faint;
        const float likely = own / max_of(either(site.red_row, red, blue), 0.0625f);
        const float moved = before + demosaic_weight(dark, 2.0f, 8.0f) * (likely - before);
        const float light = either(site.green(), before, moved);
        const float red_before = a(2, 0, 0) * before, blue_before = a(3, 0, 0) * before;
        const float red_light = either(site.red(), red_before, red_before + weight * (red * light - red_before));
        const float blue_light = either(site.blue(), blue_before, blue_before + weight * (blue * light - blue_before));
        const int thin = -busy(a, p);
        o[0] = a(1, 0, 0) + (light - before);
        o[1] = either(thin, red_light / light, a(2, 0, 0));
        o[2] = either(thin, blue_light / light, a(3, 0, 0));
    }
};
SPARSE(demosaic_thin)

// (green, red ÷ green, blue ÷ green, red's ratio, blue's ratio, mosaic) → red, green, blue ÷ range. Once more the colour
// that most places nearby have; then every colour returns to its own size.
struct demosaic_settled {
    PARAMS(float range, faint, least; int red_y, red_x;);
    FORM(6, 3, 2, 1);
    template <class A> static FN int busy(A a, const P& p) { return demosaic_dark(a, 0, p.least) > 1.5f ? 1 : 0; }
    template <class A> static FN void sized(A a, float* o, const P& p, int y, int x, float red, float blue) {
        const DemosaicSite site(y, x, p.red_y, p.red_x);
        const float sensed = a(5, 0, 0), green = a(0, 0, 0), light = max_of(green, 0.0f) + p.faint;
        o[0] = either(site.red(), sensed, (red * light - p.faint) / a(3, 0, 0)) / p.range;
        o[1] = either(site.green(), sensed, green) / p.range;
        o[2] = either(site.blue(), sensed, (blue * light - p.faint) / a(4, 0, 0)) / p.range;
    }
    template <class A> static FN void plain(A a, float* o, const P& p, int y, int x) {
        sized(a, o, p, y, x, a(1, 0, 0), a(2, 0, 0));
    }
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        const float weight = demosaic_weight(demosaic_dark(a, 0, p.least), 1.5f, 3.0f);
        const float red = a(1, 0, 0), blue = a(2, 0, 0);
        sized(a, o, p, y, x, red + weight * (DemosaicMedian::of(a, 1) - red), blue + weight * (DemosaicMedian::of(a, 2) - blue));
    }
};
SPARSE(demosaic_settled)

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
