"""Are planted effects found, and nothing where nothing is? Latency, lows and groups of charts.

Run from the root of the repository: ``python docs/benchmarks/planted.py --labs 20``. Each simulated
lab is asked twice: as it is, where anything that is found is a false alarm, and with one effect
planted. The figures it gave are in planted.md beside it.
"""

import argparse
import platform
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.labsim import Lab, LabSettings, simulate_lab  # noqa: E402
from datasets.labsim.shots import CELL, fire  # noqa: E402
from scalemodel.answers.latency import latency  # noqa: E402

SHOTS, REFRESH_HZ = 24, 240.0
SHOT_SCENES, SHOT_CARDS = 4, 12
QUEUED_FRAMES, LOW_FACTOR, GROUP_FACTOR = 1.0, 0.85, 1.15
PAIRS, HELD_OUT = 4, 2
LOWS = ("low_1pct", "low_01pct")
QUESTIONS = ("latency", "lows", "groups", "ahead")


def settings(seed: int) -> LabSettings:
    """Return a lab of one platform and ordinary size."""
    rng = np.random.default_rng([seed, 31])
    return LabSettings(
        n_cards=int(rng.integers(14, 21)),
        n_scenes=int(rng.integers(10, 15)),
        n_platforms=1,
        runs=int(rng.integers(2, 5)),
        measurement_sd=float(rng.uniform(0.003, 0.008)),
    )


def bench_of(lab: Lab, results: pd.DataFrame, shots: pd.DataFrame) -> sm.Bench:
    """Write a lab with these results and shots, and read it."""
    with tempfile.TemporaryDirectory() as folder:
        replace(lab, results=results).write(Path(folder))
        shots.to_csv(Path(folder) / "latency.csv", index=False)
        return sm.read_bench(folder)


def shoot(
    lab: Lab, seed: int, card_frames: dict[str, float]
) -> tuple[pd.DataFrame, list[str], pd.DataFrame]:
    """Fire shots at some scenes, at two resolutions; return them, the cards, and the true means."""
    rng = np.random.default_rng([seed, 32])
    cards = list(rng.permutation(lab.results["card"].unique())[:SHOT_CARDS])
    games = lab.results[["game", "preset"]].drop_duplicates().sample(SHOT_SCENES, random_state=seed)
    rows = lab.results.merge(games, on=["game", "preset"])
    rows = rows[rows["card"].isin(cards) & (rows["resolution"] != "3840x2160")]
    game_ms = {game: float(rng.uniform(0, 9)) for game in rows["game"].unique()}
    frames = card_frames or {}
    made, truth = fire(rows, game_ms, frames, shots=SHOTS, refresh_hz=REFRESH_HZ, rng=rng)
    return made, cards, truth


def latency_rows(lab: Lab, seed: int, fit: sm.Fit) -> Iterator[dict[str, object]]:
    """Ask what is off the line: as it is, with a card that lets a frame wait, with such a cell."""
    plain, cards, _ = shoot(lab, seed, {})
    odd = cards[0]
    planted, _, _ = shoot(lab, seed, {odd: QUEUED_FRAMES})
    cells = plain[CELL].drop_duplicates()
    cell = tuple(cells.iloc[int(np.random.default_rng([seed, 35]).integers(len(cells)))])
    rates = lab.results.groupby(CELL)["avg_fps"].mean()
    single = plain.copy()
    late = (single[CELL] == cell).all(axis=1)
    single.loc[late, "latency_ms"] += round(QUEUED_FRAMES * 1000 / rates[cell], 1)
    asked = {"nothing": plain, "a card": planted, "a single cell": single}
    for what, shots in asked.items():
        found = latency(bench_of(lab, lab.results, shots), fit=fit)
        out = set(found.cards.loc[found.cards["breaks"], "card"])
        off = set(found.table.loc[found.table["off_line"], CELL].itertuples(index=False, name=None))
        if what == "nothing":
            hits = {"a card": bool(out), "a single cell": bool(off), "anything": bool(out or off)}
        else:
            hits = {what: odd in out if what == "a card" else cell in off}
        for question, hit in hits.items():
            yield {"question": f"latency: {question}", "lab": seed, "what": what, "found": hit}


def faulty(lab: Lab, seed: int) -> tuple[str, pd.DataFrame]:
    """Choose a card and two scenes that it has at three resolutions."""
    rng = np.random.default_rng([seed, 33])
    count = lab.results.groupby(["card", "game", "preset"])["resolution"].nunique()
    full = count[count == 3].reset_index()
    card = str(rng.choice(full["card"].value_counts().loc[lambda scenes: scenes >= 2].index))
    return card, full[full["card"] == card][["game", "preset"]].sample(2, random_state=seed)


def lows_rows(lab: Lab, seed: int, fit: sm.Fit) -> Iterator[dict[str, object]]:
    """Ask for lows out of step: as it is, then with those of one card held back in two scenes."""
    results = lab.results.copy()
    card, scenes = faulty(lab, seed)
    keys = results.merge(scenes.assign(hit=True), on=["game", "preset"], how="left")["hit"]
    rows = (results["card"] == card).to_numpy() & keys.notna().to_numpy()
    names = [f"{one}_fps" for one in LOWS]
    results.loc[rows, names] = (results.loc[rows, names] * LOW_FACTOR).round(2)
    planted = replace(fit, bench=bench_of(lab, results, lab_shots(lab)))
    wanted = {(card, game, preset) for game, preset in scenes.itertuples(index=False, name=None)}
    for metric in LOWS:
        for what, asked in (("nothing", fit), ("planted", planted)):
            answer = asked.lows(metric)
            out = answer.places[answer.places["out_of_step"]]
            places = set(out[["card", "game", "preset"]].itertuples(index=False, name=None))
            cells = bool(answer.table["out_of_step"].any())
            cards = bool(answer.cards["out_of_step"].any())
            if what == "planted":
                hits = {"a card in two scenes": wanted <= places}
            else:
                single = {"a single cell": cells, "a card": cards}
                every = {"anything": bool(places) or cells or cards}
                hits = {"a card in two scenes": bool(places), **single, **every}
            for question, hit in hits.items():
                name = f"{metric}: {question}"
                yield {"question": name, "lab": seed, "what": what, "found": hit}


def lab_shots(lab: Lab) -> pd.DataFrame:
    """Return one shot, so that every bench of a lab has the same files."""
    first = lab.results[CELL].iloc[:1]
    return first.assign(shot=1, latency_ms=30.0, refresh_hz=240)


def group_rows(lab: Lab, seed: int) -> Iterator[dict[str, object]]:
    """Ask whether a lead differs between two halves of the scenes that mean nothing, then do."""
    rng = np.random.default_rng([seed, 34])
    scenes = lab.results[["game", "preset"]].drop_duplicates().reset_index(drop=True)
    half = rng.permutation(len(scenes)) < len(scenes) // 2
    scenes = scenes.assign(engine=np.where(half, "north", "south"))
    results = lab.results.merge(scenes, on=["game", "preset"])
    cards = list(rng.permutation(results["card"].unique()))
    pairs = [(cards[2 * k], cards[2 * k + 1]) for k in range(PAIRS)]
    moved = results.copy()
    for a, _ in pairs:
        rows = (moved["card"] == a) & (moved["engine"] == "north")
        moved.loc[rows, "avg_fps"] = (moved.loc[rows, "avg_fps"] * GROUP_FACTOR).round(2)
    for what, table in (("nothing", results), ("planted", moved)):
        fit = sm.fit(bench_of(lab, table, lab_shots(lab)))
        for a, b in pairs:
            rows = fit.lead_by("engine", a, b).table
            verdict = rows.loc[rows["row_kind"] == "difference", "verdict"]
            if verdict.empty or verdict.iloc[0] == "":
                continue
            p = float(rows.loc[rows["row_kind"] == "difference", "p_different"].iloc[0])
            name = "groups: lead"
            yield {"question": name, "lab": seed, "what": what, "found": p < 0.05}


def ahead_rows(lab: Lab, seed: int, fit: sm.Fit) -> Iterator[dict[str, object]]:
    """Predict the latency of cards kept out, beside that of the card nearest in shaders x clock."""
    shots, cards, truth = shoot(lab, seed, {})
    sheet = fit.bench.cards.set_index("card", drop=False)
    speed = np.log(sheet["shaders"] * sheet["boost_clock_mhz"])
    for card in cards[-HELD_OUT:]:
        rest = fit.without((card,))
        mine = shots[shots["card"] == card]
        bench = bench_of(lab, lab.results, shots[shots["card"] != card])
        specs = sheet.loc[[card]].reset_index(drop=True)
        told = latency(bench, fit=rest, specs=specs).ahead
        told = told[told["reason"] == ""].merge(
            mine.groupby(CELL, sort=False)["latency_ms"].mean().rename("measured").reset_index(),
            on=CELL,
        )
        others = [one for one in cards if one != card]
        near = min(others, key=lambda one: abs(speed[one] - speed[card]))
        peer = truth[truth["card"] == near].drop(columns="card")
        told = told.merge(peer.rename(columns={"latency_ms": "peer"}), on=CELL[1:], how="left")
        for row in told.to_dict(orient="records"):
            yield {
                "lab": seed,
                "inside": row["lower_ms"] <= row["measured"] <= row["upper_ms"],
                "error": abs(row["median_ms"] - row["measured"]),
                "peer": abs(row["peer"] - row["measured"]),
                "width": row["upper_ms"] - row["lower_ms"],
            }


def lines(found: pd.DataFrame) -> Iterator[str]:
    """Give the table of questions in Markdown, with 95% binomial ranges (Clopper & Pearson)."""
    yield "| question | planted in | found | asked as they are | false alarms | 95% range |"
    yield "|---|---|---|---|---|---|"
    for question, rows in found.groupby("question", sort=False):
        planted, nothing = (rows[(rows["what"] == "nothing") == plain] for plain in (False, True))
        share = f"{planted['found'].mean():.2f}" if len(planted) else ""
        hits = int(nothing["found"].sum())
        low, high = binomtest(hits, len(nothing)).proportion_ci(0.95)
        yield (
            f"| {question} | {len(planted) or ''} | {share} | {len(nothing)} | {hits} | "
            f"{low:.3f} to {high:.3f} |"
        )


def ahead_lines(ahead: pd.DataFrame) -> Iterator[str]:
    """Give the table of cards kept out in Markdown."""
    both = ahead.dropna(subset="peer")
    yield "\n| latency of cards kept out | |\n|---|---|"
    yield f"| labs | {ahead['lab'].nunique()} |\n| cells | {len(ahead)} |"
    yield f"| inside the 80% range | {ahead['inside'].mean():.3f} |"
    yield f"| mean width | {ahead['width'].mean():.2f} ms |"
    yield f"| mean error, where the peer has a value | {both['error'].mean():.2f} ms |"
    yield f"| mean error of the nearest card | {both['peer'].mean():.2f} ms |"


def main() -> None:
    """Run the labs and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=20)
    parser.add_argument("--ask", nargs="+", choices=QUESTIONS, default=QUESTIONS)
    parser.add_argument("--first", type=int, default=0, help="seed of the first lab")
    asked = parser.parse_args()
    machine = f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}"
    print(f"{machine}, scipy {version('scipy')}; {asked.labs} labs\n")
    rows: list[dict[str, object]] = []
    ahead: list[dict[str, object]] = []
    for seed in range(asked.first, asked.first + asked.labs):
        lab = simulate_lab(settings(seed), seed)
        fit = sm.fit(bench_of(lab, lab.results, lab_shots(lab)))
        rows += latency_rows(lab, seed, fit) if "latency" in asked.ask else []
        rows += lows_rows(lab, seed, fit) if "lows" in asked.ask else []
        rows += group_rows(lab, seed) if "groups" in asked.ask else []
        ahead += ahead_rows(lab, seed, fit) if "ahead" in asked.ask else []
        print(f"lab {seed}: {len(rows)} answers so far", file=sys.stderr, flush=True)
    if rows:
        print("\n".join(lines(pd.DataFrame(rows))))
    if ahead:
        print("\n".join(ahead_lines(pd.DataFrame(ahead))))


if __name__ == "__main__":
    main()
