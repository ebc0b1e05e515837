"""The demo bench and the simulator behind it: reproducible, planted as said, sane physics."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from datasets.demo import bench, generate, scenario
from datasets.labsim import Lab, LabSettings, random_settings, simulate_lab
from datasets.labsim.frames import PassStats, antithetic_noise, run_passes
from datasets.labsim.gpu import ALL_CAUSES, gpu_times
from datasets.labsim.world import World
from scalemodel.data.bench import read_bench, read_specs

CELL = ["card", "platform", "game", "preset", "resolution"]
HIGH, MIDDLE, LOW = "3840x2160", "2560x1440", "1920x1080"


def committed(name: str) -> pd.DataFrame:
    folder = generate.TRUTH_FOLDER if name.startswith("truth") else generate.BENCH_FOLDER
    return pd.read_csv(folder / f"{name}.csv")


@pytest.fixture(scope="module")
def results() -> pd.DataFrame:
    """Return the runs at the cards' own power limits."""
    every = committed("results")
    return every[every["power_limit_w"].isna()]


@pytest.fixture(scope="module")
def truth() -> pd.DataFrame:
    return committed("truth")


@pytest.fixture(scope="module")
def world() -> World:
    return scenario.world(generate.SEED)


@pytest.fixture(scope="module")
def labs() -> list[Lab]:
    return [simulate_lab(random_settings(seed), seed) for seed in (1, 2, 3)]


def test_regenerating_gives_the_committed_files_byte_for_byte() -> None:
    for path, content in generate.files().items():
        assert path.read_bytes() == content, path.name


def test_the_demo_reads_without_errors_and_warns_of_its_planted_faults_only() -> None:
    demo = read_bench(generate.BENCH_FOLDER)
    faults = committed("truth_faults")
    kept_apart = faults["fault"].isin(["frame_generation", "exclude"]).sum()
    assert len(demo.excluded) == kept_apart + len(demo.limited)
    assert len(demo.problems) == 4  # two bad runs, one stale version, one wild shot
    assert len(read_specs(generate.BENCH_FOLDER / "specs.csv")) == 3


def test_size_and_shape(results: pd.DataFrame) -> None:
    assert (generate.BENCH_FOLDER / "results.csv").stat().st_size < 1.2e6
    logs = (generate.BENCH_FOLDER / "frames").iterdir()
    assert sum(log.stat().st_size for log in logs) < 3e5
    assert results["card"].nunique() == 24
    assert results["game"].nunique() == 12
    assert results.groupby(["game", "preset"]).ngroups == 15
    cells = results[results["run"] <= 3].groupby(CELL).size()
    assert (cells == 3).all()
    full = 24 * 15 * 3
    assert 0.8 * full < (cells.reset_index()["platform"] == "open bench").sum() < full


@pytest.mark.parametrize("plant", bench.BAD_RUNS)
def test_bad_runs_stand_out_from_their_repeats(plant: bench.Plant, results: pd.DataFrame) -> None:
    cell = results[(results["card"] == plant.card) & (results["platform"] == "open bench")]
    cell = cell[(cell["game"] == plant.game) & (cell["preset"] == plant.preset)]
    rates = cell[cell["resolution"] == plant.resolution].set_index("run")["avg_fps"]
    ratio = rates[plant.run] / rates.drop(plant.run).mean()
    assert ratio == pytest.approx(plant.factor, abs=0.03)  # runs repeat within about 1 %


def test_stale_version_is_slower_than_the_truth(results: pd.DataFrame, truth: pd.DataFrame) -> None:
    both = results.merge(truth, on=CELL)
    stale = both[both["game_version"] == bench.STALE_VERSION]
    assert set(stale["card"]) == {bench.STALE.card}
    assert set(stale["game"]) == {bench.STALE.game}
    ratio = np.exp(np.log(stale["avg_fps"] / stale["true_fps"]).mean())
    assert ratio == pytest.approx(bench.STALE.factor, abs=0.015)


def test_twins_that_differ_in_memory_part_only_at_the_cliff(results: pd.DataFrame) -> None:
    cells = results[results["platform"] == "open bench"].groupby(CELL)["avg_fps"].median()
    small = cells.xs("Ostrel F50 8G", level="card")
    ratio = (cells.xs("Ostrel F50 16G", level="card") / small).dropna()
    cliff = ("open bench", "Undertow Station", "ultra", HIGH)
    assert ratio[cliff] > 2
    assert ratio.drop(cliff).between(0.9, 1.1).all()


def test_shots_scatter_about_their_true_means_but_for_the_wild_one() -> None:
    shots, truth = committed("latency"), committed("truth_latency")
    both = shots.merge(truth, on=CELL, suffixes=("", "_true"))
    apart = both["latency_ms"] - both["latency_ms_true"]
    wild = apart.abs() > 20
    assert both.loc[wild, ["card", "shot"]].to_numpy().tolist() == [["Ostrel T60", 9]]
    means = apart[~wild].groupby([both[name] for name in CELL]).agg(["mean", "std", "size"])
    z = means["mean"] / (means["std"] / np.sqrt(means["size"]))
    assert abs(z.mean()) < 3 / np.sqrt(len(z))
    assert 0.7 < z.std() < 1.4
    assert (means["size"] >= 19).all()


def test_no_result_exceeds_an_engine_cap(results: pd.DataFrame) -> None:
    caps = committed("truth_ceilings").dropna(subset="cap_fps")
    assert len(caps) == 4  # two games on two platforms
    both = results.merge(caps, on=["platform", "game", "preset"])
    assert (both["avg_fps"] < both["cap_fps"] * 1.05).all()
    assert (both["avg_fps"] > both["cap_fps"] * 0.98).sum() > 10


def test_fast_cards_meet_the_ceiling_more_often_at_lower_resolutions(truth: pd.DataFrame) -> None:
    seen = truth[(truth["kind"] == "tested") & (truth["platform"] == "open bench")]
    speed = np.log(seen["gpu_fps"]).groupby(seen["card"]).mean()
    fast = seen[seen["card"].isin(speed.nlargest(8).index)]
    share = fast.groupby("resolution")["at_ceiling"].mean()
    assert 0.30 <= share[LOW] <= 0.45
    assert 0.12 <= share[MIDDLE] <= 0.25
    assert 0.00 < share[HIGH] <= 0.08


@pytest.mark.parametrize(
    ("new", "old", "low", "high"),
    [("Ostrel T65", "Ostrel T60", 0.12, 0.19), ("Kivand L210", "Kivand L200", 0.06, 0.09)],
)
def test_refreshes_gain_what_is_usual(
    truth: pd.DataFrame, new: str, old: str, low: float, high: float
) -> None:
    """Gains of refreshes at 3840x2160: common practice, no source."""
    chart = truth[(truth["platform"] == "open bench") & (truth["resolution"] == HIGH)]
    rates = chart.pivot_table(index=["game", "preset"], columns="card", values="gpu_fps")
    lead = np.exp(np.log(rates[new] / rates[old]).mean()) - 1
    assert low <= lead <= high


def test_specs_correlate_as_in_the_trade() -> None:
    cards = committed("cards")
    speed = np.log(cards["shaders"] * cards["boost_clock_mhz"])
    bandwidth = np.log(cards["memory_bus_bits"] * cards["memory_rate_gbps"])
    assert 0.8 < np.corrcoef(speed, bandwidth)[0, 1] < 0.97


def test_flips_are_in_the_truth_and_lose_half_without_their_cause(truth: pd.DataFrame) -> None:
    flips = committed("truth_flips")
    assert len(flips) >= 10
    assert set(flips["cause"]) == {"ceiling", "bandwidth", "fill", "memory"}
    rates = truth.set_index(CELL)["true_fps"]
    for flip in flips.itertuples():
        chart = (flip.platform, flip.game, flip.preset)
        low, high = (rates[(flip.a, *chart, r)] / rates[(flip.b, *chart, r)] for r in (LOW, HIGH))
        assert high >= 1.0299
        assert low <= 1.0051
        without = getattr(flip, f"change_without_{flip.cause}")
        assert without <= flip.change / 2
        assert flip.change == pytest.approx(np.log(high / low), abs=2e-3)  # rates have 3 decimals


def test_a_lead_at_2160p_is_hidden_by_equal_tops_at_1440p(truth: pd.DataFrame) -> None:
    faults = committed("truth_faults")
    tops = faults[faults["fault"] == "equal_top"]
    assert ((tops["value"] > 0.36) & (tops["value"] < 0.40)).any()
    rates = truth.set_index(CELL)["true_fps"]
    for top in tops.itertuples():
        chart = (top.platform, top.game, top.preset)
        far = rates[(top.card, *chart, HIGH)] / rates[(top.note, *chart, HIGH)]
        near = rates[(top.card, *chart, MIDDLE)] / rates[(top.note, *chart, MIDDLE)]
        assert far == pytest.approx(1 + top.value, abs=1e-3)
        assert near < 1.01


def test_same_seed_same_lab_and_another_seed_another(tmp_path: Path) -> None:
    small = LabSettings(n_architectures=3, n_cards=9, n_scenes=4, frames=400)
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        simulate_lab(small, seed).write(tmp_path / folder)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    results = [(tmp_path / folder / "results.csv").read_bytes() for folder in "ac"]
    assert results[0] != results[1]


def test_random_labs_read_as_benches(labs: list[Lab], tmp_path: Path) -> None:
    for i, lab in enumerate(labs):
        lab.write(tmp_path / str(i))
        assert len(read_bench(tmp_path / str(i)).results) == len(lab.results)


def test_no_card_exceeds_either_bound(labs: list[Lab]) -> None:
    """Frames leave no faster than the slower side makes them: a theorem of the frame loop."""
    for lab in labs:
        bound = np.minimum(lab.truth["gpu_fps"], lab.truth["cpu_fps"])
        assert (lab.truth["true_fps"] <= bound * 1.002).all()  # 2 frames of 2400 are in flight
        far = lab.truth[(lab.truth["cpu_share"] < 0.001) & ~lab.truth["over_memory"]]
        assert (far["true_fps"] / far["gpu_fps"]).between(0.98, 1.002).all()


def test_measured_rates_scatter_about_the_truth(labs: list[Lab]) -> None:
    for lab in labs:
        both = lab.results.merge(lab.truth, on=CELL)
        error = np.log(both["avg_fps"] / both["true_fps"])
        assert abs(error.mean()) < 0.002
        assert error.std() < 0.02


def constant_pass(cpu: float, gpu: float, cap: float = 0.0, frames: int = 2000) -> PassStats:
    one = np.ones((frames, 1))
    return run_passes(np.array([cpu]), np.array([gpu]), np.array([cap]), one, one)


@pytest.mark.parametrize(
    ("cpu", "gpu", "cap", "frame", "latency"),
    [(5.0, 10.0, 0.0, 10.0, 20.0), (10.0, 4.0, 0.0, 10.0, 14.0), (3.0, 4.0, 8.0, 8.0, 7.0)],
)
def test_constant_times(cpu: float, gpu: float, cap: float, frame: float, latency: float) -> None:
    """Slower side sets the frame; bound by the GPU, a frame waits until two before has left."""
    played = constant_pass(cpu, gpu, cap)
    assert played.average[0] == pytest.approx(1e3 / frame, rel=2e-3)  # filling the pipe: 1 frame
    assert played.low_1pct[0] == pytest.approx(1e3 / frame)
    assert played.latency_ms[0] == pytest.approx(latency, rel=2e-3)
    assert played.cpu_share[0] == (max(cpu, cap) > gpu)


def test_average_is_the_harmonic_mean_of_frame_rates() -> None:
    """Smith 1988, CACM 31(10): frames over total time; here every other frame takes 110 ms."""
    gpu = np.tile([10.0, 110.0], 50)[:, None]
    played = run_passes(np.full(1, 1e-9), np.ones(1), np.zeros(1), np.ones((100, 1)), gpu)
    assert played.average[0] == pytest.approx(1 / np.mean(1 / (1e3 / gpu)))
    assert played.average[0] < np.mean(1e3 / gpu) / 3


def test_mirrored_noise_has_no_scatter_of_its_own(world: World) -> None:
    quiet = replace(world.scenes, hitch_rate=np.zeros(len(world.scenes)))
    cpu, gpu = antithetic_noise(np.random.default_rng(1), quiet, 0, 2400)
    assert np.log(cpu).mean() - np.log(cpu[:, ::-1]).mean() == pytest.approx(0, abs=1e-12)
    assert gpu.mean() == pytest.approx(1.0, abs=0.01)


def frame_ms(world: World, change: Callable[[pd.DataFrame], pd.DataFrame]) -> np.ndarray:
    cards = replace(world.cards, sheet=change(world.cards.sheet.copy()))
    scenes = replace(
        world.scenes,
        submit_ms=np.zeros(len(world.scenes)),
        memory_need_gb=np.zeros_like(world.scenes.memory_need_gb),
    )
    return gpu_times(
        world.architectures, cards, scenes, world.arch_scene, world.pixels, causes=ALL_CAUSES
    ).frame_ms


def test_doubling_every_clock_halves_the_frame(world: World) -> None:
    """Identity: without submission, time has no other scale than core and memory clock."""
    clocks = {"boost_clock_mhz": 2, "memory_rate_gbps": 2}
    base = frame_ms(world, lambda sheet: sheet)
    fast = frame_ms(world, lambda s: s.assign(**{k: s[k] * v for k, v in clocks.items()}))
    np.testing.assert_allclose(fast, base / 2, rtol=1e-12)


@pytest.mark.parametrize("column", ["shaders", "memory_rate_gbps", "rops", "cache_mb"])
def test_more_of_one_thing_helps_less_than_in_proportion(world: World, column: str) -> None:
    base = frame_ms(world, lambda sheet: sheet)
    gain = np.log(base / frame_ms(world, lambda s: s.assign(**{column: s[column] * 1.25})))
    share = gain.mean() / np.log(1.25)
    usual = {"shaders": (0.5, 0.75), "memory_rate_gbps": (0.12, 0.3), "rops": (0.02, 0.2)}
    low, high = usual.get(column, (0.0, 0.1))
    assert low < share < high
    assert (gain < np.log(1.25)).all()
