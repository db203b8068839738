// Masks placed by hand that are simple figures: a gradient between two lines, an ellipse.
#pragma once
#include "forms.h"
#include "places.h"

struct mask_gradient {   // `across`: a place's way from nothing to full is x · across[0] + y · across[1] + across[2], 0 to 1
    PARAMS(double m[9]; int samples; double across[3];);
    FORM(0, 1, 0, 1);
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        o[0] = mask_mean(p.m, p.samples, y, x, [&](MaskPlace at) {
            return mask_ramp((float)clamp_of((at.x * p.across[0] + at.y * p.across[1]) + p.across[2], -1.0, 2.0));
        });
    }
};
KERNEL(mask_gradient)

// The distance of a place from an ellipse's line, `a` and `b` its half axes, the place in its own axes: below 0 inside.
// The nearest point is found on the circle of curvature through the last estimate, whose centre lies on the evolute
// (elementary differential geometry of the ellipse); seven steps leave less than 1e-3 px wherever a ramp may lie (tests).
FN double mask_ellipse_distance(double x, double y, double a, double b) {
    const double px = abs_of(x), py = abs_of(y);
    double tx = 0.70710678118654752, ty = 0.70710678118654752;
    for (int step = 0; step < 7; step++) {
        const double ex = (a * a - b * b) * (tx * tx * tx) / a, ey = (b * b - a * a) * (ty * ty * ty) / b;
        const double rx = a * tx - ex, ry = b * ty - ey, qx = px - ex, qy = py - ey;
        const double q = sqrt_of(qx * qx + qy * qy), stretch = q > 0.0 ? sqrt_of(rx * rx + ry * ry) / q : 0.0;
        const double nx = clamp_of((qx * stretch + ex) / a, 0.0, 1.0), ny = clamp_of((qy * stretch + ey) / b, 0.0, 1.0);
        const double n = sqrt_of(nx * nx + ny * ny), scale = n > 0.0 ? 1.0 / n : 0.0;
        tx = nx * scale;
        ty = ny * scale;
    }
    const double dx = px - a * tx, dy = py - b * ty, apart = sqrt_of(dx * dx + dy * dy);
    const double u = px / a, v = py / b;
    return u * u + v * v < 1.0 ? -apart : apart;
}

struct mask_ellipse {   // `centre`: x, y; `turn`: cosine and sine; `half`: half axes; 0.5 on its line, `slope` per px inward
    PARAMS(double m[9]; int samples; double centre[2]; double turn[2]; double half[2]; double slope;);
    FORM(0, 1, 0, 1);
    static FN float value(const P& p, MaskPlace at) {
        const double dx = at.x - p.centre[0], dy = at.y - p.centre[1];
        const double x = dx * p.turn[0] + dy * p.turn[1], y = dy * p.turn[0] - dx * p.turn[1];
        const double u = x / p.half[0], v = y / p.half[1], r = sqrt_of(u * u + v * v);
        // |r − 1| · shorter half axis ≤ distance: where even that is beyond the ramp, the value is sure.
        if (abs_of(r - 1.0) * min_of(p.half[0], p.half[1]) * p.slope > 0.5) return r < 1.0 ? 1.0f : 0.0f;
        return mask_ramp((float)clamp_of(0.5 - mask_ellipse_distance(x, y, p.half[0], p.half[1]) * p.slope, -1.0, 2.0));
    }
    template <class A> static FN void at(A, float* o, const P& p, int y, int x) {
        o[0] = mask_mean(p.m, p.samples, y, x, [&](MaskPlace at) { return value(p, at); });
    }
};
KERNEL(mask_ellipse)
