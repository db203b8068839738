// The invented bay: ripples in perspective, reflections of all that stands around it, the sun's glitter path.
#pragma once
#include "scene_house.h"

namespace invented {

// All that stands in the bay and around it, front to back, seen directly or each mirrored at its own waterline.
template <bool mirrored>
SCENE_FN void add_standing(Paint& front, double u, double v, const Light& light, double pixel) {
    double h = mirrored ? 2.0 * HEADLAND_FOOT - v : v;
    if (h > STACKS_TOP && u > STACKS_LEFT && u < STACKS_RIGHT)
        for (int k = 0; k < STACK_COUNT; k++)
            behind(front, sea_stack<mirrored>(u, mirrored ? 2.0 * STACKS[k].foot - v : v, k, light, pixel));
    if (u < 0.10 || h < 0.24 || front.cover >= 1.0) return;
    behind(front, headland<mirrored>(u, h, light, pixel));
    if (front.cover < 1.0) behind(front, house(u, h, light, pixel));
}

// What lies behind: the far ridges, nearest first, and the sky.
template <bool mirrored>
SCENE_FN void add_distance(Paint& front, double u, double v, const Light& light, double pixel, double blur) {
    if (HORIZON - v < 0.115)
        for (int k = 2; k >= 0 && front.cover < 1.0; k--) behind(front, far_ridge<mirrored>(u, v, k, light, pixel));
    if (front.cover < 1.0) behind(front, {sky<mirrored>(u, v, light, blur), 1.0});
}

SCENE_PART Rgb water(double u, double v, const Light& light) {
    double d = v - HORIZON, far = 1.0 / (d + 0.006), t = light.time * light.shimmer;
    double footprint = far * far * 9.0 * light.pixel;
    Slope n = rough<3>(u * far * 4.6 + 0.13 * t, far * 9.0 - 0.41 * t, 801u, footprint, 0.62);
    double calm = 0.45 + 0.55 * step(-0.35, 0.35, grain(u * 2.6 + 0.02 * t, far * 0.55, 861u));
    double tilt = calm * n.value;
    // A facet's tilt moves what it mirrors, mostly up and down; far facets that we see lean towards us.
    double lift = 0.036 * tilt + 0.010, shift = 0.0045 * calm * n.x;
    double mv = v + lift * (0.35 + 2.0 * least(d, 0.3)), blur = 0.004 + 0.02 * calm;
    double up = 2.0 * HORIZON - mv;
    up = up > HORIZON - 0.0005 ? HORIZON - 0.0005 : up;
    Light soft = light;
    soft.pixel = most(light.pixel, 0.0011);
    soft.stars = 0.0;
    Paint mirrored = {{0.0, 0.0, 0.0}, 0.0};
    add_standing<true>(mirrored, u + shift, mv, soft, soft.pixel * 2.0);
    if (mirrored.cover < 1.0) add_distance<true>(mirrored, u + shift, up, soft, soft.pixel, blur);
    Rgb image = mirrored.colour;
    double steep = unit(d * 0.80 + 0.05 + 0.14 * tilt), g = 1.0 - steep, bounce = 0.02 + 0.98 * g * g * g * g * g;
    Rgb body = Rgb{0.0105, 0.0165, 0.0200} * (1.0 + 0.5 * unit(d * 3.0));
    Rgb colour = image * bounce + body * (1.0 - bounce);
    // Glitter: facets whose tilt sends the sun here; wide and broken near by, narrow and closed far out.
    double across = (u + shift - SUN_U) / (0.020 + 0.26 * d), need = (d - (HORIZON - SUN_V)) * 2.2;
    double miss = (tilt - need) * (1.0 / 0.30), path = bump(across);
    path = path * path;
    double spark = bump(miss * 2.6);
    spark = mix(spark * spark * spark * spark, 0.22, unit(footprint * 1.2 - 0.1));
    return colour + Rgb{1.0, 0.68, 0.34} * (11.0 * path * spark * bounce * (0.4 + 0.6 * calm) * light.sunlight);
}

}  // namespace invented
