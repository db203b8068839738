// Encoding for a file: linear working light → a target space's primaries, its gamut, its curve, whole code values.
#pragma once
#include "exact.h"
#include "gamut.h"

// The two ways of gamut.h with one division each, and none where nothing is to be drawn on a GPU.
FN GamutColour encode_from_below(GamutColour v, const float* weight, float floor) {
    const float y = gamut_luminance(v, weight), least = gamut_least(v);
    const bool light = y > 1e-12f, beyond = least < floor * y;   // below, every code is 0
#if !HOST_ONLY
    if (light && !beyond) return v;
#endif
    const float rest = 2.0f * floor * y - least, part = light && beyond ? rest * (y - least) : 1.0f;
    const float pull = beyond ? y * (rest - floor * floor * y) / part : 1.0f;
    v.r = beyond ? gamut_drawn(v.r, y, pull) : v.r;
    v.g = beyond ? gamut_drawn(v.g, y, pull) : v.g;
    v.b = beyond ? gamut_drawn(v.b, y, pull) : v.b;
    return {light ? v.r : 0.0f, light ? v.g : 0.0f, light ? v.b : 0.0f};
}
FN GamutColour encode_from_above(GamutColour v, const float* weight, float knee) {
    const float y = min_of(gamut_luminance(v, weight), 1.0f), top = gamut_most(v) - y, room = 1.0f - y;
    const float over = top - knee * room, last = (1.0f - knee) * room, span = over + last;
    const bool beyond = over > 0.0f;
#if !HOST_ONLY
    if (!beyond) return v;
#endif
    const float pull = (room * span - last * last) / (beyond ? span * top + 1e-30f : 1.0f);
    v.r = beyond ? gamut_drawn(v.r, y, pull) : v.r;
    v.g = beyond ? gamut_drawn(v.g, y, pull) : v.g;
    v.b = beyond ? gamut_drawn(v.b, y, pull) : v.b;
    return v;
}

// slope·v below `limit`, above scale·v^exponent − less: v is m·2^k with m about 1, `series` is scale·m^exponent over powers of
// m − 1 to the seventh, powers[k + 11] is 2^(k·exponent). 0 below and 1 above; a NaN becomes 0.
template <class P> FN float encode_curve(float given, const P& p) {
    const float v = clamp_of(given, 0.0f, 1.0f);
    const unsigned int u = exact_bits_f(max_of(v, 4.8828125e-4f)) + (0x3f800000u - 0x3f3504f3u);
    const float f = exact_from_bits_f((u & 0x007fffffu) + 0x3f3504f3u) - 1.0f;
    float q = p.series[7];
    q = q * f + p.series[6];
    q = q * f + p.series[5];
    q = q * f + p.series[4];
    q = q * f + p.series[3];
    q = q * f + p.series[2];
    q = q * f + p.series[1];
    q = q * f + p.series[0];
    return v < p.limit ? v * p.slope : q * p.powers[(int)(u >> 23) - 116] - p.less;
}
FN float encode_noise(int y, int x) {   // −1/2 … 1/2 by an integer hash (finaliser of MurmurHash3) of the global position
    uint32_t h = (uint32_t)x * 0x9e3779b1u ^ (uint32_t)y * 0x85ebca6bu;
    h ^= h >> 16;
    h *= 0x85ebca6bu;
    h ^= h >> 13;
    h *= 0xc2b2ae35u;
    h ^= h >> 16;
    return (float)(int)(h >> 9) * 1.1920928955078125e-07f - 0.5f;
}
template <class OUT> struct EncodeLight {   // highest: the largest code value; noise: 0, or 1 for a dither of one step
    PARAMS(float m[9]; float weight[3]; float floor, knee; float limit, slope, less, series[8], powers[12]; float highest, noise;);
    FORM_OF(float, OUT, 3, 3, 0, 1);
    template <class A> static FN void at(A a, OUT* o, const P& p, int y, int x) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float red = r - g, blue = b - g;   // the matrix's rows add up to 1: written so, greys stay grey to the bit
        const GamutColour given = {g + (p.m[0] * red + p.m[2] * blue), g + (p.m[3] * red + p.m[5] * blue),
                                   g + (p.m[6] * red + p.m[8] * blue)};
        const GamutColour v = encode_from_above(encode_from_below(given, p.weight, p.floor), p.weight, p.knee);
        float noise = 0.0f;
        if (p.noise != 0.0f) noise = encode_noise(y, x) * p.noise;   // the same for all channels: greys stay grey
        o[0] = code(encode_curve(v.r, p), noise, p.highest);
        o[1] = code(encode_curve(v.g, p), noise, p.highest);
        o[2] = code(encode_curve(v.b, p), noise, p.highest);
    }
    static FN OUT code(float v, float noise, float highest) {
        return (OUT)(int)rint_of(clamp_of(v * highest + noise, 0.0f, highest));
    }
};
struct encode_16 : EncodeLight<uint16_t> {};
KERNEL(encode_16)
struct encode_8 : EncodeLight<uint8_t> {};
KERNEL(encode_8)

template <class OUT> struct EncodeShare {   // a plane of 0..1 that carries no light, such as coverage
    PARAMS(float highest;);
    FORM_OF(float, OUT, 1, 1, 0, 1);
    template <class A> static FN void at(A a, OUT* o, const P& p, int, int) {
        o[0] = (OUT)(int)rint_of(clamp_of(a(0, 0, 0) * p.highest, 0.0f, p.highest));
    }
};
struct encode_share_16 : EncodeShare<uint16_t> {};
KERNEL(encode_share_16)
struct encode_share_8 : EncodeShare<uint8_t> {};
KERNEL(encode_share_8)
