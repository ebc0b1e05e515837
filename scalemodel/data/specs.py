"""What follows from a spec sheet: bandwidth, shader rate, raster rate; and checks of a sheet.

The identities are those of the trade: a shader does one fused multiply-add, two operations, a
clock; a memory bus carries its width times the data rate of one pin, eight bits a byte.
"""

from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.data.problems import ProblemLog
from scalemodel.data.schema import BANDWIDTH_COLUMNS

Numbers = TypeVar("Numbers", float, NDArray[np.float64], "pd.Series[float]")

DISAGREEMENT = 0.01
"""Relative difference allowed between the printed bandwidth and bus x rate."""

PLAUSIBLE = {
    "shaders": (64.0, 100_000.0, "a few hundred to some tens of thousands"),
    "boost_clock_mhz": (300.0, 6_000.0, "300 to 6,000 MHz"),
    "memory_gb": (0.5, 512.0, "0.5 to 512 GB"),
    "bandwidth_gbs": (10.0, 20_000.0, "10 to 20,000 GB/s"),
    "memory_rate_gbps": (0.5, 64.0, "0.5 to 64 Gb/s"),
    "board_power_w": (10.0, 2_000.0, "10 to 2,000 W"),
}
"""What graphics cards have been like; outside it a wrong unit is likelier than such a card."""


def bandwidth_gbs(bus_bits: Numbers, rate_gbps: Numbers) -> Numbers:
    """Give the memory bandwidth in GB/s from bus width (bits) and data rate a pin (Gb/s)."""
    return bus_bits * rate_gbps / 8


def fp32_gflops(shaders: Numbers, boost_clock_mhz: Numbers) -> Numbers:
    """Give the peak rate of 32-bit arithmetic in GFLOP/s: two operations a shader and clock."""
    return 2 * shaders * boost_clock_mhz / 1000


def shader_rate(shaders: Numbers, boost_clock_mhz: Numbers) -> Numbers:
    """Give shaders x clock, in millions of shader-clocks per second."""
    return shaders * boost_clock_mhz


def raster_rate(rops: Numbers, boost_clock_mhz: Numbers) -> Numbers:
    """Give raster output units x clock, in millions of pixels per second."""
    return rops * boost_clock_mhz


def with_derived(cards: pd.DataFrame) -> pd.DataFrame:
    """Add ``bandwidth_gbs``, ``shader_rate``, ``raster_rate``, ``release_year`` to cards.

    The printed bandwidth is used where there is one, else bus x rate / 8.
    """
    from_bus = bandwidth_gbs(cards["memory_bus_bits"], cards["memory_rate_gbps"])
    return cards.assign(
        bandwidth_gbs=cards["memory_bandwidth_gbs"].fillna(from_bus),
        shader_rate=shader_rate(cards["shaders"], cards["boost_clock_mhz"]),
        raster_rate=raster_rate(cards["rops"], cards["boost_clock_mhz"]),
        release_year=release_year(cards["release_date"]),
    )


def release_year(dates: "pd.Series[str]") -> "pd.Series[float]":
    """Give the year, with its fraction, of ISO dates that may lack their day or month."""
    parts = dates.astype(str).str.extract(r"^(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?$").astype(float)
    months = (parts[1].fillna(1.0) - 1) / 12 + (parts[2].fillna(1.0) - 1) / 365
    return parts[0] + months


def check_specs(cards: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note sheets without bandwidth (errors), and ones at odds with themselves (warnings).

    Takes a table with the derived columns and the column ``row``.
    """
    _check_bandwidth_given(cards, file, log)
    _check_bandwidth_agrees(cards, file, log)
    for column, (low, high, allowed) in PLAUSIBLE.items():
        odd = cards[(cards[column] < low) | (cards[column] > high)]
        for row, card, number in zip(odd["row"], odd["card"], odd[column], strict=True):
            what = f'{number:,.12g} is hard to believe for the card "{card}"'
            fix = "check the unit and the number against the spec sheet"
            shown = column if column != "bandwidth_gbs" else "memory_bandwidth_gbs"
            log.warning(
                file, what, f"usually {allowed}", fix, row=row, column=shown, value=f"{number:.12g}"
            )


def _check_bandwidth_given(cards: pd.DataFrame, file: str, log: ProblemLog) -> None:
    whole, bus, rate = BANDWIDTH_COLUMNS
    bare = cards[cards["bandwidth_gbs"].isna()]
    for row, card in zip(bare["row"], bare["card"], strict=True):
        what = f'the card "{card}" has no memory bandwidth'
        allowed = f"{whole}, or both {bus} and {rate}"
        fix = "fill in one of the two from the spec sheet"
        log.error(file, what, allowed, fix, row=row, column=whole, value="")


def _check_bandwidth_agrees(cards: pd.DataFrame, file: str, log: ProblemLog) -> None:
    whole, bus, rate = BANDWIDTH_COLUMNS
    from_bus = bandwidth_gbs(cards[bus], cards[rate])
    odd = cards[(from_bus / cards[whole] - 1).abs() > DISAGREEMENT]
    for index, row, card, printed in zip(
        odd.index, odd["row"], odd["card"], odd[whole], strict=True
    ):
        what = (
            f'the card "{card}" has {printed:,.12g} GB/s, but its bus and rate give '
            f"{from_bus[index]:,.6g} GB/s"
        )
        allowed = f"{whole} within 1% of {bus} x {rate} / 8"
        fix = f"correct one of the three, or leave out {bus} and {rate}"
        log.warning(file, what, allowed, fix, row=row, column=whole, value=f"{printed:.12g}")
