// Where a pixel lies on the base frame, and the ramp from 0 to 1 that all masks share.
//
// A placed mask is looked at in samples × samples places of each pixel, one for each pixel of the base frame under it, and
// averaged: a proof's mask is the mean of the full size's. Places are float64, global, in pixels of the base frame.
#pragma once
#include "forms.h"

struct MaskPlace { double x, y; };

// (x, y) of this picture → base frame; `m` row by row.
FN MaskPlace mask_place(const double* m, double y, double x) {
    const double across = (m[0] * x + m[1] * y) + m[2], down = (m[3] * x + m[4] * y) + m[5];
    if (m[6] == 0.0 && m[7] == 0.0 && m[8] == 1.0) return {across, down};   // the same bits, without the divisions
    const double w = (m[6] * x + m[7] * y) + m[8];
    return {across / w, down / w};
}

FN int mask_samples(int samples) { return clamp_of(samples, 1, 16); }
FN double mask_offset(int index, int count) { return ((double)index + 0.5) / (double)count - 0.5; }

FN float mask_ramp(float t) {   // 3t² − 2t³: no crease at either end; exact at 0 and 1
    const float v = clamp_of(t, 0.0f, 1.0f);
    return min_of(v * v * (3.0f - 2.0f * v), 1.0f);
}

template <class F> FN float mask_mean(const double* m, int samples, int y, int x, F value) {
    const int n = mask_samples(samples);
    if (n == 1) return value(mask_place(m, (double)y, (double)x));   // the same bits
    float sum = 0.0f;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            sum += value(mask_place(m, (double)y + mask_offset(i, n), (double)x + mask_offset(j, n)));
    return sum / (float)(n * n);
}
