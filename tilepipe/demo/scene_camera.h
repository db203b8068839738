// The invented camera: light to code values with photon and read noise, saturation, a black pedestal, two lens specks.
#pragma once
#include "scene_noise.h"

namespace invented {

// A value of mean 0 and variance 1 - 2^-32 from one place: the sum of twelve 16-bit numbers (Irwin-Hall), all integer
// until one exact division; excess kurtosis -0.1, nothing beyond six sigma.
SCENE_FN double noise_of(int y, int x, int channel, unsigned seed) {
    unsigned h = cell(x, y, seed * 4u + (unsigned)channel);
    int sum = 0;
    for (unsigned k = 0; k < 6; k++) {
        unsigned g = scramble(h + k * 0x9e3779b9u);
        sum += (int)(g & 0xffffu) + (int)(g >> 16);
    }
    return (double)(2 * sum - 12 * 65535) * (1.0 / 131072.0);
}

// Dirt on the glass in front of the sensor: two soft dark discs, fixed to the frame.
SCENE_FN double through_specks(double u, double v, double depth) {
    const double at[2][4] = {{0.115, 0.180, 0.0125, 0.30},
                             {0.432, 0.262, 0.0085, 0.22}};  // u, v from the middle / top, radius, loss
    double kept = 1.0;
    for (int k = 0; k < 2; k++) {
        double x = (u - at[k][0]) / at[k][2], y = (v - at[k][1]) / at[k][2], r = root(x * x + y * y);
        kept *= 1.0 - depth * at[k][3] * step(1.35, 0.55, r);
    }
    return kept;
}

// Signal 1.0 is the sensor's full scale; photons give variance photon·signal, the electronics read².
SCENE_FN double noisy(double signal, double photon, double read, double gauss) {
    double s = signal > 0.0 ? signal : 0.0;
    s = s < 1.25 ? s : 1.25;
    return s + gauss * root(photon * s + read);
}
SCENE_FN double coded(double signal, double black, double white, double top) {
    double code = rint_of(black + signal * (white - black));
    code = code > 0.0 ? code : 0.0;
    return code < top ? code : top;
}

}  // namespace invented

// A colour filter mosaic (red at even rows and columns): radiance → camera colour by a matrix → one code a pixel.
struct camera_mosaic {
    PARAMS(int height; int width; double gain; double matrix[9]; double photon; double read; double black; double white;
         double specks; uint32_t seed;);
    FORM_OF(float, uint16_t, 3, 1, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int y, int x) {
        const int c = (y & 1) + (x & 1);
        double signal =
            (p.matrix[3 * c] * a(0, 0, 0) + p.matrix[3 * c + 1] * a(1, 0, 0)) + p.matrix[3 * c + 2] * a(2, 0, 0);
        double seen = invented::through_specks((x + 0.5 - 0.5 * p.width) / p.height, (y + 0.5) / p.height, p.specks);
        double s = invented::noisy(signal * p.gain * seen, p.photon, p.read, invented::noise_of(y, x, 0, p.seed));
        o[0] = (uint16_t)(int)invented::coded(s, p.black, p.white, p.white);
    }
};
KERNEL(camera_mosaic)

// Three linear colours per pixel, as a stitched panorama gives them, in code values.
struct camera_coded {
    PARAMS(int height; int width; double gain; double photon; double read; double black; double white; double specks;
         uint32_t seed;);
    FORM_OF(float, uint16_t, 3, 3, 0, 1);
    template <class A> static FN void at(A a, uint16_t* o, const P& p, int y, int x) {
        double seen = invented::through_specks((x + 0.5 - 0.5 * p.width) / p.height, (y + 0.5) / p.height, p.specks);
        for (int c = 0; c < 3; c++) {
            double s =
                invented::noisy(a(c, 0, 0) * p.gain * seen, p.photon, p.read, invented::noise_of(y, x, c + 1, p.seed));
            o[c] = (uint16_t)(int)invented::coded(s, p.black, p.white, p.white);
        }
    }
};
KERNEL(camera_coded)

// The same without rounding to code values: noise stays below zero, saturation is cut at 1.
struct camera_linear {
    PARAMS(int height; int width; double gain; double photon; double read; double specks; uint32_t seed;);
    FORM(3, 3, 0, 1);
    template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
        double seen = invented::through_specks((x + 0.5 - 0.5 * p.width) / p.height, (y + 0.5) / p.height, p.specks);
        for (int c = 0; c < 3; c++) {
            double s =
                invented::noisy(a(c, 0, 0) * p.gain * seen, p.photon, p.read, invented::noise_of(y, x, c + 1, p.seed));
            o[c] = (float)(s < 1.0 ? s : 1.0);
        }
    }
};
KERNEL(camera_linear)
