// Turns a scene into a graph of kernels for one part (n multiprocessors) and one resolution.
#pragma once

#include <algorithm>
#include <vector>

#include "kernels.cuh"
#include "scenes.hpp"

constexpr unsigned MOST_ITEMS = 3840u * 2160u * 3u / 2u;  // the largest load is 1.5
constexpr int BUFFERS = 6;
constexpr unsigned TABLE_MB = 512;
constexpr int MOST_FRAMES = 4096;

// Buffers that live as long as the program, and the graph that is drawn at the moment.
class Renderer {
  public:
    Renderer() {
        CHECKED(cudaStreamCreateWithFlags(&stream, cudaStreamNonBlocking));
        std::vector<float4*> planes(BUFFERS);
        for (float4*& plane : planes) {
            plane = device<float4>(MOST_ITEMS);
            fill_floats<<<264, THREADS, 0, stream>>>(reinterpret_cast<float*>(plane),
                                                     size_t(MOST_ITEMS) * 4, 1.0f);
        }
        buffers = device<float4*>(BUFFERS);
        CHECKED(cudaMemcpy(buffers, planes.data(), sizeof(float4*) * BUFFERS, cudaMemcpyDefault));
        plane_zero = planes[0];
        scalars = device<float>(MOST_ITEMS);
        results = device<float>(MOST_ITEMS);
        counts = device<unsigned>(MOST_ITEMS);
        table = device<float4>(TABLE_MB * 65536u);
        links = device<unsigned>(LINKS);
        place = device<unsigned>(1);
        fill_floats<<<264, THREADS, 0, stream>>>(scalars, MOST_ITEMS, 1.0f);
        fill_floats<<<264, THREADS, 0, stream>>>(reinterpret_cast<float*>(table),
                                                 size_t(TABLE_MB) * 262144u, 1.0f);
        fill_links<<<264, THREADS, 0, stream>>>(links, LINKS - 1);
        CHECKED(cudaMemset(place, 0, sizeof(unsigned)));
        CHECKED(cudaMemset(counts, 0, sizeof(unsigned) * MOST_ITEMS));
        clock = device<Clockwork>(1);
        load = device<float>(MOST_FRAMES);
        begin = device<unsigned long long>(MOST_FRAMES);
        end = device<unsigned long long>(MOST_FRAMES);
        allow_shared();
        CHECKED(cudaDeviceSynchronize());
    }

    // Set the script and put the GPU's clockwork to frame 0.
    void rewind(const std::vector<float>& loads) {
        CHECKED(cudaStreamSynchronize(stream));
        Clockwork start{0, static_cast<unsigned>(loads.size()), load, begin, end};
        CHECKED(cudaMemcpy(load, loads.data(), sizeof(float) * loads.size(), cudaMemcpyDefault));
        CHECKED(cudaMemcpy(clock, &start, sizeof(start), cudaMemcpyDefault));
    }

    // Record the passes of a scene once; each frame then is one submission.
    void record(const Scene& scene, Resolution resolution, int multiprocessors) {
        if (ready) CHECKED(cudaGraphExecDestroy(ready));
        cudaGraph_t graph;
        CHECKED(cudaStreamBeginCapture(stream, cudaStreamCaptureModeThreadLocal));
        begin_frame<<<1, 1, 0, stream>>>(clock);
        first_ = 0;
        for (const Pass& pass : scene.passes) add(pass, resolution.pixels(), multiprocessors);
        end_frame<<<1, 1, 0, stream>>>(clock);
        CHECKED(cudaStreamEndCapture(stream, &graph));
        CHECKED(cudaGraphInstantiate(&ready, graph, 0));
        CHECKED(cudaGraphUpload(ready, stream));
        CHECKED(cudaGraphDestroy(graph));
    }

    void submit() { CHECKED(cudaGraphLaunch(ready, stream)); }

    // Milliseconds of GPU time of each frame since the rewind: from the first kernel to the last.
    std::vector<double> busy(int frames) const {
        CHECKED(cudaStreamSynchronize(stream));
        std::vector<unsigned long long> from(frames), to(frames);
        size_t bytes = sizeof(unsigned long long) * frames;
        CHECKED(cudaMemcpy(from.data(), begin, bytes, cudaMemcpyDefault));
        CHECKED(cudaMemcpy(to.data(), end, bytes, cudaMemcpyDefault));
        std::vector<double> milliseconds(frames);
        for (int f = 0; f < frames; ++f) milliseconds[f] = (to[f] - from[f]) * 1e-6;
        return milliseconds;
    }

    template <typename T>
    static T* device(size_t count) {
        void* pointer;
        CHECKED(cudaMalloc(&pointer, count * sizeof(T)));
        return static_cast<T*>(pointer);
    }

    static constexpr unsigned LINKS = 1u << 26;  // 256 MB of addresses
    cudaStream_t stream;
    cudaGraphExec_t ready = nullptr;
    Clockwork* clock;
    float4 **buffers, *plane_zero, *table;
    float *scalars, *results, *load;
    unsigned *counts, *links, *place;
    unsigned long long *begin, *end;

  private:
    int first_ = 0;  // the buffer that the next traffic pass reads first

    static void allow_shared() {
        auto raise = [](const void* kernel) {
            CHECKED(cudaFuncSetAttribute(kernel, cudaFuncAttributeMaxDynamicSharedMemorySize,
                                         SHARED_BYTES));
        };
        raise(reinterpret_cast<const void*>(shade));
        raise(reinterpret_cast<const void*>(traffic<1>));
        raise(reinterpret_cast<const void*>(traffic<2>));
        raise(reinterpret_cast<const void*>(traffic<3>));
        raise(reinterpret_cast<const void*>(gather));
        raise(reinterpret_cast<const void*>(blend));
    }

    void add_traffic(int reads, unsigned items, int n) {
        auto run = [&](auto kernel) {
            kernel<<<n, THREADS, SHARED_BYTES, stream>>>(clock, buffers, first_, BUFFERS, items);
        };
        if (reads == 1) run(traffic<1>);
        if (reads == 2) run(traffic<2>);
        if (reads == 3) run(traffic<3>);
        first_ = (first_ + reads) % BUFFERS;
    }

    void add(const Pass& pass, unsigned pixels, int n) {
        double wanted = pass.fixed ? pass.size * 1000.0 : pass.size * pixels;
        unsigned items = static_cast<unsigned>(wanted);
        switch (pass.kind) {
            case Kind::shade:
                shade<<<n, THREADS, SHARED_BYTES, stream>>>(clock, scalars, results, items,
                                                            pass.amount);
                break;
            case Kind::traffic:
                add_traffic(pass.amount, items, n);
                break;
            case Kind::gather:
                gather<<<n, THREADS, SHARED_BYTES, stream>>>(clock, table, results, items,
                                                             pass.extra * 65536u - 1, pass.amount);
                break;
            case Kind::blend:
                blend<<<n, THREADS, SHARED_BYTES, stream>>>(clock, counts, items, pass.amount);
                break;
            case Kind::draws: {
                int blocks = std::min(n, static_cast<int>((items + THREADS - 1) / THREADS));
                for (int k = 0; k < pass.amount; ++k)
                    shade<<<blocks, THREADS, SHARED_BYTES, stream>>>(clock, scalars, results, items,
                                                                     pass.extra);
                break;
            }
            case Kind::chain:
                chain<<<1, 1, 0, stream>>>(links, place, LINKS - 1, pass.amount);
                break;
        }
        CHECKED(cudaGetLastError());
    }
};
