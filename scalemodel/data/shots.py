"""The shots of latency.csv: which are left out and why, and what looks wrong among the others."""

import numpy as np
import pandas as pd

from scalemodel.data.checks import STRANGE, mark_excluded, note_strange_cards
from scalemodel.data.problems import ProblemLog
from scalemodel.data.repeats import agree_in_proportion, far_limit, index_by
from scalemodel.data.schema import CELL_COLUMNS, LATENCY
from scalemodel.data.tables import TypedTable

SHOT_SESSION = (*CELL_COLUMNS, "date")
"""What was shot together: a cell on one day."""


def read_shots(table: TypedTable | None, cards: pd.DataFrame, log: ProblemLog) -> pd.DataFrame:
    """Give the shots with the reason why each is left out, or ""; note what looks wrong."""
    if table is None:
        return pd.DataFrame(columns=["row", *LATENCY.names(), "reason"])
    frame, name = table.frame, table.reading.name
    reasons = np.full(len(frame), "", dtype=object)
    mark_excluded(frame, reasons)
    strange = ~frame["card"].isin(set(cards["card"])).to_numpy(bool)
    note_strange_cards(frame[strange], cards["card"].tolist(), name, log, "shot")
    reasons[(reasons == "") & strange] = STRANGE
    rest = frame[reasons == ""]
    first = rest.groupby([*SHOT_SESSION, "shot"], sort=False)["row"].transform("first")
    for index, earlier in first[first != rest["row"]].items():
        reasons[index] = f"the same shot as row {earlier}"
        log.warning(
            name,
            f"this shot of the card and chart is already in row {earlier}; this row is left out",
            "each shot of a cell and date once",
            "number the shots of a cell 1, 2, 3 or delete the row",
            row=int(frame.loc[index, "row"]),
            column="shot",
            value=str(frame.loc[index, "shot"]),
        )
    frame = frame.assign(reason=reasons)
    check_far_shots(frame[frame["reason"] == ""], name, log)
    return frame


def check_far_shots(shots: pd.DataFrame, file: str, log: ProblemLog) -> None:
    """Note shots far from what the others of their cell agree on."""
    if shots.empty:
        return
    cell = index_by(shots, CELL_COLUMNS)
    values = shots["latency_ms"].to_numpy(dtype=float)
    agreed = agree_in_proportion(values, cell, index_by(shots, SHOT_SESSION), cell)
    usual = agreed.location[cell]
    limit = usual * far_limit(agreed.wide / usual)
    for i in np.flatnonzero(agreed.far):
        shot = shots.iloc[i]
        log.warning(
            file,
            f"{shot['latency_ms']:,.12g} ms is far from the {usual[i]:.1f} ms that its repeats "
            "agree on",
            f"shots within about {limit[i]:.1f} ms of that",
            "mark the row exclude with a note if the sensor or the game slipped",
            row=int(shot["row"]),
            column="latency_ms",
            value=f"{shot['latency_ms']:.12g}",
        )
