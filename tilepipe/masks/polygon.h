// A polygon's mask: the exact distance from its line, with the sign of the side that a place lies on.
//
// The nearest of the polygon's sides tells the sign: by the side of it that the place lies on, or, where a corner is
// nearest, by the corner's bend – outside of one that juts out, inside of one that falls back.
#pragma once
#include "forms.h"
#include "places.h"

struct mask_polygon {   // `sides`: x, y of their begins and ends; `bends`: of the corner a side begins at, 1 out, −1 in
    PARAMS(double m[9]; int samples; double corner[2]; double per_cell; int rows, cols; const int* starts; const int* lines;
           const int* states; const double* sides; const int* bends; int count; double slope, sure;);
    FORM(0, 1, 0, 1);
    static FN int cell_of(const P& p, MaskPlace at) {
        const double col = floor_of((at.x - p.corner[0]) * p.per_cell), row = floor_of((at.y - p.corner[1]) * p.per_cell);
        const bool on = col >= 0.0 && row >= 0.0 && col < (double)p.cols && row < (double)p.rows;
        return on ? (int)row * p.cols + (int)col : -1;
    }
    static FN double distance(const P& p, MaskPlace at, int cell) {   // below 0 outside
        double least = 1e300;
        int nearest = 0x7fffffff;
        double side = -1.0;
        for (int i = p.starts[cell]; i < p.starts[cell + 1]; i++) {
            const int line = p.lines[i];
            const double* s = p.sides + 4 * line;
            const double dx = s[2] - s[0], dy = s[3] - s[1], px = at.x - s[0], py = at.y - s[1];
            const double t = clamp_of((px * dx + py * dy) / (dx * dx + dy * dy), 0.0, 1.0);
            // From the corner itself where that is nearest, so that both its sides give the same bits.
            const double rx = t < 1.0 ? px - t * dx : at.x - s[2], ry = t < 1.0 ? py - t * dy : at.y - s[3];
            const double apart = rx * rx + ry * ry;
            if (apart > least || (apart == least && line > nearest)) continue;
            const int next = line + 1 == p.count ? 0 : line + 1;
            const int bend = t <= 0.0 ? p.bends[line] : t >= 1.0 ? p.bends[next] : 0;
            side = bend != 0 ? (double)-bend : dx * py - dy * px;
            least = apart;
            nearest = line;
        }
        const double apart = sqrt_of(least);
        return side > 0.0 ? apart : -apart;
    }
    static FN float state(const P& p, int cell) { return cell >= 0 && p.states[cell] > 0 ? 1.0f : 0.0f; }
    static FN bool is_sure(const P& p, int cell) { return cell < 0 || p.starts[cell] >= p.starts[cell + 1]; }
    static FN float value(const P& p, MaskPlace at) {
        const int cell = cell_of(p, at);
        if (is_sure(p, cell)) return state(p, cell);
        return mask_ramp((float)clamp_of(distance(p, at, cell) * p.slope + 0.5, -1.0, 2.0));
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        const MaskPlace middle = mask_place(p.m, (double)y, (double)x);
        const int cell = cell_of(p, middle);
        const bool empty = is_sure(p, cell);
        const double apart = empty ? 0.0 : distance(p, middle, cell);
        if (empty || abs_of(apart) > p.sure) {   // no ramp reaches this pixel
            o[0] = empty ? state(p, cell) : apart > 0.0 ? 1.0f : 0.0f;
            return;
        }
        o[0] = mask_mean(p.m, p.samples, y, x, [&](MaskPlace at) { return value(p, at); });
    }
};
KERNEL(mask_polygon)
