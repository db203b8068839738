// Encoding for a file: linear working light → a target space's primaries, its gamut, its curve, whole code values.
#pragma once
#include "exact.h"
#include "gamut.h"

struct EncodeCurve { float limit, slope, scale, exponent; };   // below `limit` slope·v, above scale·v^exponent − (scale − 1)

FN float encode_curve(float v, EncodeCurve c) {
    const float bent = c.scale * exp2_f(c.exponent * log2_f(v)) - (c.scale - 1.0f);   // a constant exponent: see pow_f
    return clamp_of(v < c.limit ? v * c.slope : bent, 0.0f, 1.0f);
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
    PARAMS(float m[9]; float weight[3]; float floor, knee; float limit, slope, scale, exponent; float highest, noise;);
    FORM_OF(float, OUT, 3, 3, 0, 1);
    template <class A> static FN void at(A a, OUT* o, const P& p, int y, int x) {
        const float r = a(0, 0, 0), g = a(1, 0, 0), b = a(2, 0, 0);
        const float red = r - g, blue = b - g;   // the matrix's rows add up to 1: written so, greys stay grey to the bit
        const GamutColour given = {g + (p.m[0] * red + p.m[2] * blue), g + (p.m[3] * red + p.m[5] * blue),
                                   g + (p.m[6] * red + p.m[8] * blue)};
        const GamutColour v = gamut_from_above(gamut_from_below(given, p.weight, p.floor), p.weight, p.knee);
        const EncodeCurve curve = {p.limit, p.slope, p.scale, p.exponent};
        const float noise = encode_noise(y, x) * p.noise;   // the same for all channels: greys stay grey
        o[0] = code(encode_curve(v.r, curve), noise, p.highest);
        o[1] = code(encode_curve(v.g, curve), noise, p.highest);
        o[2] = code(encode_curve(v.b, curve), noise, p.highest);
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
