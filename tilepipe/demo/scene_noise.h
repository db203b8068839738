// Integer hash noise and small shapes for the invented scene, made of + - * / sqrt floor alone.
#pragma once
#include "forms.h"

#ifdef __CUDACC__
#define SCENE_FN __device__ inline
#define SCENE_PART __device__ __noinline__
#define SCENE_EARLY __device__ constexpr  // run by the compiler
#define SCENE_TABLE static __device__
#else
#define SCENE_FN inline
#define SCENE_PART __attribute__((noinline)) inline  // large: a pixel that does not need it must not pay for it
#define SCENE_EARLY constexpr
#define SCENE_TABLE static
#endif

namespace invented {

struct Rgb {
    double r, g, b;
};
SCENE_FN Rgb operator+(Rgb a, Rgb b) { return {a.r + b.r, a.g + b.g, a.b + b.b}; }
SCENE_FN Rgb operator*(Rgb a, Rgb b) { return {a.r * b.r, a.g * b.g, a.b * b.b}; }
SCENE_FN Rgb operator*(Rgb a, double k) { return {a.r * k, a.g * k, a.b * k}; }
SCENE_FN Rgb mix(Rgb a, Rgb b, double t) { return a * (1.0 - t) + b * t; }

SCENE_FN double root(double x) { return sqrt_of(x); }
SCENE_FN double whole(double x) { return floor_of(x); }
SCENE_FN double magnitude(double x) { return x < 0.0 ? -x : x; }
SCENE_FN double least(double a, double b) { return a < b ? a : b; }
SCENE_FN double most(double a, double b) { return a > b ? a : b; }
SCENE_FN double unit(double x) { return x < 0.0 ? 0.0 : (x > 1.0 ? 1.0 : x); }
SCENE_FN double mix(double a, double b, double t) { return a + (b - a) * t; }
SCENE_FN double step(double from, double to, double x) {  // smooth 0..1
    double t = unit((x - from) / (to - from));
    return t * t * (3.0 - 2.0 * t);
}
SCENE_FN double bell(double square) { return 1.0 / (1.0 + square); }  // of a squared distance: no exponential, no root
SCENE_FN double bump(double x) { return bell(x * x); }

// The finishing steps of MurmurHash3 (A. Appleby, public domain; constants from memory).
SCENE_FN unsigned scramble(unsigned h) {
    h ^= h >> 16;
    h *= 0x85ebca6bu;
    h ^= h >> 13;
    h *= 0xc2b2ae35u;
    h ^= h >> 16;
    return h;
}
SCENE_FN unsigned cell(long long x, long long y, unsigned seed) {
    return scramble((unsigned)x * 0x9e3779b1u + (unsigned)y * 0x7f4a7c15u + seed * 0x632be5abu);
}
SCENE_FN double part(unsigned h, int shift) {
    return (double)((h >> shift) & 255u) * (1.0 / 255.0);
}  // one byte as 0..1

struct Slope {
    double value, x, y;  // a height and its derivatives
};

// Gradient noise on the integer lattice (K. Perlin 2002: quintic fade), about -1..1, with exact derivatives.
template <bool sloped> SCENE_FN Slope lattice_of(double x, double y, unsigned seed) {
    double fx = whole(x), fy = whole(y), u = x - fx, v = y - fy;
    long long ix = (long long)fx, iy = (long long)fy;
    double a = u * u * u * (u * (u * 6.0 - 15.0) + 10.0), b = v * v * v * (v * (v * 6.0 - 15.0) + 10.0);
    double g[4][2], n[4];
    for (int k = 0; k < 4; k++) {
        unsigned h = cell(ix + (k & 1), iy + (k >> 1), seed);
        g[k][0] = (double)(int)(h & 0xffffu) * (1.0 / 24576.0) - 4.0 / 3.0;
        g[k][1] = (double)(int)(h >> 16) * (1.0 / 24576.0) - 4.0 / 3.0;
        n[k] = g[k][0] * (u - (k & 1)) + g[k][1] * (v - (k >> 1));
    }
    double e = n[1] - n[0], f = n[2] - n[0], s = n[3] - n[2] - e;
    if (!sloped) return {n[0] + e * a + f * b + s * a * b, 0.0, 0.0};
    double da = 30.0 * u * u * (u * (u - 2.0) + 1.0), db = 30.0 * v * v * (v * (v - 2.0) + 1.0);
    double g0 = g[0][0] + (g[1][0] - g[0][0]) * a, g1 = g[2][0] + (g[3][0] - g[2][0]) * a;
    double h0 = g[0][1] + (g[1][1] - g[0][1]) * a, h1 = g[2][1] + (g[3][1] - g[2][1]) * a;
    return {n[0] + e * a + f * b + s * a * b, g0 + (g1 - g0) * b + da * (e + s * b),
            h0 + (h1 - h0) * b + db * (f + s * a)};
}
SCENE_FN Slope lattice(double x, double y, unsigned seed) { return lattice_of<true>(x, y, seed); }
SCENE_FN double grain(double x, double y, unsigned seed) { return lattice_of<false>(x, y, seed).value; }

SCENE_FN Slope line(double x, unsigned seed) {  // the same in one dimension
    double fx = whole(x), u = x - fx;
    long long ix = (long long)fx;
    double a = u * u * u * (u * (u * 6.0 - 15.0) + 10.0), da = 30.0 * u * u * (u * (u - 2.0) + 1.0);
    double g0 = (double)(int)(cell(ix, 0, seed) >> 8) * (1.0 / 6291456.0) - 4.0 / 3.0;
    double g1 = (double)(int)(cell(ix + 1, 0, seed) >> 8) * (1.0 / 6291456.0) - 4.0 / 3.0;
    double n0 = g0 * u, n1 = g1 * (u - 1.0);
    return {n0 + (n1 - n0) * a, g0 + (g1 - g0) * a + (n1 - n0) * da, 0.0};
}

// An octave counts fully while its cells are wider than five pixels and not at all below two and a half.
SCENE_FN double seen(double cells_per_pixel) { return unit(2.0 - 5.0 * cells_per_pixel); }

// Twelve octaves, each twice as fine as the last and turned by a 3-4-5 triangle, as one table of linear maps.
struct Turns {
    double c[12], s[12], x[12], y[12];
};
SCENE_EARLY Turns make_turns() {
    Turns t{};
    double c = 1.0, s = 0.0, x = 0.0, y = 0.0;
    for (int k = 0; k < 12; k++) {
        t.c[k] = c, t.s[k] = s, t.x[k] = x, t.y[k] = y;
        double nc = 1.6 * c - 1.2 * s, nx = 1.6 * x - 1.2 * y + 7.3;
        s = 1.2 * c + 1.6 * s, y = 1.2 * x + 1.6 * y - 3.1;
        c = nc, x = nx;
    }
    return t;
}
SCENE_TABLE constexpr Turns TURNS = make_turns();

// Octaves `first` .. `first + N` of gradient noise, side by side so that a compiler can use vectors (the bits do not
// depend on it). The first `sloped` octaves give the slope: finer ones would only make it noisy.
template <int first, int N, int sloped>
SCENE_FN void add_octaves(Slope& sum, double x, double y, unsigned seed, float cells_per_pixel, float gain) {
    float u[N], v[N], w[N], value[N], sx[N], sy[N];
    unsigned base[N];
    float cells = cells_per_pixel, height = 1.0f;
    for (int k = 0; k < first; k++) cells *= 2.0f, height *= gain;
    for (int k = 0; k < N; k++) {
        float t = 2.0f - 5.0f * cells;
        t = t < 0.0f ? 0.0f : t;
        w[k] = (t > 1.0f ? 1.0f : t) * height;
        cells *= 2.0f, height *= gain;
    }
    for (int k = 0; k < N; k++) {
        const int o = first + k;
        double a = TURNS.c[o] * x - TURNS.s[o] * y + TURNS.x[o], b = TURNS.s[o] * x + TURNS.c[o] * y + TURNS.y[o];
        double fa = whole(a), fb = whole(b);
        u[k] = (float)(a - fa), v[k] = (float)(b - fb);
        base[k] =
            (unsigned)(int)fa * 0x9e3779b1u + (unsigned)(int)fb * 0x7f4a7c15u + (seed + (unsigned)o) * 0x632be5abu;
    }
    for (int k = 0; k < N; k++) {
        float n[4], gx[4], gy[4];
        for (int j = 0; j < 4; j++) {
            unsigned h = base[k] + (j & 1 ? 0x9e3779b1u : 0u) + (j & 2 ? 0x7f4a7c15u : 0u);
            h ^= h >> 16, h *= 0x85ebca6bu, h ^= h >> 13, h *= 0xc2b2ae35u, h ^= h >> 16;
            gx[j] = (float)((int)(h & 0xffffu) - 32768) * (1.0f / 24576.0f);
            gy[j] = (float)((int)(h >> 16) - 32768) * (1.0f / 24576.0f);
            n[j] = gx[j] * (u[k] - (float)(j & 1)) + gy[j] * (v[k] - (float)(j >> 1));
        }
        float U = u[k], V = v[k], e = n[1] - n[0], f = n[2] - n[0], s = n[3] - n[2] - e;
        float a = U * U * U * (U * (U * 6.0f - 15.0f) + 10.0f), b = V * V * V * (V * (V * 6.0f - 15.0f) + 10.0f);
        value[k] = w[k] * (n[0] + e * a + f * b + s * a * b);
        if (sloped > 0) {
            float da = 30.0f * U * U * (U * (U - 2.0f) + 1.0f), db = 30.0f * V * V * (V * (V - 2.0f) + 1.0f);
            float g0 = gx[0] + (gx[1] - gx[0]) * a, g1 = gx[2] + (gx[3] - gx[2]) * a;
            float h0 = gy[0] + (gy[1] - gy[0]) * a, h1 = gy[2] + (gy[3] - gy[2]) * a;
            sx[k] = w[k] * (g0 + (g1 - g0) * b + da * (e + s * b));
            sy[k] = w[k] * (h0 + (h1 - h0) * b + db * (f + s * a));
        }
    }
    for (int k = 0; k < N; k++) {
        const int o = first + k;
        sum.value += value[k];
        if (k < sloped) {
            sum.x += sx[k] * TURNS.c[o] + sy[k] * TURNS.s[o];
            sum.y += sy[k] * TURNS.c[o] - sx[k] * TURNS.s[o];
        }
    }
}

// Noise of all octaves down to the pixel; `coarse` stops after four (for what water blurs anyway).
template <int sloped> SCENE_FN Slope rough(double x, double y, unsigned seed, double cells_per_pixel, double gain) {
    Slope sum = {0.0, 0.0, 0.0};
    if (cells_per_pixel * 16.0 >= 0.4) {  // the finer ones weigh nothing
        add_octaves<0, 4, sloped>(sum, x, y, seed, (float)cells_per_pixel, (float)gain);
        return sum;
    }
    add_octaves<0, 8, sloped>(sum, x, y, seed, (float)cells_per_pixel, (float)gain);
    if (cells_per_pixel * 256.0 < 0.4) add_octaves<8, 4, 0>(sum, x, y, seed, (float)cells_per_pixel, (float)gain);
    return sum;
}
template <int sloped> SCENE_FN Slope coarse(double x, double y, unsigned seed, double cells_per_pixel, double gain) {
    Slope sum = {0.0, 0.0, 0.0};
    add_octaves<0, 4, sloped>(sum, x, y, seed, (float)cells_per_pixel, (float)gain);
    return sum;
}
// The same along a line, down to the pixel.
template <int first, int N>
SCENE_FN void add_line_octaves(Slope& sum, double x, unsigned seed, float cells_per_pixel, float gain) {
    float u[N], w[N], value[N], slope[N], scale = 1.0f, height = 1.0f;
    unsigned base[N];
    for (int k = 0; k < first; k++) scale *= 2.0f, height *= gain;
    for (int k = 0; k < N; k++) {
        double a = x * scale + 5.7 * (first + k), fa = whole(a);
        u[k] = (float)(a - fa);
        base[k] = (unsigned)(int)fa * 0x9e3779b1u + (seed + (unsigned)(first + k)) * 0x632be5abu;
        float t = 2.0f - 5.0f * cells_per_pixel * scale;
        t = t < 0.0f ? 0.0f : t;
        w[k] = (t > 1.0f ? 1.0f : t) * height;
        slope[k] = w[k] * scale;
        scale *= 2.0f, height *= gain;
    }
    for (int k = 0; k < N; k++) {
        unsigned g = base[k], h = base[k] + 0x9e3779b1u;
        g ^= g >> 16, g *= 0x85ebca6bu, g ^= g >> 13, g *= 0xc2b2ae35u, g ^= g >> 16;
        h ^= h >> 16, h *= 0x85ebca6bu, h ^= h >> 13, h *= 0xc2b2ae35u, h ^= h >> 16;
        float U = u[k], a = U * U * U * (U * (U * 6.0f - 15.0f) + 10.0f), da = 30.0f * U * U * (U * (U - 2.0f) + 1.0f);
        float g0 = (float)(int)(g >> 8) * (1.0f / 6291456.0f) - 1.3333334f,
              g1 = (float)(int)(h >> 8) * (1.0f / 6291456.0f) - 1.3333334f;
        float n0 = g0 * U, n1 = g1 * (U - 1.0f);
        value[k] = w[k] * (n0 + (n1 - n0) * a);
        slope[k] *= g0 + (g1 - g0) * a + (n1 - n0) * da;
    }
    for (int k = 0; k < N; k++) sum.value += value[k], sum.x += slope[k];
}
SCENE_FN Slope rough_line(double x, unsigned seed, double cells_per_pixel, double gain) {
    Slope sum = {0.0, 0.0, 0.0};
    add_line_octaves<0, 8>(sum, x, seed, (float)cells_per_pixel, (float)gain);
    if (cells_per_pixel * 256.0 < 0.4) add_line_octaves<8, 4>(sum, x, seed, (float)cells_per_pixel, (float)gain);
    return sum;
}

// One block of broken stone: cells around scattered points (S. Worley 1996), seen from a place in the plane.
struct Facet {
    double gap;             // to the neighbouring block, 0 in the crack between them
    double x, y;            // from the block's middle
    double lean_x, lean_y;  // the block's own tilt, -1..1
};
SCENE_FN Facet facet(double x, double y, unsigned seed) {
    const double fx = whole(x), fy = whole(y);
    const float u = (float)(x - fx), v = (float)(y - fy);
    const unsigned base = (unsigned)(int)fx * 0x9e3779b1u + (unsigned)(int)fy * 0x7f4a7c15u + seed * 0x632be5abu;
    unsigned h[9];
    float dx[9], dy[9], d[9];
    for (int k = 0; k < 9; k++) {
        h[k] = scramble(base + (unsigned)(k % 3 - 1) * 0x9e3779b1u + (unsigned)(k / 3 - 1) * 0x7f4a7c15u);
        dx[k] = u - ((float)(k % 3 - 1) + 0.10f) - (float)(int)(h[k] & 255u) * (0.8f / 255.0f);
        dy[k] = v - ((float)(k / 3 - 1) + 0.10f) - (float)(int)(h[k] >> 8 & 255u) * (0.8f / 255.0f);
        d[k] = dx[k] * dx[k] + dy[k] * dy[k];
    }
    float first = d[0], second = 9.0f;
    int best = 0;
    for (int k = 1; k < 9; k++) {
        const bool nearer = d[k] < first;
        const float farther = nearer ? first : d[k];
        second = farther < second ? farther : second;
        first = nearer ? d[k] : first;
        best = nearer ? k : best;
    }
    return {root(second) - root(first), dx[best], dy[best], part(h[best], 16) * 2.0 - 1.0,
            part(h[best], 24) * 2.0 - 1.0};
}

// Share of a pixel on the inner side of an edge, from the signed distance (positive inside) and the pixel's size.
SCENE_FN double inside(double distance, double pixel) { return unit(distance / pixel + 0.5); }

}  // namespace invented
