"""The part of a bench that a question uses: of some games, platforms or drivers, or since a day."""

import calendar
import hashlib
import json
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.data.bench import EXCLUDED_COLUMNS, Bench
from scalemodel.data.cells import Complaint, parse_date
from scalemodel.data.problems import near_names, shown
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError

OTHER = {
    "game": "of another game than asked for",
    "platform": "on another platform than asked for",
    "driver": "with another driver than asked for",
}
"""Why a run is left out, by the column that says so."""

NO_DRIVER = "no driver is noted, and one was asked for"
NO_DATE = "no date is noted, and only later ones were asked for"
WITH_CELL = "of a cell without the runs asked for"
DATED = "dated "
VAGUE = "dated without the day, which may be before"
"""What counts as one reason where reasons are counted."""


@dataclass(frozen=True)
class Filter:
    """Which runs and shots of a bench to use; what is empty asks for nothing.

    Attributes:
        games: names of games.
        platforms: names of platforms.
        drivers: names of drivers.
        since: the first day, as in "2026-03-14"; "2026-03" and "2026" are the first day of it.
    """

    games: tuple[str, ...] = ()
    platforms: tuple[str, ...] = ()
    drivers: tuple[str, ...] = ()
    since: str = ""

    def take(self, bench: Bench) -> Bench:
        """Return the bench with these runs and shots only; sheets and platforms stay whole.

        The others are among the excluded, with the first reason that holds. The digest is another
        one than that of the whole bench.

        Raises:
            ScalemodelError: a name is not in the results or since is not a date (all of it at
                once), or no run is left.
        """
        if self == Filter():
            return bench
        self._check(bench)
        runs, shots, gone = bench.results, bench.latency, bench.excluded
        reasons = self._reasons(runs)
        used = runs[reasons == ""].reset_index(drop=True)
        chosen = self._words(reasons)
        if used.empty:
            last = f" The last run is dated {runs['date'].max()}." if self.since else ""
            raise ScalemodelError(
                f"{bench.source}: no run is left. {chosen}{last} Fix: ask for less at once."
            )
        # Of runs left out before, driver and date are not known: they go with their cell.
        outside = Filter(self.games, self.platforms)._reasons(gone)
        there, left = (pd.MultiIndex.from_frame(t[list(CELL_COLUMNS)]) for t in (runs, used))
        cells = pd.MultiIndex.from_frame(gone[list(CELL_COLUMNS)])
        outside[(outside == "") & cells.isin(there) & ~cells.isin(left)] = WITH_CELL
        gone = gone.assign(reason=np.where(outside == "", gone["reason"], outside))
        added = runs.assign(reason=reasons)[reasons != ""][list(EXCLUDED_COLUMNS)]
        of_shots = np.where(shots["reason"] == "", self._reasons(shots), shots["reason"])
        return replace(
            bench,
            results=used,
            excluded=pd.concat([gone, added], ignore_index=True),
            limited=bench.limited[self._reasons(bench.limited) == ""].reset_index(drop=True),
            latency=shots.assign(reason=of_shots),
            digest=self._digest(bench),
            chosen=chosen,
        )

    def _asked(self) -> dict[str, tuple[str, ...]]:
        return {"game": self.games, "platform": self.platforms, "driver": self.drivers}

    def _check(self, bench: Bench) -> None:
        wrong = []
        for column, names in self._asked().items():
            known = [name for name in bench.results[column].unique() if name]
            if names and not known:
                wrong.append(Complaint(f"no run has a {column}", "fill that column of results"))
                continue
            wrong += [
                Complaint(
                    f"there is no run with the {column} {shown(name)}",
                    f"ask for one such as {near_names(name, known)}",
                )
                for name in names
                if name not in known
            ]
        if isinstance(parse_date(self.since), Complaint):
            fix = "write it as 2026-03-14, 2026-03 or 2026"
            wrong.append(Complaint(f"{shown(self.since)} is not a date", fix))
        if wrong:
            lines = (f"{bench.source}: {one.what}. Fix: {one.fix}." for one in wrong)
            raise ScalemodelError("\n".join(lines))

    def _reasons(self, table: pd.DataFrame) -> NDArray[np.object_]:
        """Return for every row why it is left out, or an empty text."""
        reasons = np.full(len(table), "", dtype=object)
        for column, names in self._asked().items():
            if names:
                own = _texts(table, column)
                _mark(reasons, (own == "") & (column == "driver"), NO_DRIVER)
                _mark(reasons, ~own.isin(names), OTHER[column])
        if self.since:
            dates = _texts(table, "date")
            for date in dates.unique():
                _mark(reasons, dates == date, self._why_not(date))
        return reasons

    def _why_not(self, date: str) -> str:
        """Say why what was tested on a date is left out, or nothing."""
        if not date:
            return NO_DATE
        if _days(date)[0] >= _days(self.since)[0]:
            return ""
        if _days(date)[1] < _days(self.since)[0]:
            return f"from before {self.since}"
        return f"{DATED}{date}, which may be before {self.since}"

    def _words(self, reasons: NDArray[np.object_]) -> str:
        """Say which runs were asked for, how many are used, and why the others are not."""
        parts = [
            f"{column} {' or '.join(shown(name) for name in names)}"
            for column, names in self._asked().items()
            if names
        ]
        parts += [f"since {self.since}"] if self.since else []
        told = Counter(VAGUE if why.startswith(DATED) else why for why in reasons if why)
        left = "; ".join(f"{count:,} {why}" for why, count in told.items())
        words = f"Of {len(reasons):,} runs {int((reasons == '').sum()):,} are used: "
        words += ", ".join(parts) + "."
        return words + (f" Left out: {left}." if left else "")

    def _digest(self, bench: Bench) -> str:
        asked = {column: sorted(set(names)) for column, names in self._asked().items()}
        text = json.dumps([bench.digest, asked, self.since], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()


def _texts(table: pd.DataFrame, column: str) -> "pd.Series[str]":
    """Return a column of text; shots, for one, have no driver unless the user adds the column."""
    if column in table:
        return table[column]
    return pd.Series("", index=table.index, dtype=str)


def _mark(reasons: NDArray[np.object_], rows: "pd.Series[bool]", reason: str) -> None:
    reasons[(reasons == "") & rows.to_numpy(bool)] = reason


def _days(date: str) -> tuple[str, str]:
    """Return the first and the last day that a date, or a month or year, may mean."""
    year, month, day = [*date.split("-"), "", ""][:3]
    first = f"{year}-{month or '01'}-{day or '01'}"
    last_day = day or f"{calendar.monthrange(int(year), int(month or 12))[1]:02}"
    return first, f"{year}-{month or '12'}-{last_day}"
