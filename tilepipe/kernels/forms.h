// The kernel language: a body of one pixel, written once, becomes a CPU loop over rows and a GPU grid.
//
//   struct exposure {
//       PARAMS(float gain;);                  // the declaration is the signature, checked when the library is loaded
//       FORM(3, 3, 0, 1);                     // planes in, planes out, reach in px, step (2: one output per 2×2 inputs)
//       template <class A> static FN void at(A a, float* o, const P& p, int y, int x) {
//           for (int c = 0; c < 3; c++) o[c] = a(c, 0, 0) * p.gain;
//       }
//   };
//   KERNEL(exposure)
//
// a(channel, dy, dx) reads the input beside the output's pixel (y, x), which are global coordinates of the output picture.
// The border rule (mirror without repeating the rim, "reflect-101") applies at the picture's border, never at a window's.
// SPARSE(K) is KERNEL(K) for bodies that do much in few places.
// TALLY(K) is the form for measurements: `tally(a, p, y, x, put)` calls put(bin, amount) and the amounts are exact int64 sums.
// DRIVER(K) is a host function of a parameter block that schedules kernels (row streaming) and holds no arithmetic of its own.
#pragma once

#ifdef __FAST_MATH__
#error "tilepipe kernels need IEEE arithmetic: compile without -ffast-math"
#endif

#ifdef __CUDACC__
#define FN __device__ __forceinline__
#define HOST_ONLY 0
typedef unsigned char uint8_t;
typedef unsigned short uint16_t;
typedef unsigned int uint32_t;
typedef int int32_t;
typedef long long int64_t;
typedef unsigned long long uint64_t;
#else
#define FN inline __attribute__((always_inline))
#define HOST_ONLY 1
#include <cfloat>
#include <cstdint>
#include <cstring>
static_assert(FLT_EVAL_METHOD == 0, "intermediate results must be rounded to their type");
#endif

// ---------------------------------------------------------------- exact building blocks
#ifdef __CUDACC__
FN float sqrt_of(float v) { return __fsqrt_rn(v); }
FN double sqrt_of(double v) { return __dsqrt_rn(v); }
FN float floor_of(float v) { return floorf(v); }
FN double floor_of(double v) { return floor(v); }
FN float rint_of(float v) { return rintf(v); }
FN double rint_of(double v) { return rint(v); }
FN float abs_of(float v) { return __int_as_float(__float_as_int(v) & 0x7fffffff); }
FN double abs_of(double v) { return __longlong_as_double(__double_as_longlong(v) & 0x7fffffffffffffffLL); }
FN int bits_of(float v) { return __float_as_int(v); }
FN float float_of(int bits) { return __int_as_float(bits); }
#else
FN float sqrt_of(float v) { return __builtin_sqrtf(v); }
FN double sqrt_of(double v) { return __builtin_sqrt(v); }
FN float floor_of(float v) { return __builtin_floorf(v); }
FN double floor_of(double v) { return __builtin_floor(v); }
FN float rint_of(float v) { return __builtin_rintf(v); }   // half to even: the rounding mode is set in every call
FN double rint_of(double v) { return __builtin_rint(v); }
FN float abs_of(float v) { return __builtin_fabsf(v); }
FN double abs_of(double v) { return __builtin_fabs(v); }
FN int bits_of(float v) { int bits; std::memcpy(&bits, &v, 4); return bits; }
FN float float_of(int bits) { float v; std::memcpy(&v, &bits, 4); return v; }
#endif
template <class T> FN constexpr T min_of(T a, T b) { return a < b ? a : b; }
template <class T> FN T max_of(T a, T b) { return a > b ? a : b; }
template <class T> FN T clamp_of(T v, T low, T high) { v = v > low ? v : low; return v < high ? v : high; }   // a NaN becomes `low`
FN bool finite_of(float v) { return (bits_of(v) & 0x7f800000) != 0x7f800000; }

// ---------------------------------------------------------------- windows of a picture
struct Plane {          // one channel of a window; pitch in elements; (y0, x0) and (H, W) in global pixels of its picture
    void* p;
    long long pitch;
    int y0, x0, h, w, H, W;
};
template <class T> FN T* row_of(const Plane& plane, int y) { return (T*)plane.p + (long long)(y - plane.y0) * plane.pitch; }

FN int mirror(int i, int n) {   // reflect-101, any distance
    if (i >= 0 && i < n) return i;
    if (n == 1) return 0;
    int period = 2 * (n - 1);
    i = i < 0 ? -i : i;
    i = i % period;
    return i < n ? i : period - i;
}

#define PARAMS(...) struct P { __VA_ARGS__ }; static constexpr const char* params = #__VA_ARGS__
#define FORM(INS, OUTS, REACH, STEP) FORM_OF(float, float, INS, OUTS, REACH, STEP)
#define FORM_OF(IN, OUT, INS, OUTS, REACH, STEP) \
    typedef IN in_t; typedef OUT out_t; enum { ins = INS, outs = OUTS, reach = REACH, step = STEP }

template <class K> struct Args {
    Plane in[(K::ins > 0) ? (int)K::ins : 1], out[(K::outs > 0) ? (int)K::outs : 1];
    typename K::P p;
};

template <class K> struct Near {   // any pixel, border rule inside
    const Args<K>& k;
    int y, x;
    FN Near(const Args<K>& args, int row, int col) : k(args), y(K::step * row), x(K::step * col) {}
    FN typename K::in_t operator()(int c, int dy, int dx) const {
        const Plane& i = k.in[c];
        return row_of<const typename K::in_t>(i, mirror(y + dy, i.H))[mirror(x + dx, i.W) - i.x0];
    }
};

#ifdef __CUDACC__
// ---------------------------------------------------------------- the GPU's grids
// One thread makes one pixel, or a few of its row where a pixel is little work: they are computed before any is stored, so
// that several reads are under way at once. A body of a stencil stands twice: with the border rule, and without.
template <class K> struct Inside {   // pixels whose reads stay inside the picture
    const Args<K>& k;
    int y, x;
    FN typename K::in_t operator()(int c, int dy, int dx) const {
        const Plane& i = k.in[c];
        return row_of<const typename K::in_t>(i, y + dy)[x + dx - i.x0];
    }
};
template <class K> FN bool is_inside(const Args<K>& a, int y, int x) {
    const int low = (int)K::reach, row = (int)K::step * y, col = (int)K::step * x;
    return row >= low && col >= low && row + low < a.in[0].H && col + low < a.in[0].W;
}
#ifndef TILEPIPE_GRID_PIXELS
#define TILEPIPE_GRID_PIXELS(K) ((int)K::ins == 0 || (int)K::reach > 0 || (int)K::ins + (int)K::outs > 8 ? 1 : \
                                 (int)K::ins + (int)K::outs > 3 ? 2 : 4)
#endif
template <class K> FN void grid_pixel(const Args<K>& a, typename K::out_t* o, int y, int x) {
    if (K::ins == 0 || K::reach == 0 || is_inside(a, y, x)) {
        K::at(Inside<K>{a, (int)K::step * y, (int)K::step * x}, o, a.p, y, x);
    } else {
        K::at(Near<K>(a, y, x), o, a.p, y, x);
    }
}
template <class K, int N> FN void grid_pixels(const Args<K>& a) {
    const Plane& to = a.out[0];
    const int x = blockIdx.x * (blockDim.x * N) + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
    if (y >= to.h) return;
    typename K::out_t o[N][K::outs];
#pragma unroll
    for (int i = 0; i < N; i++) {
        const int col = x + i * (int)blockDim.x;
        if (col < to.w) grid_pixel<K>(a, o[i], y + to.y0, col + to.x0);
    }
#pragma unroll
    for (int i = 0; i < N; i++) {
        const int col = x + i * (int)blockDim.x;
        if (col >= to.w) return;
        for (int c = 0; c < K::outs; c++) ((typename K::out_t*)a.out[c].p)[(long long)y * a.out[c].pitch + col] = o[i][c];
    }
}
// How a kernel's grid lies over the window: a thread makes `across` × `down` pixels, a block of 32 × 8 threads that many
// times as many. GRID_OF, before KERNEL, gives a kernel a grid of its own: a function of its arguments with the same bits as
// `at`, at least BLOCKS at once on a multiprocessor. The launcher reads GRID_OF's numbers from the text; `NAME_pixels` shows the numbers without it.
template <class K> struct GridOf {
    enum { across = TILEPIPE_GRID_PIXELS(K), down = 1, threads = 1024, blocks = 1 };
    static FN void run(const Args<K>& a) { grid_pixels<K, across>(a); }
};
#define GRID_OF(K, ACROSS, DOWN, BLOCKS, RUN) template <> struct GridOf<K> { \
    enum { across = ACROSS, down = DOWN, threads = 256, blocks = BLOCKS }; \
    static FN void run(const Args<K>& a) { RUN(a); } };
#define KERNEL(K) \
    extern "C" __device__ const int K##_pixels = GridOf<K>::across; \
    extern "C" __global__ void __launch_bounds__(GridOf<K>::threads, GridOf<K>::blocks) K##_grid(const __grid_constant__ Args<K> a) { GridOf<K>::run(a); }
// MANY(K), after KERNEL: the same over several argument blocks at once, one a layer of the grid.
template <class K> struct ManyArgs { Args<K> each[min_of(64, 32764 / (int)sizeof(Args<K>))]; };
#define MANY(K) \
    extern "C" __global__ void __launch_bounds__(GridOf<K>::threads, GridOf<K>::blocks) K##_many(const __grid_constant__ ManyArgs<K> a) { \
        GridOf<K>::run(a.each[blockIdx.z]); }
#define SPARSE(K) KERNEL(K)
struct DevicePut {
    unsigned long long* counts;
    FN void operator()(long long bin, long long amount) const { atomicAdd(counts + bin, (unsigned long long)amount); }
};
#define TALLY(K) extern "C" __global__ void K##_grid(const __grid_constant__ Args<K> a) { \
    int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y; \
    if (x >= a.out[0].w || y >= a.out[0].h) return; \
    K::tally(Near<K>(a, y + a.out[0].y0, x + a.out[0].x0), a.p, y + a.out[0].y0, x + a.out[0].x0, \
             DevicePut{(unsigned long long*)a.out[0].p}); }
#define DRIVER(K)
#else
// ---------------------------------------------------------------- the CPU's rows
#define GRID_OF(K, ACROSS, DOWN, BLOCKS, RUN)
#define MANY(K)
#if defined(__clang__)
#define VECTOR_LOOP _Pragma("clang loop vectorize(assume_safety) interleave(enable)")
#else
#define VECTOR_LOOP _Pragma("GCC ivdep")
#endif

#if defined(__x86_64__)
#include <xmmintrin.h>
struct FloatEnvironment {   // nearest rounding, subnormals alive, whatever a foreign library left behind; restored afterwards
    unsigned saved = _mm_getcsr();
    FloatEnvironment() { _mm_setcsr(0x1f80); }
    ~FloatEnvironment() { _mm_setcsr(saved); }
};
#elif defined(__aarch64__)
struct FloatEnvironment {
    uint64_t saved;
    FloatEnvironment() { asm volatile("mrs %0, fpcr" : "=r"(saved)); asm volatile("msr fpcr, %0" ::"r"((uint64_t)0)); }
    ~FloatEnvironment() { asm volatile("msr fpcr, %0" ::"r"(saved)); }
};
#endif

template <class K> struct Inner {   // pixels away from the border: row pointers, no border rule
    const typename K::in_t* row[(K::ins > 0) ? (int)K::ins : 1][2 * K::reach + 1];
    long x0;
    FN Inner(const Args<K>& a, int y) : x0((long)K::step * a.out[0].x0) {
        for (int c = 0; c < K::ins; c++)
            for (int d = -K::reach; d <= K::reach; d++)
                row[c][d + K::reach] = row_of<const typename K::in_t>(a.in[c], mirror(K::step * y + d, a.in[c].H)) - a.in[c].x0;
    }
    struct At {
        const Inner& n;
        long x;
        FN typename K::in_t operator()(int c, int dy, int dx) const { return n.row[c][dy + K::reach][x + dx]; }
    };
    FN At to(long col) const { return {*this, x0 + K::step * col}; }
};

struct Span { int low, high; };
template <class K> Span interior(const Args<K>& a) {   // output columns of this window whose reads stay inside the picture
    const Plane& o = a.out[0];
    if (K::ins == 0 || K::reach == 0) return {0, o.w};
    int low = 0, high = o.w;
    while (low < high && K::step * (low + o.x0) < K::reach) low++;
    while (high > low && K::step * (high - 1 + o.x0) + K::reach >= a.in[0].W) high--;
    return {low, high};
}

template <class K, bool SPARSE_BODY = false> void rows(const void* block, int first, int last) {
    FloatEnvironment environment;
    const auto& a = *(const Args<K>*)block;
    const auto p = a.p;
    const Span span = interior(a);
    const int y0 = a.out[0].y0, x0 = a.out[0].x0, width = a.out[0].w;
    for (int r = first; r < last; r++) {
        const int y = r + y0;
        Inner<K> inner(a, y);
        typename K::out_t* q[K::outs];
        for (int c = 0; c < K::outs; c++) q[c] = (typename K::out_t*)a.out[c].p + (long long)r * a.out[c].pitch;
        auto put = [&](auto near, long i) __attribute__((always_inline)) {
            typename K::out_t o[K::outs];
            K::at(near, o, p, y, (int)(x0 + i));
            for (int c = 0; c < K::outs; c++) q[c][i] = o[c];
        };
        for (int i = 0; i < span.low; i++) put(Near<K>(a, y, x0 + i), i);
        if constexpr (!SPARSE_BODY) {
            VECTOR_LOOP
            for (long i = span.low; i < span.high; i++) put(inner.to(i), i);
        } else {
            for (long from = span.low; from < span.high; from += 64) {
                const long to = min_of(from + 64, (long)span.high);
                int busy = 0;
                VECTOR_LOOP
                for (long i = from; i < to; i++) busy |= K::busy(inner.to(i), p);
                if (busy) {
                    VECTOR_LOOP
                    for (long i = from; i < to; i++) put(inner.to(i), i);
                } else {
                    VECTOR_LOOP
                    for (long i = from; i < to; i++) {
                        typename K::out_t o[K::outs];
                        K::plain(inner.to(i), o, p, y, (int)(x0 + i));
                        for (int c = 0; c < K::outs; c++) q[c][i] = o[c];
                    }
                }
            }
        }
        for (int i = span.high; i < width; i++) put(Near<K>(a, y, x0 + i), i);
    }
}
// SPARSE(K): the body also has `busy(a, p)`, 1 where a pixel needs `at`, and `plain`, which gives the others the same bits with
// less work. The CPU takes the short way over 64 pixels at once.
template <class K> void sparse_rows(const void* block, int first, int last) { rows<K, true>(block, first, last); }

struct HostPut {
    int64_t* counts;
    FN void operator()(long long bin, long long amount) const { counts[bin] += amount; }
};
template <class K> void tally_rows(const void* block, int first, int last) {
    FloatEnvironment environment;
    const auto& a = *(const Args<K>*)block;
    const auto p = a.p;
    const Span span = interior(a);
    const int y0 = a.out[0].y0, x0 = a.out[0].x0, width = a.out[0].w;
    const HostPut put{(int64_t*)a.out[0].p};
    for (int r = first; r < last; r++) {
        const int y = r + y0;
        Inner<K> inner(a, y);
        for (int i = 0; i < span.low; i++) K::tally(Near<K>(a, y, x0 + i), p, y, x0 + i, put);
        for (long i = span.low; i < span.high; i++) K::tally(inner.to(i), p, y, (int)(x0 + i), put);
        for (int i = span.high; i < width; i++) K::tally(Near<K>(a, y, x0 + i), p, y, x0 + i, put);
    }
}
template <class K> void drive(const void* block, int first, int last) {
    FloatEnvironment environment;
    K::run(*(const typename K::P*)block, first, last);
}

template <class T> inline constexpr const char* type_name = nullptr;   // a type without a name here is no type for planes
template <> inline constexpr const char* type_name<float> = "float32";
template <> inline constexpr const char* type_name<double> = "float64";
template <> inline constexpr const char* type_name<uint8_t> = "uint8";
template <> inline constexpr const char* type_name<uint16_t> = "uint16";
template <> inline constexpr const char* type_name<int32_t> = "int32";
template <> inline constexpr const char* type_name<int64_t> = "int64";

struct Entry {   // one row of the table that Python reads; `bytes` is the size of the argument block
    const char *name, *params, *form, *source, *result;   // form: at, tally, driver; source, result: types of planes
    int ins, outs, reach, step, bytes;
    void (*run)(const void*, int, int);
    const Entry* next;
};
extern "C" const Entry* tilepipe_register(Entry* entry);   // keeps the first of each name: headers may include each other
struct Registered {
    Entry entry;
    explicit Registered(const Entry& e) : entry(e) { tilepipe_register(&entry); }
};
#define ROW_OF_FORM(K, FORM_NAME, RUN) namespace { \
    static_assert(type_name<K::in_t> && type_name<K::out_t>, "a plane's type must be one of type_name's"); \
    Registered registered_##K(Entry{#K, K::params, FORM_NAME, type_name<K::in_t>, type_name<K::out_t>, \
        K::ins, K::outs, K::reach, K::step, (int)sizeof(Args<K>), RUN<K>, nullptr}); }
#define ROW_OF_TABLE(K, RUN) ROW_OF_FORM(K, "at", RUN)
#define KERNEL(K) ROW_OF_FORM(K, "at", rows)
#define SPARSE(K) ROW_OF_FORM(K, "at", sparse_rows)
#define TALLY(K) ROW_OF_FORM(K, "tally", tally_rows)
#define DRIVER(K) namespace { \
    Registered registered_##K(Entry{#K, K::params, "driver", "", "", 0, 0, 0, 0, (int)sizeof(K::P), drive<K>, nullptr}); }
#endif
