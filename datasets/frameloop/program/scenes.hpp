// What is drawn: games with their presets, as lists of passes, and the load of their CPU side.
#pragma once

#include <string>
#include <vector>

enum class Kind { shade, traffic, gather, blend, draws, chain };

// One pass. `size`: items a pixel, or thousands of items if `fixed`. `amount`: rounds of shade,
// buffers of traffic, reads of gather, layers of blend, number of draws, steps of a chain.
// `extra`: MB of a gather's table, rounds of each draw.
struct Pass {
    Kind kind;
    double size;
    int amount;
    int extra = 0;
    bool fixed = false;
};

struct Scene {
    std::string game, preset;
    double near_ms, far_ms;  // CPU work of a frame on the two platforms
    std::vector<Pass> passes;
};

struct Resolution {
    int width, height;
    unsigned pixels() const { return static_cast<unsigned>(width) * height; }
};

inline const std::vector<Resolution> RESOLUTIONS = {{1920, 1080}, {2560, 1440}, {3840, 2160}};

// "near desk" is the slower of the two.
inline const std::vector<std::string> PLATFORMS = {"near desk", "far desk"};

inline Pass shade_pass(double size, int rounds) { return {Kind::shade, size, rounds}; }
inline Pass traffic_pass(double size, int buffers) { return {Kind::traffic, size, buffers}; }
inline Pass gather_pass(double size, int reads, int mb) { return {Kind::gather, size, reads, mb}; }
inline Pass blend_pass(double size, int layers) { return {Kind::blend, size, layers}; }
inline Pass draws_pass(double thousands, int count, int rounds) {
    return {Kind::draws, thousands, count, rounds, true};
}
inline Pass chain_pass(int steps) { return {Kind::chain, 0.0, steps, 0, true}; }
inline Pass fixed_shade(double thousands, int rounds) {
    return {Kind::shade, thousands, rounds, 0, true};
}
inline Pass fixed_traffic(double thousands, int buffers) {
    return {Kind::traffic, thousands, buffers, 0, true};
}

inline const std::vector<Scene> SCENES = {
    {"Flint Terrace", "detailed", 0.60, 0.37,
     {fixed_shade(300, 200), shade_pass(1, 400), traffic_pass(1, 2), shade_pass(1, 240),
      draws_pass(16, 12, 60)}},
    {"Flint Terrace", "plain", 0.54, 0.33,
     {fixed_shade(300, 200), shade_pass(1, 300), traffic_pass(1, 1), shade_pass(1, 150),
      draws_pass(16, 8, 60)}},
    {"Slow Estuary", "detailed", 0.66, 0.42,
     {fixed_traffic(1500, 1), traffic_pass(1, 3), traffic_pass(1, 3), shade_pass(1, 90),
      traffic_pass(1, 3), traffic_pass(1, 1), traffic_pass(1, 3), traffic_pass(1, 2),
      traffic_pass(1, 1)}},
    {"Slow Estuary", "plain", 0.58, 0.36,
     {fixed_traffic(1500, 1), traffic_pass(1, 3), shade_pass(1, 60), traffic_pass(1, 2),
      traffic_pass(1, 1), traffic_pass(1, 3), traffic_pass(1, 1)}},
    {"Thicket Lane", "detailed", 0.72, 0.43,
     {shade_pass(1, 180), gather_pass(0.5, 3, 512), gather_pass(0.25, 4, 64), traffic_pass(1, 2)}},
    {"Thicket Lane", "plain", 0.65, 0.40,
     {shade_pass(1, 200), gather_pass(0.5, 4, 32), traffic_pass(1, 1)}},
    {"Crowded Quay", "standard", 0.86, 0.49,
     {shade_pass(1, 180), draws_pass(24, 70, 80), traffic_pass(1, 2), draws_pass(8, 30, 80)}},
    {"Kiln Yard", "standard", 0.56, 0.35,
     {fixed_shade(1600, 300), chain_pass(60), fixed_traffic(4200, 2), shade_pass(1, 240),
      fixed_shade(800, 300), traffic_pass(1, 2)}},
    {"Paper Harbour", "detailed", 0.55, 0.35,
     {shade_pass(1, 200), blend_pass(1, 8), traffic_pass(1, 2), blend_pass(1, 5),
      shade_pass(1, 60)}},
    {"Paper Harbour", "plain", 0.49, 0.31, {shade_pass(1, 220), blend_pass(1, 6), traffic_pass(1, 2)}},
    {"Salt Causeway", "standard", 0.62, 0.38,
     {fixed_shade(400, 200), fixed_traffic(1000, 1), shade_pass(1, 260), gather_pass(0.25, 2, 128),
      traffic_pass(1, 3), draws_pass(16, 20, 60), traffic_pass(1, 1), blend_pass(1, 1)}},
    {"Glass Orchard", "detailed", 0.68, 0.43,
     {fixed_traffic(2000, 1), traffic_pass(1, 3), shade_pass(1, 400), gather_pass(0.25, 2, 256),
      traffic_pass(1, 2), chain_pass(20)}},
    {"Glass Orchard", "upscaled", 0.62, 0.39,
     {fixed_traffic(2000, 1), traffic_pass(0.44, 3), shade_pass(0.44, 500),
      gather_pass(0.11, 2, 256), shade_pass(1, 60), traffic_pass(1, 3), chain_pass(20)}},
};
