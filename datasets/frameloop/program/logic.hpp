// The CPU side of a frame: a small world of moving bodies, stepped for as long as the script says.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "common.hpp"

class World {
  public:
    World() : bodies_(BODIES), cells_(CELLS, 0) {
        Stream stream(11);
        for (Body& body : bodies_) {
            body.x = stream.uniform(), body.y = stream.uniform();
            body.u = 0.01 * stream.normal(), body.v = 0.01 * stream.normal();
        }
    }

    // Step `count` bodies: each looks up who was last in its cell and is pushed away or drawn on.
    void step(long count) {
        for (long k = 0; k < count; ++k) {
            Body& body = bodies_[next_];
            unsigned column = static_cast<unsigned>(body.x * SIDE) % SIDE;
            unsigned cell = column + SIDE * (static_cast<unsigned>(body.y * SIDE) % SIDE);
            const Body& other = bodies_[cells_[cell]];
            cells_[cell] = next_;
            double dx = other.x - body.x, dy = other.y - body.y;
            double distance = std::sqrt(dx * dx + dy * dy) + 1e-4;
            double pull = distance < 0.02 ? -2e-5 : 1e-6;
            body.u += pull * dx / distance, body.v += pull * dy / distance;
            if (body.u * body.u + body.v * body.v > 4e-4) body.u *= 0.5, body.v *= 0.5;
            body.x += body.u, body.y += body.v;
            if (body.x < 0.0 || body.x >= 1.0) body.u = -body.u, body.x = body.x < 0.0 ? 0.0 : 0.999;
            if (body.y < 0.0 || body.y >= 1.0) body.v = -body.v, body.y = body.y < 0.0 ? 0.0 : 0.999;
            next_ = (next_ + 1) % BODIES;
        }
    }

    // Step until the clock shows `until_ms`, in handfuls of about a microsecond.
    void step_until(double until_ms) {
        while (now_ms() < until_ms) step(64);
    }

    // Depends on every step, so none can be left out by the compiler.
    double checksum() const {
        double sum = 0.0;
        for (const Body& body : bodies_) sum += body.x + body.y;
        return sum;
    }

  private:
    struct Body {
        double x, y, u, v;
    };
    static constexpr unsigned BODIES = 4096, SIDE = 64, CELLS = SIDE * SIDE;
    std::vector<Body> bodies_;
    std::vector<unsigned> cells_;
    unsigned next_ = 0;
};

// How heavy each frame of a pass is, the same for every card: a scene is a fixed path.
struct Script {
    std::vector<float> cpu, gpu;  // factors around one
};

// Sections differ by 10%, frames follow one another as an autoregressive series, and the CPU
// stumbles in about one frame of a hundred.
inline Script write_script(int scene, int frames) {
    Stream stream(1000 + scene);
    Script script;
    double cpu = 0.0, gpu = 0.0, cpu_section = 0.0, gpu_section = 0.0;
    for (int f = 0; f < frames; ++f) {
        if (f % 40 == 0) cpu_section = 0.10 * stream.normal(), gpu_section = 0.10 * stream.normal();
        cpu = 0.85 * cpu + 0.07 * std::sqrt(1 - 0.85 * 0.85) * stream.normal();
        gpu = 0.92 * gpu + 0.04 * std::sqrt(1 - 0.92 * 0.92) * stream.normal();
        double stumble = stream.uniform() < 0.01 ? 1.0 + 2.0 * stream.uniform() : 0.0;
        script.cpu.push_back(static_cast<float>(std::exp(cpu + cpu_section) + stumble));
        script.gpu.push_back(static_cast<float>(std::min(1.5, std::exp(gpu + gpu_section))));
    }
    return script;
}
