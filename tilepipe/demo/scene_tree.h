// The invented tree: a wind-bent little tree grown once, by the compiler, into a table of tapering twigs and leaves.
#pragma once
#include "scene_land.h"

namespace invented {

constexpr double TREE_U = -0.640, TREE_V = 0.905;
constexpr int TWIGS = 4000, CELLS_V = 50, CELLS_U = 52, CELL_HOLDS = 44;
constexpr double GRID_U = -0.840, GRID_V = 0.160, GRID_CELL = 0.0160;

struct Twig {
    float u0, v0, u1, v1, w0, w1,
        per_square;  // ends and half widths; a leaf has w1 < 0 and the half width w0 in its middle
};
struct Tree {
    Twig twig[TWIGS];
    short cell[CELLS_V * CELLS_U][CELL_HOLDS];
    short held[CELLS_V * CELLS_U];
    bool near[CELLS_V * CELLS_U];  // is anything held within one cell?
    int count;
    bool full;
};

SCENE_EARLY unsigned next_random(
    unsigned& s) {  // Numerical-Recipes congruence, upper bits mixed (constants from memory)
    s = s * 1664525u + 1013904223u;
    return (s ^ (s >> 15)) * 0x9e3779b1u;
}
SCENE_EARLY double random_of(unsigned& s) { return (double)(next_random(s) >> 8) * (1.0 / 16777216.0); }
SCENE_EARLY double root_of(double x) {  // Newton's steps: the compiler may not take square roots
    double r = x > 1.0 ? x : 1.0;
    for (int k = 0; k < 6; k++) r = 0.5 * (r + x / r);
    return r;
}

struct Bud {
    double u, v, du, dv, wide, length;
    int order;
};

SCENE_EARLY void keep(Tree& t, double u0, double v0, double u1, double v1, double w0, double w1) {
    if (t.count >= TWIGS) {
        t.full = true;
        return;
    }
    t.twig[t.count] = {(float)u0,
                       (float)v0,
                       (float)u1,
                       (float)v1,
                       (float)w0,
                       (float)w1,
                       (float)(1.0 / ((u1 - u0) * (u1 - u0) + (v1 - v0) * (v1 - v0)))};
    double reach = (w0 > w1 ? w0 : w1) + 0.0022;
    int a = (int)(((u0 < u1 ? u0 : u1) - reach - GRID_U) / GRID_CELL),
        b = (int)(((u0 < u1 ? u1 : u0) + reach - GRID_U) / GRID_CELL);
    int c = (int)(((v0 < v1 ? v0 : v1) - reach - GRID_V) / GRID_CELL),
        d = (int)(((v0 < v1 ? v1 : v0) + reach - GRID_V) / GRID_CELL);
    for (int y = c < 0 ? 0 : c; y <= d && y < CELLS_V; y++)
        for (int x = a < 0 ? 0 : a; x <= b && x < CELLS_U; x++) {
            short& n = t.held[y * CELLS_U + x];
            if (n >= CELL_HOLDS)
                t.full = true;
            else
                t.cell[y * CELLS_U + x][n++] = (short)t.count;
        }
    t.count++;
}

SCENE_EARLY Tree grow_tree() {
    Tree t{};
    Bud heap[256] = {};
    unsigned s = 20240611u;
    int top = 0;
    heap[top++] = {TREE_U, TREE_V, 0.10, -1.0, 0.0135, 0.205, 0};
    while (top > 0) {
        Bud b = heap[--top];
        const int steps = b.order < 3 ? 7 : 4;
        double bend = (random_of(s) - 0.5) * 0.4;
        for (int k = 0; k < steps; k++) {
            bend = bend * 0.7 + (random_of(s) - 0.5) * (b.order < 2 ? 0.30 : 0.48);
            double du = b.du - b.dv * bend, dv = b.dv + b.du * bend;
            du += 0.30 / steps,
                dv -= (b.order < 2 ? 0.30 : 0.36) / steps;  // bent by the sea wind, growing towards the light
            double k1 = 1.0 / root_of(du * du + dv * dv);
            b.du = du * k1, b.dv = dv * k1;
            double l = b.length / steps, u = b.u + b.du * l, v = b.v + b.dv * l;
            double w = b.wide * (1.0 - 0.42 / steps);
            if (w < 0.00042) w = b.order >= 5 && k + 1 == steps ? 0.00014 : 0.00042;
            keep(t, b.u, b.v, u, v, b.wide, w);
            b.u = u, b.v = v, b.wide = w;
            if (b.order > 0 && b.order < 5 && k + 1 < steps && random_of(s) < (b.order < 3 ? 0.30 : 0.34) &&
                top < 250) {  // a side shoot
                double side = random_of(s) < 0.5 ? -1.0 : 1.0, turn = side * (0.55 + 0.5 * random_of(s));
                heap[top++] = {u,
                               v,
                               b.du - b.dv * turn,
                               b.dv + b.du * turn,
                               w * 0.58,
                               b.length * (0.42 + 0.25 * random_of(s)),
                               b.order + 2};
            }
            if (b.order >= 4 && random_of(s) < 0.14) {  // a last leaf
                double turn = random_of(s) * 2.4 - 1.2, lu = b.du - b.dv * turn, lv = b.dv + b.du * turn + 0.5,
                       lk = 1.0 / root_of(lu * lu + lv * lv), ll = 0.0058 + 0.0062 * random_of(s);
                keep(t, u, v, u + lu * lk * ll, v + lv * lk * ll, ll * (0.20 + 0.14 * random_of(s)), -1.0);
            }
        }
        if (b.order >= 6) continue;
        const int forks = b.order == 0 ? 3 : 2;
        for (int k = 0; k < forks; k++) {
            double spread = b.order == 0 ? -0.50 + 0.62 * k : (k == 0 ? -0.38 : 0.42);
            double turn = spread + (random_of(s) - 0.5) * 0.40, share = k == 0 ? 0.82 : 0.70;
            if (top < 250)
                heap[top++] = {b.u,
                               b.v,
                               b.du - b.dv * turn,
                               b.dv + b.du * turn,
                               b.wide * share,
                               b.length * (b.order == 0 ? 0.92 : 0.70) * (0.85 + 0.3 * random_of(s)),
                               b.order + 1};
        }
    }
    for (int y = 1; y < CELLS_V - 1; y++)
        for (int x = 1; x < CELLS_U - 1; x++)
            for (int k = 0; k < 9; k++)
                if (t.held[(y + k / 3 - 1) * CELLS_U + x + k % 3 - 1] > 0) t.near[y * CELLS_U + x] = true;
    return t;
}

SCENE_TABLE constexpr Tree TREE = grow_tree();
#ifndef __CUDACC__
static_assert(!TREE.full, "the tree's tables are too small");
#endif

// How far the wind has moved the twigs at a place: nothing at the foot, more towards the ends.
SCENE_FN void sway(double u, double v, const Light& light, double& du, double& dv) {
    double up = unit((TREE_V - 0.10 - v) * 1.7), t = light.time * light.wind;
    double a = grain(u * 4.0 + 0.83 * t, v * 4.0 + 3.7 * t, 961u),
           b = grain(u * 15.0 - 2.3 * t, v * 15.0 + 5.1 * t, 962u);
    du = light.wind * up * up * (0.0065 * a + 0.0016 * b);
    dv = light.wind * up * up * (0.0022 * b - 0.0016 * a);
}

SCENE_FN int cell_of(double u, double v) {
    return (int)((v - GRID_V) * (1.0 / GRID_CELL)) * CELLS_U + (int)((u - GRID_U) * (1.0 / GRID_CELL));
}

// Is a twig, at any time, within reach of this place? The cells are wider than the longest way of a twig.
SCENE_FN bool twigs_may_reach(double u, double v) {
    bool inside_grid = u > GRID_U + GRID_CELL && v > GRID_V + GRID_CELL && u < GRID_U + (CELLS_U - 1) * GRID_CELL &&
                       v < GRID_V + (CELLS_V - 1) * GRID_CELL;
    return inside_grid && TREE.near[cell_of(u, v)];
}

SCENE_PART Paint tree(double u, double v, const Light& light, double pixel) {
    double du, dv;
    sway(u, v, light, du, dv);
    double x = u - du, y = v - dv;
    const int at = cell_of(x, y);
    Rgb out = {0, 0, 0};
    double cover = 0.0, close = bell(((u - SUN_U) * (u - SUN_U) + (v - SUN_V) * (v - SUN_V)) * (1.0 / (0.20 * 0.20)));
    for (int k = 0; k < TREE.held[at]; k++) {
        const Twig w = TREE.twig[TREE.cell[at][k]];
        double ax = w.u1 - w.u0, ay = w.v1 - w.v0, px = x - w.u0, py = y - w.v0;
        double along = unit((px * ax + py * ay) * w.per_square), ex = px - along * ax, ey = py - along * ay;
        double square = ex * ex + ey * ey;
        bool leaf = w.w1 < 0.0f;
        double half = leaf ? w.w0 * (4.0 * along * (1.0 - along)) * (1.25 - 0.5 * along) : w.w0 + (w.w1 - w.w0) * along;
        if (square > (half + pixel) * (half + pixel)) continue;
        if (!leaf && cover > 0.9 && (along <= 0.0 || along >= 1.0)) continue;  // a joint that is covered
        double d = root(square), c = least(inside(half - d, pixel), 2.0 * half / pixel);
        if (c <= 0.0) continue;
        // Dark against the light, but the sun creeps around thin wood and glows through the leaves.
        double cross = (ex * (SUN_U - u) + ey * (SUN_V - v)) / (d + 1e-9) * bump(d / half - 1.0) /
                       (magnitude(SUN_U - u) + magnitude(SUN_V - v) + 0.01);
        Rgb paint;
        if (leaf) {
            double vein = 1.0 - 0.40 * bump(d * 4500.0), rust = part(scramble((unsigned)TREE.cell[at][k]), 8);
            paint = (mix(Rgb{0.62, 0.30, 0.06}, Rgb{0.42, 0.13, 0.03}, rust) * (0.20 + 1.5 * close) * light.sunlight +
                     Rgb{0.020, 0.020, 0.012}) *
                    vein;
        } else {
            double bark =
                half > 0.002
                    ? 0.75 +
                          0.5 * coarse<0>((u + v) * 160.0 + ex * 900.0, (v - u) * 60.0, 971u, 320.0 * pixel, 0.6).value
                    : 0.9;
            double thin = unit(1.2 - half * 350.0);
            paint = Rgb{0.0135, 0.0115, 0.0125} * bark +
                    Rgb{0.85, 0.40, 0.14} *
                        ((0.035 * unit(cross + 0.2) + (0.05 + 0.55 * close) * close * thin * unit(0.35 + cross)) *
                         light.sunlight);
        }
        out = mix(out, paint, c);
        cover = cover + c * (1.0 - cover);
    }
    return {cover > 0.0 ? out * (1.0 / cover) : out, cover};
}

}  // namespace invented
