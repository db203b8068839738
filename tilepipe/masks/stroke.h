// A stroke's mask: the strongest paint of all the lines between its points, each a capsule whose radius, pressure and
// steepness of the rim go evenly from one end to the other.
#pragma once
#include "forms.h"
#include "places.h"

enum { STROKE_BLOCK = 32, STROKE_SPAN = 16 };   // places are float32 relative to the middle of their block of pixels, whoever computes them

struct StrokeLine { float x, y, dx, dy, per_length, half, further, steep, steeper, pressure, harder; };

// `line`: x0, y0, x1, y1, and at both ends: how far from it the paint is half, how steep it falls there, its pressure.
FN StrokeLine stroke_line(const double* line, MaskPlace origin) {
    const float x = (float)(line[0] - origin.x), y = (float)(line[1] - origin.y);
    const float dx = (float)(line[2] - line[0]), dy = (float)(line[3] - line[1]);
    const float length = dx * dx + dy * dy;
    return {x, y, dx, dy, length > 0.0f ? 1.0f / length : 0.0f, (float)line[4], (float)(line[5] - line[4]), (float)line[6],
            (float)(line[7] - line[6]), (float)line[8], (float)(line[9] - line[8])};
}
FN float stroke_value(StrokeLine s, float x, float y) {
    const float px = x - s.x, py = y - s.y;
    const float t = clamp_of((px * s.dx + py * s.dy) * s.per_length, 0.0f, 1.0f);
    const float rx = px - t * s.dx, ry = py - t * s.dy;
    const float apart = sqrt_of(rx * rx + ry * ry);
    const float inward = (s.half + t * s.further) - apart, steep = s.steep + t * s.steeper;
    return mask_ramp(inward * steep + 0.5f) * (s.pressure + t * s.harder);
}
FN MaskPlace stroke_origin(const double* m, int y, int x) {
    return mask_place(m, (double)(y & ~(STROKE_BLOCK - 1)) + 15.5, (double)(x & ~(STROKE_BLOCK - 1)) + 15.5);
}

struct mask_stroke {
    PARAMS(double m[9]; int samples; double corner[2]; double per_cell; int rows, cols; const int* starts; const int* lines;
           const double* table;);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const MaskPlace origin = stroke_origin(p.m, y, x);
        o[0] = mask_mean(p.m, p.samples, y, x, [&](MaskPlace at) {
            const double col = floor_of((at.x - p.corner[0]) * p.per_cell), row = floor_of((at.y - p.corner[1]) * p.per_cell);
            if (!(col >= 0.0 && row >= 0.0 && col < (double)p.cols && row < (double)p.rows)) return 0.0f;
            const int cell = (int)row * p.cols + (int)col;
            const float px = (float)(at.x - origin.x), py = (float)(at.y - origin.y);
            float most = 0.0f;
            for (int i = p.starts[cell]; i < p.starts[cell + 1]; i++)
                most = max_of(most, stroke_value(stroke_line(p.table + 10 * p.lines[i], origin), px, py));
            return most;
        });
    }
};
KERNEL(mask_stroke)

#if HOST_ONLY
// Block by block: the lines near a block are gathered once; along each of its rows the most promising one runs first, then
// those that could still add something. The order does not matter, since the strongest counts, and what is left out is
// certain to be no stronger.
struct mask_stroke_blocks {
    PARAMS(Plane result; double m[9]; int samples; double corner[2]; double per_cell; int rows, cols; const int* starts;
           const int* lines; const double* table; double reach; int count; int* marks; int* found; float* near;);
    enum { FIELDS = sizeof(StrokeLine) / sizeof(float) };

    static int cell_at(double v, int count) { return (int)clamp_of(floor_of(v), -1.0, (double)count); }

    static int gather(const P& p, int block, double y0, double x0, double y1, double x1) {
        double low_x = 1e300, low_y = 1e300, high_x = -1e300, high_y = -1e300;
        for (int k = 0; k < 4; k++) {
            const MaskPlace at = mask_place(p.m, k & 1 ? y1 : y0, k & 2 ? x1 : x0);
            low_x = min_of(low_x, at.x), high_x = max_of(high_x, at.x);
            low_y = min_of(low_y, at.y), high_y = max_of(high_y, at.y);
        }
        const double x = 0.5 * (low_x + high_x), y = 0.5 * (low_y + high_y);
        const double far = p.reach + sqrt_of((high_x - x) * (high_x - x) + (high_y - y) * (high_y - y));
        const int first_col = max_of(cell_at((low_x - p.corner[0]) * p.per_cell, p.cols), 0);
        const int first_row = max_of(cell_at((low_y - p.corner[1]) * p.per_cell, p.rows), 0);
        const int last_col = min_of(cell_at((high_x - p.corner[0]) * p.per_cell, p.cols), p.cols - 1);
        const int last_row = min_of(cell_at((high_y - p.corner[1]) * p.per_cell, p.rows), p.rows - 1);
        int found = 0;
        for (int row = first_row; row <= last_row; row++) {
            const int begin = p.starts[row * p.cols + first_col];
            const int end = first_col <= last_col ? p.starts[row * p.cols + last_col + 1] : begin;
            for (int i = begin; i < end; i++) {
                const int line = p.lines[i];
                if (p.marks[line] == block) continue;
                p.marks[line] = block;
                const double* s = p.table + 10 * line;
                const double dx = s[2] - s[0], dy = s[3] - s[1], px = x - s[0], py = y - s[1], length = dx * dx + dy * dy;
                const double t = clamp_of(length > 0.0 ? (px * dx + py * dy) / length : 0.0, 0.0, 1.0);
                const double rx = px - t * dx, ry = py - t * dy;
                if (rx * rx + ry * ry <= far * far) p.found[found++] = line;
            }
        }
        return found;
    }

    static float* field(const P& p, int number) { return p.near + (long long)number * p.count; }

    static void place(const P& p, int found, MaskPlace origin) {   // the block's lines, field by field
        for (int l = 0; l < found; l++) {
            const StrokeLine line = stroke_line(p.table + 10 * p.found[l], origin);
            float fields[FIELDS];
            std::memcpy(fields, &line, sizeof line);
            for (int f = 0; f < FIELDS; f++) field(p, 1 + f)[l] = fields[f];
        }
    }
    static StrokeLine placed(const P& p, int l) {
        float fields[FIELDS];
        for (int f = 0; f < FIELDS; f++) fields[f] = field(p, 1 + f)[l];
        StrokeLine line;
        std::memcpy(&line, fields, sizeof line);
        return line;
    }

    // The most that each line can be within `half` px of a place, a little more than all rounding.
    static void bounds(const P& p, int found, float x, float y, float half) {
        float* most = p.near;
        const float *lx = field(p, 1), *ly = field(p, 2), *dx = field(p, 3), *dy = field(p, 4), *per_length = field(p, 5),
                    *far = field(p, 6), *further = field(p, 7), *steep = field(p, 8), *steeper = field(p, 9),
                    *press = field(p, 10), *harder = field(p, 11);
        VECTOR_LOOP
        for (int l = 0; l < found; l++) {
            const float px = x - lx[l], py = y - ly[l];
            const float t = clamp_of((px * dx[l] + py * dy[l]) * per_length[l], 0.0f, 1.0f);
            const float rx = px - t * dx[l], ry = py - t * dy[l];
            const float apart = sqrt_of(rx * rx + ry * ry) * 0.9999f - half;
            const float inward = max_of(far[l], far[l] + further[l]) - max_of(apart, 0.0f);
            const float one = steep[l], other = steep[l] + steeper[l];
            const float fall = inward > 0.0f ? max_of(one, other) : min_of(one, other);
            const float level = inward * fall + 0.5f, paint = min_of(mask_ramp(level) + 2e-6f, 1.0f);
            most[l] = level > 0.0f ? paint * max_of(press[l], press[l] + harder[l]) : 0.0f;
        }
    }

    static float run_along(StrokeLine line, const float* across, const float* down, float* most) {
        float least[STROKE_SPAN];
        VECTOR_LOOP
        for (int k = 0; k < STROKE_SPAN; k++) most[k] = max_of(most[k], stroke_value(line, across[k], down[k]));
        VECTOR_LOOP
        for (int k = 0; k < 8; k++) least[k] = min_of(most[k], most[k + 8]);
        VECTOR_LOOP
        for (int k = 0; k < 4; k++) least[k] = min_of(least[k], least[k + 4]);
        return min_of(min_of(least[0], least[1]), min_of(least[2], least[3]));
    }

    static void paint(const P& p, int found, int y, int x, int width) {   // at most STROKE_SPAN wide
        float* out = row_of<float>(p.result, y) + (x - p.result.x0);
        if (found == 0) {
            for (int k = 0; k < width; k++) out[k] = 0.0f;
            return;
        }
        const MaskPlace origin = stroke_origin(p.m, y, x);
        float sums[STROKE_SPAN] = {}, across[STROKE_SPAN], down[STROKE_SPAN], most[STROKE_SPAN];
        const int n = mask_samples(p.samples);
        for (int i = 0; i < n; i++)
            for (int j = 0; j < n; j++) {
                VECTOR_LOOP
                for (int k = 0; k < STROKE_SPAN; k++) {   // beyond the window's end its last place again
                    const int col = x + min_of(k, width - 1);
                    const MaskPlace at = mask_place(p.m, (double)y + mask_offset(i, n), (double)col + mask_offset(j, n));
                    across[k] = (float)(at.x - origin.x);
                    down[k] = (float)(at.y - origin.y);
                    most[k] = 0.0f;
                }
                const float wide = across[width - 1] - across[0], high = down[width - 1] - down[0];
                const float half = 0.5001f * sqrt_of(wide * wide + high * high) + 0.01f;
                bounds(p, found, across[0] + 0.5f * wide, down[0] + 0.5f * high, half);
                int first = 0;
                for (int l = 1; l < found; l++) first = p.near[l] > p.near[first] ? l : first;
                float least = p.near[first] > 0.0f ? run_along(placed(p, first), across, down, most) : 1.0f;
                for (int l = 0; l < found; l++)
                    if (p.near[l] > least && l != first) least = run_along(placed(p, l), across, down, most);
                for (int k = 0; k < width; k++) sums[k] += most[k];
            }
        for (int k = 0; k < width; k++) out[k] = sums[k] / (float)(n * n);
    }

    static void run(const P& p, int, int) {
        for (int i = 0; i < p.count; i++) p.marks[i] = 0;
        const Plane& r = p.result;
        int block = 0;
        for (int y = r.y0; y < r.y0 + r.h; y = (y | (STROKE_BLOCK - 1)) + 1)
            for (int x = r.x0; x < r.x0 + r.w; x = (x | (STROKE_BLOCK - 1)) + 1) {
                const int y_end = min_of((y | (STROKE_BLOCK - 1)) + 1, r.y0 + r.h);
                const int x_end = min_of((x | (STROKE_BLOCK - 1)) + 1, r.x0 + r.w);
                const int found = gather(p, ++block, y - 0.5, x - 0.5, y_end - 0.5, x_end - 0.5);
                place(p, found, stroke_origin(p.m, y, x));
                for (int row = y; row < y_end; row++)
                    for (int col = x; col < x_end; col += STROKE_SPAN)
                        paint(p, found, row, col, min_of(x_end - col, (int)STROKE_SPAN));
            }
    }
};
DRIVER(mask_stroke_blocks)
#endif
