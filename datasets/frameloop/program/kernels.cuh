// The passes of a frame on the GPU. All are persistent: a grid of n blocks, one to a
// multiprocessor (each takes more than half of its shared memory), strides over the items.
#pragma once

#include "common.hpp"

constexpr int THREADS = 1024;
constexpr int SHARED_BYTES = 120 * 1024;  // two such blocks do not fit on one multiprocessor

// The GPU's own view of time: which frame it is at, and how heavy that frame is.
struct Clockwork {
    unsigned frame;
    unsigned frames;
    const float* load;            // [frames] factor on the items of every pass
    unsigned long long* begin;    // [frames] ns
    unsigned long long* end;      // [frames] ns
};

__device__ inline unsigned long long global_ns() {
    unsigned long long t;
    asm volatile("mov.u64 %0, %globaltimer;" : "=l"(t));
    return t;
}

__device__ inline unsigned items_now(const Clockwork* clock, unsigned items) {
    return static_cast<unsigned>(items * clock->load[clock->frame % clock->frames]);
}

__host__ __device__ inline unsigned scramble(unsigned x) {
    x ^= x >> 16;
    x *= 0x7FEB352Du;
    x ^= x >> 15;
    x *= 0x846CA68Bu;
    return x ^ (x >> 16);
}

// Four independent chains of multiply-adds; the host computes the same to check.
__host__ __device__ inline float shade_one(float start, int rounds) {
    float a = start, b = start + 0.25f, c = start + 0.5f, d = start + 0.75f;
    for (int k = 0; k < rounds; ++k) {
        a = fmaf(a, 0.999f, 0.0007f);
        b = fmaf(b, 0.998f, 0.0011f);
        c = fmaf(c, 0.997f, 0.0013f);
        d = fmaf(d, 0.996f, 0.0017f);
    }
    return a + b + c + d;
}

__global__ void begin_frame(Clockwork* clock) { clock->begin[clock->frame] = global_ns(); }

__global__ void end_frame(Clockwork* clock) {
    clock->end[clock->frame] = global_ns();
    clock->frame += 1;
}

// Arithmetic: 4 bytes in, `rounds` x 4 multiply-adds, 4 bytes out an item.
__global__ void __launch_bounds__(THREADS, 1)
shade(const Clockwork* clock, const float* in, float* out, unsigned items, int rounds) {
    unsigned count = items_now(clock, items), stride = gridDim.x * blockDim.x;
    for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i < count; i += stride)
        out[i] = shade_one(in[i], rounds);
}

// Full-screen traffic: K buffers of 16 bytes an item read, one written.
template <int K>
__global__ void __launch_bounds__(THREADS, 1)
traffic(const Clockwork* clock, const float4* const* buffers, int first, int total, unsigned items) {
    unsigned count = items_now(clock, items), stride = gridDim.x * blockDim.x;
    float4* out = const_cast<float4*>(buffers[(first + K) % total]);
    const float4* in[K];
    for (int j = 0; j < K; ++j) in[j] = buffers[(first + j) % total];
#pragma unroll 4
    for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i < count; i += stride) {
        float4 sum = __ldg(in[0] + i);
        for (int j = 1; j < K; ++j) {
            float4 v = __ldg(in[j] + i);
            sum.x += v.x, sum.y += v.y, sum.z += v.z, sum.w += v.w;
        }
        out[i] = make_float4(sum.x * 0.3f, sum.y * 0.3f, sum.z * 0.3f, sum.w * 0.3f);
    }
}

// Random reads of 16 bytes from a table of `mask` + 1 entries, `reads` an item.
__global__ void __launch_bounds__(THREADS, 1)
gather(const Clockwork* clock, const float4* table, float* out, unsigned items, unsigned mask,
       int reads) {
    unsigned count = items_now(clock, items), stride = gridDim.x * blockDim.x;
    unsigned salt = clock->frame * 0x9E3779B9u;
    for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i < count; i += stride) {
        float sum = 0.0f;
#pragma unroll 4
        for (int r = 0; r < reads; ++r) {
            float4 v = table[scramble(i * 31u + r + salt) & mask];
            sum += v.x + v.y + v.z + v.w;
        }
        out[i] = sum;
    }
}

// Blending: `layers` atomic additions an item into one plane.
__global__ void __launch_bounds__(THREADS, 1)
blend(const Clockwork* clock, unsigned* plane, unsigned items, int layers) {
    unsigned count = items_now(clock, items), stride = gridDim.x * blockDim.x;
    for (int layer = 0; layer < layers; ++layer)
        for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i < count; i += stride)
            atomicAdd(plane + i, 1u + layer);
}

// One thread after one address, each read from the last: what no width shortens.
__global__ void chain(const unsigned* links, unsigned* out, unsigned mask, int steps) {
    unsigned at = *out & mask;
    for (int k = 0; k < steps; ++k) at = links[at];
    *out = at;
}

__global__ void fill_floats(float* out, size_t count, float scale) {
    size_t stride = static_cast<size_t>(gridDim.x) * blockDim.x;
    for (size_t i = blockIdx.x * static_cast<size_t>(blockDim.x) + threadIdx.x; i < count; i += stride)
        out[i] = scale * (scramble(static_cast<unsigned>(i)) >> 8) / 16777216.0f;
}

// A walk that visits the whole table: a full-period generator modulo a power of two.
__global__ void fill_links(unsigned* links, unsigned mask) {
    unsigned stride = gridDim.x * blockDim.x;
    for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i <= mask; i += stride)
        links[i] = (i * 1664525u + 1013904223u) & mask;
}
