// Measures frame loops on one chip restricted to parts of itself. See ../README.md.
//
//   frameloop check   CHIP              self-checks and the micro-benchmarks of every part
//   frameloop measure CHIP FIRST LIMIT  runs from number FIRST on, in the fixed random order,
//                                       until LIMIT seconds have passed
//   frameloop logs    CHIP              whole logs of a few cells
// Files go to the folder $OUT, or where one stands.

#include <sched.h>
#include <sys/sysinfo.h>

#include <cstring>
#include <numeric>
#include <string>

#include "checks.cuh"

const std::vector<int> PARTS = {20, 28, 36, 46, 58, 72, 88, 104, 120, 132};
constexpr int RUNS = 3, FRAMES = 160, WARM = 16, TRIES = 10;

struct Cell {
    int part, scene, resolution, platform;
};

std::vector<Cell> all_cells() {
    std::vector<Cell> cells;
    for (int part : PARTS)
        for (int scene = 0; scene < static_cast<int>(SCENES.size()); ++scene)
            for (int resolution = 0; resolution < 3; ++resolution)
                for (int platform = 0; platform < 2; ++platform)
                    cells.push_back({part, scene, resolution, platform});
    return cells;
}

// The order of run `run`: every cell once, shuffled.
std::vector<int> order_of(int run, int cells) {
    std::vector<int> order(cells);
    std::iota(order.begin(), order.end(), 0);
    Stream stream(500 + run);
    for (int k = cells - 1; k > 0; --k) std::swap(order[k], order[stream.bits() % (k + 1)]);
    return order;
}

FILE* open_file(const std::string& name) {
    const char* folder = std::getenv("OUT");
    std::string path = (folder ? std::string(folder) + "/" : "") + name;
    FILE* file = std::fopen(path.c_str(), "w");
    if (!file) std::fprintf(stderr, "cannot write %s\n", path.c_str()), std::exit(2);
    return file;
}

std::string name_of(const Cell& cell) {
    const Scene& scene = SCENES[cell.scene];
    Resolution size = RESOLUTIONS[cell.resolution];
    return PLATFORMS[cell.platform] + "," + scene.game + "," + scene.preset + "," +
           std::to_string(size.width) + "x" + std::to_string(size.height);
}

// One core for the loop, so that the system does not move it about; `turn` picks which.
void hold_core(int turn) {
    cpu_set_t set;
    CPU_ZERO(&set);
    CPU_SET(turn % std::max(1, get_nprocs()), &set);
    sched_setaffinity(0, sizeof(set), &set);
}

Played play(Renderer& renderer, Loop& loop, const Cell& cell, int passes, uint64_t seed,
            double patience) {
    const Scene& scene = SCENES[cell.scene];
    renderer.record(scene, RESOLUTIONS[cell.resolution], cell.part);
    double load = cell.platform == 0 ? scene.near_ms : scene.far_ms;
    return loop.play(write_script(cell.scene, FRAMES), load, WARM, passes, seed, patience);
}

// A run is repeated, on another core, until stalls of the CPU have not lengthened it by 0.5% of
// the CPU work. The machine is shared, and what others do on it is no property of the scene. The
// last of ten tries counts as it is.
Played play_undisturbed(Renderer& renderer, Loop& loop, const Cell& cell, uint64_t seed, int& tries) {
    static int core = 0;
    for (tries = 1;; ++tries) {
        hold_core(core);
        Played played = play(renderer, loop, cell, 1, seed, tries < TRIES ? 0.005 : 1e9);
        if (played.whole) return played;
        ++core;
    }
}

void write_run(FILE* out, const char* chip, const Cell& cell, int run, int number, double at_s,
               int tries, const Played& played) {
    const std::vector<Frame>& frames = played.frames;
    double total = 0, cpu = 0, gpu = 0, wait = 0, larger = 0, cpu2 = 0, gpu2 = 0;
    int slower = 0;
    for (const Frame& f : frames) {
        total += f.frame_ms, cpu += f.cpu_ms, gpu += f.gpu_ms, wait += f.wait_ms;
        cpu2 += f.cpu_ms * f.cpu_ms, gpu2 += f.gpu_ms * f.gpu_ms;
        larger += std::max(f.cpu_ms, f.gpu_ms);
        slower += f.cpu_ms > f.gpu_ms;
    }
    double n = static_cast<double>(frames.size());
    cpu /= n, gpu /= n;
    std::fprintf(out, "%s,%d,%s,%d,%d,%.2f,%d,%.6f,%.6f,%.6f,%.6f,%.6f,%.4f,%.4f,%.4f,%d,%.4f\n",
                 chip, cell.part, name_of(cell).c_str(), run, number, at_s, static_cast<int>(n),
                 total / n, cpu, gpu, wait / n, larger / n, slower / n,
                 std::sqrt(cpu2 / n - cpu * cpu), std::sqrt(gpu2 / n - gpu * gpu), tries,
                 played.stall_ms);
    std::fflush(out);
}

void measure(Renderer& renderer, Loop& loop, const char* chip, int first, double limit_s) {
    FILE* out = open_file(std::string("runs-") + chip + "-" + std::to_string(first) + ".csv");
    std::fprintf(out, "chip,multiprocessors,platform,game,preset,resolution,run,number,at_s,frames,"
                      "frame_ms,cpu_ms,gpu_ms,wait_ms,larger_ms,cpu_slower,cpu_sd_ms,gpu_sd_ms,tries,stall_ms\n");
    std::vector<Cell> cells = all_cells();
    int count = static_cast<int>(cells.size()), number = first;
    double started = now_ms();
    for (; number < RUNS * count && now_ms() - started < 1000.0 * limit_s; ++number) {
        int run = number / count + 1;
        const Cell& cell = cells[order_of(run, count)[number % count]];
        double at_s = (now_ms() - started) / 1000.0;
        int tries;
        Played played = play_undisturbed(renderer, loop, cell, 77000 + number, tries);
        write_run(out, chip, cell, run, number, at_s, tries, played);
    }
    std::fclose(out);
    std::printf("runs %d to %d of %d in %.1f s, checksum %.6f\n", first, number - 1, RUNS * count,
                (now_ms() - started) / 1000.0, loop.checksum());
}

// Ten cells get a log of nine passes, stalls and all.
void log_cells(Renderer& renderer, Loop& loop, const char* chip) {
    FILE* out = open_file(std::string("logs-") + chip + ".csv");
    std::fprintf(out, "chip,multiprocessors,platform,game,preset,resolution,frame_ms,cpu_ms,gpu_ms,wait_ms\n");
    std::vector<Cell> cells = all_cells();
    std::vector<int> order = order_of(99, static_cast<int>(cells.size()));
    for (int k = 0; k < 10; ++k) {
        const Cell& cell = cells[order[k]];
        for (const Frame& f : play(renderer, loop, cell, 9, 88000 + k, 1e9).frames)
            std::fprintf(out, "%s,%d,%s,%.4f,%.4f,%.4f,%.4f\n", chip, cell.part, name_of(cell).c_str(),
                         f.frame_ms, f.cpu_ms, f.gpu_ms, f.wait_ms);
        std::fflush(out);
    }
    std::fclose(out);
}

bool check(Renderer& renderer, const char* chip) {
    Bench bench(renderer);
    if (!bench.sound()) return false;
    FILE* out = open_file(std::string("micro-") + chip + ".csv");
    std::fprintf(out, "chip,multiprocessors,clock_mhz,arithmetic_tflops,copy_gbs,read_gbs,cached_gbs,"
                      "random_512mb_gps,random_16mb_gps,blend_gps\n");
    for (int part : PARTS) bench.line(out, chip, part);
    std::fclose(out);
    return true;
}

int main(int count, char** words) {
    if (count < 3) return std::fprintf(stderr, "usage: frameloop check|measure|logs CHIP ...\n"), 2;
    CHECKED(cudaSetDeviceFlags(cudaDeviceScheduleSpin));
    cudaDeviceProp about;
    CHECKED(cudaGetDeviceProperties(&about, 0));
    int khz, memory_khz;
    CHECKED(cudaDeviceGetAttribute(&khz, cudaDevAttrClockRate, 0));
    CHECKED(cudaDeviceGetAttribute(&memory_khz, cudaDevAttrMemoryClockRate, 0));
    std::printf("%d multiprocessors, clock %d kHz, memory %d kHz x %d bits, cache %d bytes, %.1f GB\n",
                about.multiProcessorCount, khz, memory_khz, about.memoryBusWidth, about.l2CacheSize,
                about.totalGlobalMem * 1e-9);
    Renderer renderer;
    std::string verb = words[1];
    if (verb == "check") return check(renderer, words[2]) ? 0 : 1;
    Loop loop(renderer);
    if (verb == "measure" && count == 5)
        measure(renderer, loop, words[2], std::atoi(words[3]), std::atof(words[4]));
    else if (verb == "logs")
        log_cells(renderer, loop, words[2]);
    else
        return std::fprintf(stderr, "usage: frameloop measure CHIP FIRST LIMIT\n"), 2;
    return 0;
}
