// What every part of the program uses: checked calls, clocks, a small random stream.
#pragma once

#include <cuda_runtime.h>

#include <chrono>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>

#define CHECKED(call)                                                                  \
    do {                                                                               \
        cudaError_t status_ = (call);                                                  \
        if (status_ != cudaSuccess) {                                                  \
            std::fprintf(stderr, "%s:%d: %s\n", __FILE__, __LINE__,                    \
                         cudaGetErrorString(status_));                                 \
            std::exit(2);                                                              \
        }                                                                              \
    } while (0)

// Milliseconds of a clock that only goes forward.
inline double now_ms() {
    using namespace std::chrono;
    return duration<double, std::milli>(steady_clock::now().time_since_epoch()).count();
}

// SplitMix64: the same numbers on every machine, unlike the distributions of the library.
class Stream {
  public:
    explicit Stream(uint64_t seed) : state_(seed) {}

    uint64_t bits() {
        uint64_t z = (state_ += 0x9E3779B97F4A7C15ull);
        z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9ull;
        z = (z ^ (z >> 27)) * 0x94D049BB133111EBull;
        return z ^ (z >> 31);
    }

    double uniform() { return (static_cast<double>(bits() >> 11) + 0.5) / 9007199254740992.0; }

    // Standard normal, by Box and Muller.
    double normal() {
        double radius = std::sqrt(-2.0 * std::log(uniform()));
        return radius * std::cos(6.283185307179586 * uniform());
    }

  private:
    uint64_t state_;
};
