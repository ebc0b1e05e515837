// Self-checks, and the micro-benchmarks of a part.
#pragma once

#include <functional>
#include <set>

#include "loop.cuh"

__global__ void who(unsigned* out) {
    if (threadIdx.x == 0) {
        unsigned id;
        asm volatile("mov.u32 %0, %smid;" : "=r"(id));
        out[blockIdx.x] = id;
    }
}

// Reads alone: what a part can pull from memory, or from the cache if `count` fits there.
__global__ void __launch_bounds__(THREADS, 1)
pull(const float4* in, unsigned count, int rounds, float* out) {
    unsigned stride = gridDim.x * blockDim.x;
    float sum = 0.0f;
    for (int r = 0; r < rounds; ++r)
#pragma unroll 8
        for (unsigned i = blockIdx.x * blockDim.x + threadIdx.x; i < count; i += stride) {
            float4 v = __ldcg(in + i);
            sum += v.x + v.y + v.z + v.w;
        }
    if (sum == -1.0f) *out = sum;
}

__global__ void __launch_bounds__(THREADS, 1) tick(long long* cycles, unsigned long long* ns) {
    long long from = clock64();
    unsigned long long start = global_ns();
    while (global_ns() - start < 200000) {
    }
    if (blockIdx.x == 0 && threadIdx.x == 0) *cycles = clock64() - from, *ns = global_ns() - start;
}

class Bench {
  public:
    explicit Bench(Renderer& renderer) : r_(renderer) {
        CHECKED(cudaEventCreate(&from_));
        CHECKED(cudaEventCreate(&to_));
        for (const void* kernel : {reinterpret_cast<const void*>(who),
                                   reinterpret_cast<const void*>(pull),
                                   reinterpret_cast<const void*>(tick)})
            CHECKED(cudaFuncSetAttribute(kernel, cudaFuncAttributeMaxDynamicSharedMemorySize,
                                         SHARED_BYTES));
    }

    // Milliseconds of the median of nine goes, after one that does not count.
    double milliseconds(const std::function<void()>& go) {
        std::vector<double> times;
        for (int k = 0; k < 10; ++k) {
            CHECKED(cudaEventRecord(from_, r_.stream));
            go();
            CHECKED(cudaEventRecord(to_, r_.stream));
            CHECKED(cudaEventSynchronize(to_));
            float ms;
            CHECKED(cudaEventElapsedTime(&ms, from_, to_));
            if (k) times.push_back(ms);
        }
        std::nth_element(times.begin(), times.begin() + 4, times.end());
        return times[4];
    }

    // One line of the table of micro-benchmarks: see the header in main.cu.
    void line(FILE* out, const char* chip, int n) {
        r_.rewind({1.0f});
        const unsigned all = 3840u * 2160u;
        auto grid = [&](auto kernel, auto... arguments) {
            kernel<<<n, THREADS, SHARED_BYTES, r_.stream>>>(arguments...);
            CHECKED(cudaGetLastError());
        };
        double shading = milliseconds([&] { grid(shade, r_.clock, r_.scalars, r_.results, all, 400); });
        double copy = milliseconds([&] { grid(traffic<1>, r_.clock, r_.buffers, 0, BUFFERS, all); });
        double read = milliseconds([&] { grid(pull, r_.table, 1u << 25, 1, r_.results); });
        double cached = milliseconds([&] { grid(pull, r_.table, 1u << 19, 20, r_.results); });
        double wide = milliseconds(
            [&] { grid(gather, r_.clock, r_.table, r_.results, all / 2, TABLE_MB * 65536u - 1, 4); });
        double narrow = milliseconds(
            [&] { grid(gather, r_.clock, r_.table, r_.results, all / 2, 16 * 65536u - 1, 4); });
        double adding = milliseconds([&] { grid(blend, r_.clock, r_.counts, all, 2); });
        std::fprintf(out, "%s,%d,%.1f,%.4g,%.5g,%.5g,%.5g,%.4g,%.4g,%.4g\n", chip, n, clock_mhz(n),
                     all * 400.0 * 8.0 / shading * 1e-9, all * 32.0 / copy * 1e-6,
                     536870912.0 / read * 1e-6, 20.0 * 8388608.0 / cached * 1e-6,
                     all * 2.0 / wide * 1e-6, all * 2.0 / narrow * 1e-6, all * 2.0 / adding * 1e-6);
        std::fflush(out);
    }

    double clock_mhz(int n) {
        long long* cycles = Renderer::device<long long>(1);
        auto* ns = Renderer::device<unsigned long long>(1);
        tick<<<n, THREADS, SHARED_BYTES, r_.stream>>>(cycles, ns);
        CHECKED(cudaStreamSynchronize(r_.stream));
        long long counted;
        unsigned long long taken;
        CHECKED(cudaMemcpy(&counted, cycles, sizeof(counted), cudaMemcpyDefault));
        CHECKED(cudaMemcpy(&taken, ns, sizeof(taken), cudaMemcpyDefault));
        CHECKED(cudaFree(cycles));
        CHECKED(cudaFree(ns));
        return 1e3 * counted / taken;
    }

    // Every kernel against the host, blocks against multiprocessors, stamps against events.
    bool sound() {
        bool good = true;
        auto expect = [&](bool holds, const char* what) {
            std::printf("%s: %s\n", holds ? "ok" : "WRONG", what);
            good = good && holds;
        };
        expect(apart(), "each block has a multiprocessor of its own");
        expect(shades(), "shade as the host computes it");
        expect(moves(), "traffic as the host computes it");
        expect(gathers(), "gather as the host computes it");
        expect(blends(), "blend counts every item");
        expect(stamps(), "stamps of the GPU's clock agree with events");
        return good;
    }

  private:
    template <typename T>
    T peek(const T* pointer) {
        T value;
        CHECKED(cudaStreamSynchronize(r_.stream));
        CHECKED(cudaMemcpy(&value, pointer, sizeof(T), cudaMemcpyDefault));
        return value;
    }

    bool apart() {
        unsigned* ids = Renderer::device<unsigned>(1024);
        bool good = true;
        for (int n : {20, 50, 90, 132}) {
            who<<<n, THREADS, SHARED_BYTES, r_.stream>>>(ids);
            CHECKED(cudaStreamSynchronize(r_.stream));
            std::vector<unsigned> seen(n);
            CHECKED(cudaMemcpy(seen.data(), ids, n * sizeof(unsigned), cudaMemcpyDefault));
            std::set<unsigned> pairs, own(seen.begin(), seen.end());
            for (unsigned id : own) pairs.insert(id / 2);
            std::printf("%d blocks on %zu multiprocessors of %zu pairs\n", n, own.size(), pairs.size());
            good = good && own.size() == static_cast<size_t>(n);
        }
        CHECKED(cudaFree(ids));
        return good;
    }

    bool shades() {
        r_.rewind({1.0f});
        shade<<<44, THREADS, SHARED_BYTES, r_.stream>>>(r_.clock, r_.scalars, r_.results, 1000000, 50);
        bool good = true;
        for (unsigned i : {0u, 77777u, 999999u}) {
            float want = shade_one(peek(r_.scalars + i), 50), got = peek(r_.results + i);
            good = good && std::fabs(got - want) <= 1e-5f * std::fabs(want);
        }
        return good;
    }

    bool moves() {
        r_.rewind({1.0f});
        std::vector<float4*> planes(BUFFERS);
        CHECKED(cudaMemcpy(planes.data(), r_.buffers, sizeof(float4*) * BUFFERS, cudaMemcpyDefault));
        traffic<3><<<44, THREADS, SHARED_BYTES, r_.stream>>>(r_.clock, r_.buffers, 1, BUFFERS, 2000000);
        bool good = true;
        for (unsigned i : {0u, 123456u, 1999999u}) {
            float want = 0.3f * (peek(planes[1] + i).x + peek(planes[2] + i).x + peek(planes[3] + i).x);
            good = good && std::fabs(peek(planes[4] + i).x - want) <= 1e-5f;
        }
        return good;
    }

    bool gathers() {
        r_.rewind({1.0f});
        unsigned mask = 64 * 65536u - 1;
        gather<<<44, THREADS, SHARED_BYTES, r_.stream>>>(r_.clock, r_.table, r_.results, 500000, mask, 3);
        bool good = true;
        for (unsigned i : {0u, 54321u, 499999u}) {
            float want = 0.0f;
            for (unsigned k = 0; k < 3; ++k) {
                float4 v = peek(r_.table + (scramble(i * 31u + k) & mask));
                want += v.x + v.y + v.z + v.w;
            }
            good = good && std::fabs(peek(r_.results + i) - want) <= 1e-5f * want;
        }
        return good;
    }

    bool blends() {
        r_.rewind({1.0f});
        unsigned before = peek(r_.counts + 4242), beyond = peek(r_.counts + 600000);
        blend<<<44, THREADS, SHARED_BYTES, r_.stream>>>(r_.clock, r_.counts, 600000, 3);
        return peek(r_.counts + 4242) == before + 6 && peek(r_.counts + 600000) == beyond;
    }

    // Frames submitted one behind the other, each between two events.
    bool stamps() {
        constexpr int FRAMES = 40;
        r_.rewind(std::vector<float>(FRAMES, 1.0f));
        r_.record(SCENES[0], RESOLUTIONS[1], 72);
        double events = 0.0, own = 0.0;
        std::vector<cudaEvent_t> marks(FRAMES + 1);
        for (cudaEvent_t& mark : marks) CHECKED(cudaEventCreate(&mark));
        CHECKED(cudaEventRecord(marks[0], r_.stream));
        for (int f = 0; f < FRAMES; ++f) {
            r_.submit();
            CHECKED(cudaEventRecord(marks[f + 1], r_.stream));
        }
        std::vector<double> busy = r_.busy(FRAMES);
        for (int f = 10; f < FRAMES; ++f) {
            float ms;
            CHECKED(cudaEventElapsedTime(&ms, marks[f], marks[f + 1]));
            events += ms, own += busy[f];
        }
        for (cudaEvent_t mark : marks) CHECKED(cudaEventDestroy(mark));
        std::printf("a frame by events %.5f ms, by stamps %.5f ms; stamps of one frame: ",
                    events / (FRAMES - 10), own / (FRAMES - 10));
        for (int f = 10; f < 16; ++f) std::printf("%.6f ", busy[f]);
        std::printf("\n");
        return own < events && events < 1.02 * own;
    }

    Renderer& r_;
    cudaEvent_t from_, to_;
};
