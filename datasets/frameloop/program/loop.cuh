// The frame loop: the CPU is at most two frames ahead of the GPU.
#pragma once

#include "logic.hpp"
#include "renderer.cuh"

constexpr int IN_FLIGHT = 2;

struct Frame {
    double frame_ms;  // from the present point before to this one
    double cpu_ms;    // game logic and submission
    double gpu_ms;    // from the first kernel of the frame to the end of the last
    double wait_ms;   // the CPU waiting for the GPU to finish the frame two before
};

struct Played {
    std::vector<Frame> frames;
    double stall_ms = 0.0;  // by which stalls of the CPU made frames longer
    bool whole = true;      // false: given up because of stalls
};

class Loop {
  public:
    explicit Loop(Renderer& renderer) : renderer_(renderer) {
        for (cudaEvent_t& event : done_)
            CHECKED(cudaEventCreateWithFlags(&event, cudaEventDisableTiming));
    }

    // Play the script `passes` times; `warm` frames before do not count. `load_ms` is the time of
    // the game logic in a frame whose factor is one. Give up once stalls have made frames longer
    // by more than the share `patience` of the CPU work of all frames. The graph must be recorded.
    Played play(const Script& script, double load_ms, int warm, int passes, uint64_t seed,
                double patience) {
        int length = static_cast<int>(script.cpu.size()), frames = warm + length * passes;
        std::vector<float> loads(frames);
        for (int f = 0; f < frames; ++f) loads[f] = script.gpu[at(f, warm, length)];
        renderer_.rewind(loads);
        Stream noise(seed);
        Played played;
        played.frames.resize(frames);
        double presented = now_ms(), pace = 0.0;
        for (int f = 0; f < frames; ++f) {
            double factor = script.cpu[at(f, warm, length)] * std::exp(0.02 * noise.normal());
            double started = now_ms();
            if (f >= IN_FLIGHT) CHECKED(cudaEventSynchronize(done_[f % IN_FLIGHT]));
            double free = now_ms();
            world_.step_until(free + load_ms * factor);
            renderer_.submit();
            CHECKED(cudaEventRecord(done_[f % IN_FLIGHT], renderer_.stream));
            double present = now_ms();
            Frame& frame = played.frames[f];
            frame = {present - presented, present - free, 0.0, free - started};
            presented = present;
            if (f >= IN_FLIGHT && f < warm) pace += frame.frame_ms / (warm - IN_FLIGHT);
            if (f < warm) continue;
            double normal = std::max(load_ms * factor + SUBMIT_MS, 0.9 * pace);
            played.stall_ms += std::max(0.0, frame.cpu_ms - normal);
            if (played.stall_ms > patience * load_ms * length * passes) {
                played.whole = false;
                break;
            }
        }
        std::vector<double> busy = renderer_.busy(frames);
        for (int f = 0; f < frames; ++f) played.frames[f].gpu_ms = busy[f];
        played.frames.erase(played.frames.begin(), played.frames.begin() + warm);
        return played;
    }

    double checksum() const { return world_.checksum(); }

  private:
    static constexpr double SUBMIT_MS = 0.05;  // more than a submission takes undisturbed

    static int at(int frame, int warm, int length) {
        return ((frame - warm) % length + length) % length;
    }

    Renderer& renderer_;
    World world_;
    cudaEvent_t done_[IN_FLIGHT];
};
