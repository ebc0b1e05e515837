"""Small answers made by hand: invented cards and games, some with awkward names."""

import math
from typing import Any

import pandas as pd

from scalemodel.answers.comparison import Comparison
from scalemodel.answers.repeatability import Repeatability

PLATFORM = "open bench"
SCENES = [("Saltmarch", "ultra"), ("Cash $5 & <Tag> $x^2$", "high [bold]")]
RESOLUTIONS = ["1920x1080", "3840x2160"]
CHART = ["platform", "game", "preset", "resolution"]


def ceilings() -> pd.DataFrame:
    """One row a result: three cards; at 1920x1080 the fast ones sit at the ceiling."""
    rows = []
    for game, preset in SCENES:
        for card, low, high in [("Ka", 100.0, 50.0), ("Kb", 180.0, 90.0), ("Kc", 199.0, 120.0)]:
            for resolution, rate in zip(RESOLUTIONS, (low, high), strict=True):
                state = "cpu_bound" if rate > 195 else "mixed" if rate > 150 else "gpu_bound"
                p = {"cpu_bound": 0.97, "mixed": 0.4, "gpu_bound": 0.01}[state]
                row = (card, PLATFORM, game, preset, resolution, "average", rate, p)
                rows.append((*row, 1 - p, 1.1, 200.0, state))
    columns = ["card", *CHART, "metric", "rate", "p_ceiling", "sensitivity", "headroom"]
    return pd.DataFrame(rows, columns=[*columns, "ceiling_rate", "state"])


def charts() -> pd.DataFrame:
    """One row a chart: a known ceiling in the first scene, a bound in the second."""
    nan = math.nan
    rows = [
        (*SCENES[0], RESOLUTIONS[0], 200.0, 196.0, 205.0, 3, 2, "not_usable", nan),
        (*SCENES[0], RESOLUTIONS[1], 200.0, 196.0, 205.0, 3, 0, "usable", nan),
        (*SCENES[1], RESOLUTIONS[0], nan, 203.0, nan, 3, 1, "usable_below", 181.25),
        (*SCENES[1], RESOLUTIONS[1], nan, 203.0, nan, 3, 0, "usable", nan),
    ]
    columns = ["game", "preset", "resolution", "ceiling_rate", "ceiling_low", "ceiling_high"]
    table = pd.DataFrame(rows, columns=[*columns, "cards", "cards_cpu_bound", "verdict", "below"])
    table = table.rename(columns={"below": "usable_below"})
    return table.assign(platform=PLATFORM, metric="average")


def prediction(card: str = "New $1") -> pd.DataFrame:
    """One predicted card: one chart at the ceiling, one refused."""
    nan = math.nan
    rows = [
        (*SCENES[0], RESOLUTIONS[0], 188.0, 197.0, 203.0, 0.9, ""),
        (*SCENES[0], RESOLUTIONS[1], 95.0, 101.5, 108.0, 0.02, ""),
        (*SCENES[1], RESOLUTIONS[0], 170.0, 181.0, 192.0, 0.2, ""),
        (*SCENES[1], RESOLUTIONS[1], nan, nan, nan, nan, "no card with this memory size"),
    ]
    columns = ["game", "preset", "resolution", "lower", "median", "upper", "p_ceiling", "reason"]
    table = pd.DataFrame(rows, columns=columns)
    table = table.assign(card=card, platform=PLATFORM, metric="average", level=0.8, basis="tested")
    order = ["card", *CHART, "metric", "level", "lower", "median", "upper", "p_ceiling", "basis"]
    return table[[*order, "reason"]]


def neighbours() -> pd.DataFrame:
    """Measured rates of all three cards."""
    return ceilings()[["card", *CHART, "rate"]]


def against(card: str = "New $1") -> pd.DataFrame:
    """Leads of the predicted card over Kb; one refused."""
    table = prediction(card)[["card", *CHART, "metric", "level"]].assign(against="Kb")
    numbers = {
        "p_faster": [0.75, 0.91, 0.5, math.nan],
        "lead_lower": [-0.01, 0.031, -0.05, math.nan],
        "lead_median": [0.09, 0.12, 0.0, math.nan],
        "lead_upper": [0.12, 0.2, 0.06, math.nan],
    }
    return table.assign(**numbers)


def ranks(card: str = "New $1") -> pd.DataFrame:
    """Positions among four cards on two charts."""
    rows = []
    for resolution, shares in zip(RESOLUTIONS, ((0.1, 0.6, 0.3, 0.0), (1.0, 0, 0, 0)), strict=True):
        for position, share in enumerate(shares, start=1):
            rows.append((card, PLATFORM, *SCENES[0], resolution, position, share))
    return pd.DataFrame(rows, columns=["card", *CHART, "position", "probability"])


def lead() -> pd.DataFrame:
    """Leads of Kc over Kb: one left out, one within test error, one odd; then summaries."""
    nan = math.nan
    chart = [
        (*SCENES[0], RESOLUTIONS[0], 0.004, -0.006, 0.014, True, False, "both at the ceiling"),
        (*SCENES[0], RESOLUTIONS[1], 0.333, 0.32, 0.346, False, True, ""),
        (*SCENES[1], RESOLUTIONS[0], 0.006, -0.004, 0.016, True, True, ""),
        (*SCENES[1], RESOLUTIONS[1], 0.12, 0.11, 0.13, False, True, ""),
    ]
    columns = ["game", "preset", "resolution", "lead", "lower", "upper", "within_test_error"]
    table = pd.DataFrame(chart, columns=[*columns, "used", "reason"])
    table = table.assign(
        row_kind="chart",
        odd_one_out=[False, True, False, False],
        typical_lower=nan,
        typical_upper=nan,
        charts_used=[0, 1, 1, 1],
    )
    sums = [
        (RESOLUTIONS[0], 0.006, -0.004, 0.016, True, nan, nan, 1),
        (RESOLUTIONS[1], 0.222, 0.21, 0.23, False, 0.12, 0.333, 2),
        ("(all)", 0.1456, 0.13, 0.16, False, 0.006, 0.12, 3),
    ]
    names = [*columns[2:], "typical_lower", "typical_upper", "charts_used"]
    fixed: dict[str, Any] = {
        "game": "",
        "preset": "",
        "used": True,
        "reason": "",
        "odd_one_out": False,
    }
    summaries = pd.DataFrame(sums, columns=names).assign(row_kind="summary", **fixed)
    both = [part.astype(object) for part in (table, summaries)]
    table = pd.concat(both, ignore_index=True).infer_objects()
    table = table.assign(a="Kc", b="Kb", platform=PLATFORM, upscaling="native")
    order = ["a", "b", *CHART, "lead", "lower", "upper", "within_test_error", "used", "reason"]
    extra = [
        "row_kind",
        "odd_one_out",
        "typical_lower",
        "typical_upper",
        "charts_used",
        "upscaling",
    ]
    return table[[*order, *extra]]


def explanation() -> pd.DataFrame:
    """Why Kc's lead over Kb shrinks: two scenes, one that cannot be explained, and the mean."""
    nan = math.nan
    parts = [
        ("change", -0.22, -0.23, -0.21, True, ""),
        ("ceiling", -0.2, -0.215, -0.18, True, ""),
        ("bandwidth and cache", -0.03, -0.05, -0.01, True, "less"),
        ("left over", 0.01, -0.01, 0.03, False, ""),
    ]
    columns = ["part", "points", "lower", "upper", "proven", "weighs"]
    rows = []
    for kind, (game, preset), resolution in (
        ("chart", SCENES[0], RESOLUTIONS[1]),
        ("chart", SCENES[1], RESOLUTIONS[1]),
        ("summary", ("(all)", "(all)"), "(all)"),
    ):
        table = pd.DataFrame(parts, columns=columns).assign(lead_from=0.333, lead_to=0.113)
        table = table.assign(reason="", charts_used=2 if kind == "summary" else 1)
        rows.append(table.assign(game=game, preset=preset, resolution=resolution, row_kind=kind))
    empty = dict.fromkeys(("points", "lower", "upper", "lead_from", "lead_to"), nan)
    lacks = rows[0].iloc[:1].assign(**empty, proven=None, charts_used=0)
    lacks = lacks.assign(game="Oxbow", reason="no result of Kb at 1920x1080")
    both = [part.astype(object) for part in (*rows[:2], lacks, rows[2])]
    about = {"platform": PLATFORM, "changed": "resolution", "to": RESOLUTIONS[0]}
    about |= {"a": "Kc", "b": "Kb", "metric": "average"}
    found = pd.concat(both, ignore_index=True).infer_objects().assign(**about, level=0.8)
    order = ["a", "b", *CHART, "changed", "to", "metric", "level", "lead_from", "lead_to"]
    return found[[*order, *columns, "row_kind", "charts_used", "reason"]]


def order() -> pd.DataFrame:
    """Pairs that change places: one at the ceiling, one for bandwidth, one within test error."""
    unsure, traffic = "within test error", "bandwidth and cache"
    rows = [
        ("Kc", "Kb", *SCENES[0], 0.333, -0.02, 0.97, "flips", "ceiling", -0.353, -0.3, ""),
        ("Kb", "Ka", *SCENES[1], 0.05, -0.04, 0.99, "flips", traffic, -0.09, -0.1, "less"),
        ("Kc", "Ka", *SCENES[1], 0.01, -0.001, 0.5, unsure, "ceiling", -0.011, -0.01, ""),
    ]
    names = ["a", "b", "game", "preset", "lead_from", "lead_to", "p_flip", "verdict", "cause"]
    table = pd.DataFrame(rows, columns=[*names, "points", "cause_points", "weighs"])
    about = {"platform": PLATFORM, "resolution": RESOLUTIONS[1], "changed": "resolution"}
    about |= {"to": RESOLUTIONS[0], "metric": "average"}
    low, high = table["cause_points"] - 0.01, table["cause_points"] + 0.01
    return table.assign(**about, level=0.8, cause_lower=low, cause_upper=high)


def order_scenes() -> pd.DataFrame:
    """What the pairs of `order` are counted from; one scene in which nothing can be compared."""
    rows = [
        (*SCENES[0], 3, 3, 1, 0, 0.33, 2.0, ""),
        (*SCENES[1], 3, 3, 1, 1, -0.33, 4.0, ""),
        ("Oxbow", "maximum", 1, 0, 0, 0, math.nan, math.nan, "fewer than two cards"),
    ]
    names = ["game", "preset", "cards", "pairs", "flips", "within_test_error", "tau"]
    table = pd.DataFrame(rows, columns=[*names, "positions_moved", "reason"])
    return table.assign(platform=PLATFORM, resolution=RESOLUTIONS[1])


def plan() -> pd.DataFrame:
    """Three cells of two cards, one of them on another platform."""
    rows = [
        ("New $1", PLATFORM, *SCENES[1], RESOLUTIONS[1], 0, 2, 10.0, 18.0, 0.3, 0.06, 0.041),
        ("New $1", PLATFORM, *SCENES[0], RESOLUTIONS[1], 0, 1, 0.0, 4.0, 22 / 60, 0.041, 0.032),
        ("Kb", "bare", *SCENES[0], RESOLUTIONS[0], 3, 1, 10.0, 14.0, 0.6, 0.032, 0.03),
    ]
    columns = ["card", *CHART, "runs_before", "runs", "install_minutes", "minutes", "hours_end"]
    table = pd.DataFrame(rows, columns=[*columns, "range_before", "range_after"])
    return table.assign(reason=["no result yet: known to ±3.1%", "tells it", "3 runs so far"])


def plan_targets() -> pd.DataFrame:
    """One question with its ranges, and one that cannot be told."""
    nan = math.nan
    rows = [
        ("mean rate of New $1 over 3 charts", "3 charts", 0.06, 0.03, 0.0251, ""),
        ("mean rate of Kz", "0 charts", nan, nan, nan, "Kz would sit at the ceiling"),
    ]
    ranges = ["range_now", "range_after", "range_limit"]
    return pd.DataFrame(rows, columns=["target", "quantities", *ranges, "reason"])


def plan_wasted() -> pd.DataFrame:
    """One chart of no use."""
    row = ("New $1", PLATFORM, *SCENES[0], RESOLUTIONS[0], 0.05, "at the ceiling")
    return pd.DataFrame([row], columns=["card", *CHART, "sensitivity", "reason"])


def repeatability(margin: float = 0.02, level: float = 0.8) -> Repeatability:
    """A lab of one scene in two platforms: a bad run, one excluded, and older results."""
    nan = math.nan
    spread = [
        (
            "average",
            "(all)",
            90.0,
            200.0,
            4,
            12,
            0.006,
            0.005,
            0.008,
            7,
            0.03,
            nan,
            nan,
            0,
            3.0,
            "",
        ),
        ("low_1pct", "(all)", nan, nan, 0, 0, nan, nan, nan, 0, nan, nan, nan, 0, nan, "no run"),
    ]
    names = ["metric", "rates", "rate_from", "rate_to", "cells", "runs", "s_r", "s_r_lower"]
    names += ["s_r_upper", "dof_r", "s_r_flagged", "s_session", "s_R", "dof_session"]
    table = pd.DataFrame(spread, columns=[*names, "runs_needed", "reason"])
    table = table.assign(limit_r=2.8 * table["s_r"], limit_R=nan, p_session=nan)
    scenes = pd.DataFrame({"platform": [PLATFORM, "Bench 2"], "s_r": [0.009, 0.005]}).assign(
        metric="average",
        game=SCENES[0][0],
        preset=SCENES[0][1],
        cells=2,
        runs=6,
        dof_r=4,
        s_r_lower=[0.007, 0.004],
        s_r_upper=[0.014, 0.008],
        times_lab=[1.5, 0.8],
        noisy=[True, False],
        runs_needed=[5.0, nan],
        reason=["", "sessions differ"],
    )
    every = pd.DataFrame({"run": ["1", "2", "3"] * 2, "platform": [PLATFORM] * 3 + ["Bench 2"] * 3})
    every = every.assign(
        row=range(2, 8),
        card="Ka",
        game=SCENES[0][0],
        preset=SCENES[0][1],
        resolution=RESOLUTIONS[0],
        rate=[100.0, 101.0, 80.0, 90.0, 90.5, 91.0],
        cell_rate=[100.4] * 3 + [90.5] * 3,
        mean_with=[93.1] * 3 + [90.5] * 3,
        mean_without=nan,
        sds=[0.1, 0.2, 30.0, 0.0, 0.0, 0.0],
        p=nan,
        k=nan,
        h=nan,
        found_by=["", "", "lab", "", "", ""],
        weight=[1.0, 1.0, 0.004, 1.0, 1.0, 1.0],
        reason="",
    )
    every = every.assign(apart=every["rate"] / every["cell_rate"] - 1)
    yours = every.tail(1).assign(found_by="you", weight=0.0, reason="marked exclude", sds=nan)
    stale = pd.DataFrame(
        {"game": [SCENES[0][0]] * 3, "basis": ["same cells", "model", "same cells"]}
    )
    stale = stale.assign(
        platform=PLATFORM,
        preset=SCENES[0][1],
        was="game version 1",
        now="game version 2",
        cells=3,
        shift=[0.06, 0.02, 0.001],
        lower=[0.05, -0.01, -0.004],
        upper=[0.07, 0.05, 0.006],
        p_common=[0.01, nan, 0.5],
        results=[4, 1, 0],
        cards=["Kb", "Kc", ""],
        moved=["1 of 2 cards: Ka", "", "all alike"],
        stands=["no", "not known", "yes"],
        reason=["", "no cell was tested both before and after", ""],
    )
    runs = pd.concat([every[every["found_by"] != ""], yours], ignore_index=True)
    return Repeatability(table, scenes, runs, every, stale, "average", margin, level)


def comparison(kind: str = "card") -> Comparison:
    """Kc against Kb on three charts: tied, different, open; one without a result."""
    table = lead()
    charts = table[table["row_kind"] == "chart"].assign(
        verdict=["tied", "different", "open", ""], reason=["", "", "", "no result of Kb"]
    )
    total = table.tail(1).assign(verdict="different", reason="", charts_used=3)
    table = pd.concat([charts, total], ignore_index=True).assign(kind=kind, card="Ka")
    table.loc[3, ["lead", "lower", "upper"]] = math.nan
    return Comparison(table, "Kc", "Kb", kind, 0.02, 0.8)


def many(table: pd.DataFrame, copies: int) -> pd.DataFrame:
    """The same rows for many games, each with a long name."""
    parts = [
        table.assign(game=f"Game {n:02d} with a name that goes on for longer than any panel")
        for n in range(copies)
    ]
    chosen = pd.concat(parts, ignore_index=True)
    return chosen.drop_duplicates([c for c in ("card", *CHART) if c in chosen.columns])
