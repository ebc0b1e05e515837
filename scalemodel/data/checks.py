"""Checks across the rows and tables of a bench, and which rows are left out and why."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.repeats import agree, far_limit, index_by
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS, ID_COLUMNS, SESSION_COLUMNS

GENERATED = "generated frames do not cost the CPU what rendered ones do"
"""Why runs with frame generation are left out."""

STRANGE = "the card is not in the table of cards"
"""Why runs and shots of cards without a sheet are left out."""

LIMITED = "tested at a power limit that is not the card's own"
"""Why runs at another power limit are left out of the fit; `power` looks at them."""

OWN_LIMIT = 0.005
"""Share of the board power within which a power limit is the card's own: sheets are rounded."""

ABOVE_LIMIT = 0.05
"""Share by which the mean power of a run may be above its limit before that looks wrong."""


def check_cards(cards: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note a card listed twice (error) and names that differ only in case (warning)."""
    check_listed_once(cards, "card", file, log)
    check_case(cards, "card", file, log)


def check_listed_once(table: pd.DataFrame, column: str, file: str, log: ProblemLog) -> None:
    """Note rows with an id that an earlier row has."""
    named = table[table[column] != ""]
    first = named.groupby(column, sort=False)["row"].transform("first")
    for row, name, earlier in zip(named["row"], named[column], first, strict=True):
        if row != earlier:
            what = f'the {column} "{name}" is already in row {earlier}'
            fix = "delete one of the rows or rename it"
            log.error(file, what, f"each {column} once", fix, row=row, column=column, value=name)


def check_case(table: pd.DataFrame, column: str, file: str, log: ProblemLog) -> None:
    """Note ids that differ from an earlier one only in case or spaces."""
    firsts = table.drop_duplicates(column)
    seen: dict[str, str] = {}
    for row, name in zip(firsts["row"], firsts[column], strict=True):
        key = "".join(name.split()).casefold()
        other = seen.setdefault(key, name)
        if other != name:
            what = f'"{name}" and "{other}" differ only in capitals or spaces'
            fix = "write both alike if they are the same"
            allowed = "one spelling for one thing"
            log.warning(file, what, allowed, fix, row=row, column=column, value=name)


def reasons_to_leave_out(
    results: pd.DataFrame, cards: pd.DataFrame, file: str, log: ProblemLog
) -> NDArray[np.object_]:
    """Give for every run the reason to leave it out of the fit, or an empty text.

    A run has the first reason that holds: marked by the user, frame generation, unknown card,
    a run given before, another power limit than the card's own.
    """
    reasons = np.full(len(results), "", dtype=object)
    mark_excluded(results, reasons)
    reasons[(reasons == "") & results["frame_generation"].to_numpy(bool)] = GENERATED
    strange = ~results["card"].isin(set(cards["card"])).to_numpy(bool)
    note_strange_cards(results[strange], cards["card"].tolist(), file, log)
    reasons[(reasons == "") & strange] = STRANGE
    limit = other_limits(results, cards)
    rest = results.assign(power_limit_w=limit.fillna(0.0))[reasons == ""]
    names = [*ID_COLUMNS, "power_limit_w"]
    first = rest.groupby(names, sort=False)["row"].transform("first")
    for index, earlier in first[first != rest["row"]].items():
        reasons[index] = f"the same run as row {earlier}"
        _note_repeated(rest.loc[[index]], earlier, file, log)
    reasons[(reasons == "") & limit.notna().to_numpy()] = LIMITED
    return reasons


def mark_excluded(table: pd.DataFrame, reasons: NDArray[np.object_]) -> None:
    """Write the reason of the rows that the user marked exclude."""
    note = table["note"].to_numpy(object)
    for i in np.flatnonzero(table["exclude"].to_numpy(bool)):
        reasons[i] = f"marked exclude: {note[i]}" if note[i] else "marked exclude"


def other_limits(results: pd.DataFrame, cards: pd.DataFrame) -> "pd.Series[float]":
    """Return the power limit (W) of each run that is not its card's own; NaN for the others."""
    limit = results["power_limit_w"]
    own = results["card"].map(cards.drop_duplicates("card").set_index("card")["board_power_w"])
    return limit.mask((limit / own - 1).abs() <= OWN_LIMIT)


def note_strange_cards(
    strange: pd.DataFrame, cards: Sequence[str], file: str, log: ProblemLog, noun: str = "run"
) -> None:
    """Note the cards of rows that are left out because no sheet is known of them."""
    spellings = {"".join(card.split()).casefold(): card for card in cards}
    for name, runs in strange.groupby("card", sort=False):
        count = f"its {len(runs)} {noun}s are" if len(runs) > 1 else f"its {noun} is"
        near = spellings.get("".join(str(name).split()).casefold())
        fix = "add its spec sheet to the table of cards or correct the name"
        if near is not None:
            fix = f'write "{near}" as in the table of cards'
        log.warning(
            file,
            f'the card "{name}" is not in the table of cards; {count} left out',
            "a card of the table of cards",
            fix,
            row=int(runs["row"].iloc[0]),
            column="card",
            value=str(name),
        )


def _note_repeated(run: pd.DataFrame, earlier: int, file: str, log: ProblemLog) -> None:
    name = run["run"].iloc[0]
    log.warning(
        file,
        f'run "{name}" of this card and chart is already in row {earlier}; this row is left out',
        "each run of a cell once",
        "number the runs of a cell 1, 2, 3 or delete the row",
        row=int(run["row"].iloc[0]),
        column="run",
        value=name,
    )


def check_scene_names(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note two different scenes whose names, written "game | preset", are the same."""
    scenes = results.drop_duplicates(["game", "preset"])
    again = scenes[scenes.duplicated("scene")]
    for row, scene in zip(again["row"], again["scene"], strict=True):
        what = f'two different scenes would both be called "{scene}"'
        allowed = 'names of games and presets without " | "'
        log.error(file, what, allowed, "rename the preset", row=row, column="preset")


def check_limits(runs: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note runs whose mean power is above the power limit they were tested at."""
    over = runs[runs["power_w"] > (1 + ABOVE_LIMIT) * runs["power_limit_w"]]
    for _, run in over.iterrows():
        log.warning(
            file,
            f"power_w {run['power_w']:,.12g} is above the power limit of "
            f"{run['power_limit_w']:,.12g} W",
            f"power_w at most {ABOVE_LIMIT:.0%} above power_limit_w",
            "check the limit, and that power_w is the card's alone",
            row=int(run["row"]),
            column="power_w",
            value=f"{run['power_w']:.12g}",
        )


def check_results(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note (as warnings) what looks wrong among the runs that are kept."""
    for column in ("platform", "game", "preset"):
        check_case(results, column, file, log)
    check_lows(results, file, log)
    check_repeats(results, file, log)
    check_game_versions(results, file, log)
    check_lonely_cards(results, file, log)


def check_lows(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note lows above the average, or a 0.1% low above the 1% low."""
    pairs = (
        ("low_1pct_fps", "avg_fps"),
        ("low_01pct_fps", "low_1pct_fps"),
        ("low_01pct_fps", "avg_fps"),
    )
    told = np.zeros(len(results), dtype=bool)
    for low, high in pairs:
        wrong = (results[low] > results[high]).to_numpy(bool) & ~told
        told |= wrong
        for _, run in results[wrong].iterrows():
            log.warning(
                file,
                f"{low} {run[low]:,.12g} is above {high} {run[high]:,.12g}",
                "low_01pct_fps at most low_1pct_fps at most avg_fps",
                "check whether the columns are swapped, and correct the row",
                row=int(run["row"]),
                column=low,
                value=f"{run[low]:.12g}",
            )


def check_repeats(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note runs far from what the others of their cell agree on."""
    log_rate = np.log(results["avg_fps"].to_numpy(dtype=float))
    cell = index_by(results, CELL_COLUMNS)
    session = index_by(results, (*CELL_COLUMNS, *SESSION_COLUMNS))
    agreed = agree(log_rate, cell, session, index_by(results, CHART_COLUMNS))
    away = log_rate - agreed.location[cell]
    for i in np.flatnonzero(agreed.far):
        run, percent = results.iloc[i], 100 * np.expm1(away[i])
        limit = 100 * far_limit(agreed.wide)[i]
        log.warning(
            file,
            f"{run['avg_fps']:,.12g} is {abs(percent):.1f}% {'above' if percent > 0 else 'below'} "
            "what its repeats agree on",
            f"repeats within about {limit:.1f}% of each other",
            "run it again, or mark the row exclude with a note",
            row=int(run["row"]),
            column="avg_fps",
            value=f"{run['avg_fps']:.12g}",
        )


def check_game_versions(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note a game of which some charts mix versions: the rarer version may be stale."""
    given = results[results["game_version"] != ""]
    mixed = given.groupby(list(CHART_COLUMNS), sort=False)["game_version"].transform("nunique") > 1
    for (platform, game), runs in given[mixed].groupby(["platform", "game"], sort=False):
        counts = runs["game_version"].value_counts(sort=False)
        usual = str(counts.index[int(np.argmax(counts.to_numpy()))])
        for version, rare in runs[runs["game_version"] != usual].groupby(
            "game_version", sort=False
        ):
            names = [f'"{name}"' for name in rare["card"].unique()]
            more = f" and {len(names) - 3} more cards" if len(names) > 3 else ""
            which = f"{shown(str(version))} for {', '.join(names[:3])}{more}"
            count = f"{len(rare)} run{'s' if len(rare) > 1 else ''}"
            log.warning(
                file,
                f'charts of "{game}" on "{platform}" mix game versions: {which} ({count}), '
                f"{shown(usual)} for most",
                "one game version a chart",
                "test again with one version, or compare these results with care",
                row=int(rare["row"].iloc[0]),
                column="game_version",
                value=str(version),
            )


def check_lonely_cards(results: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note charts with one card: they compare nothing."""
    firsts = results.drop_duplicates(list(CELL_COLUMNS))
    lonely = firsts[~firsts.duplicated(list(CHART_COLUMNS), keep=False)]
    for _, run in lonely.iterrows():
        log.warning(
            file,
            f'the chart of "{run["scene"]}" at {run["resolution"]} on "{run["platform"]}" has only '
            f'one card, "{run["card"]}"',
            "two cards or more on a chart",
            "test another card there",
            row=int(run["row"]),
            column="card",
            value=str(run["card"]),
        )
