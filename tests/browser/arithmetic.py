"""Imagined cards placed twice: by the library, and by the arithmetic of the report's page."""

import json
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.whatif import SPECS
from scalemodel.data.specs import with_derived
from scalemodel.views.report.whatif import ASSETS, whatif_panel

HERE = Path(__file__).parent
RANGE = ["lower", "median", "upper"]
NEW = "Yet To Come"


def program(name: str) -> str:
    """Give the path of a program; without it the test is skipped, but fails where CI is set."""
    path = shutil.which(name)
    if path is None:
        if os.environ.get("CI"):
            pytest.fail(f"{name} is not installed")
        pytest.skip(f"{name} is not installed")
    return path


def imagined_sheets(fit: Fit, count: int, seed: int) -> pd.DataFrame:
    """Imagine cards of five kinds in turn, as sheets of `read_specs` with a column `what`."""
    rng = np.random.default_rng(seed)
    tested = fit.bench.cards[fit.bench.cards["card"].isin(fit.labels.cards)].reset_index(drop=True)
    moved = ["shaders", "boost_clock_mhz", "bandwidth_gbs", "cache_mb", "rops"]
    low, high = tested[moved].min(), tested[moved].max()
    kinds = ("inside", "beyond", "new architecture", "new vendor", "end")
    sheets = []
    for k in range(count):
        what = kinds[k % len(kinds)]
        sheet = tested.iloc[int(rng.integers(len(tested)))].copy()
        sheet[moved] = sheet[moved] * np.exp(rng.normal(0, 0.15, len(moved)))
        if what == "beyond":
            sheet[moved] = high * rng.uniform(1.0, 1.6, len(moved))
        elif what == "end":
            sheet[moved] = np.where(rng.random(len(moved)) < 0.5, low / 2, high * 2)
        if what in ("new architecture", "new vendor"):
            sheet["architecture"], sheet["release_date"] = NEW, ""
        if what == "new vendor":
            sheet["vendor"] = NEW
        sheets.append(sheet.rename(None).to_dict() | {"card": f"Imagined {k}", "what": what})
    table = pd.DataFrame(sheets)
    table["memory_bandwidth_gbs"] = table["bandwidth_gbs"]
    table[["memory_bus_bits", "memory_rate_gbps"]] = np.nan
    return with_derived(table.round(dict.fromkeys(moved, 6)))


@dataclass(frozen=True)
class Placed:
    """Cards placed: one row a card and chart as `Prediction.table`, and the time of each card."""

    table: pd.DataFrame
    milliseconds: list[float]
    overall: list[list[dict[str, object]]]


def by_page(fit: Fit, sheets: pd.DataFrame, level: float = 0.8) -> Placed:
    """Place cards with the page's arithmetic, run by node."""
    panel = whatif_panel(fit, None, level)
    data = json.loads(panel.data)
    asked = [{"kind": kind_of(data, s), "values": values_of(data, s)} for s in records(sheets)]
    with tempfile.TemporaryDirectory() as folder:
        files = [ASSETS / "whatif-model.js", Path(folder) / "data", Path(folder) / "sheets"]
        files[1].write_text(panel.data, encoding="utf-8")
        files[2].write_text(json.dumps(asked), encoding="utf-8")
        command = [program("node"), HERE / "place.js", *files]
        found = subprocess.run(command, check=True, capture_output=True, text=True)
    placed = json.loads(found.stdout)
    rows = [
        {"card": sheet["card"], "basis": one["basis"], "p_ceiling": chart.get("pCeiling"), **chart}
        for sheet, one in zip(records(sheets), placed, strict=True)
        for chart in one["charts"]
    ]
    columns = ["card", *RANGE, "p_ceiling", "basis", "reason"]
    table = pd.DataFrame(rows, columns=columns)
    table = table.astype(dict.fromkeys((*RANGE, "p_ceiling"), float))
    return Placed(
        table, [one["milliseconds"] for one in placed], [one["overall"] for one in placed]
    )


def records(sheets: pd.DataFrame) -> list[dict[str, object]]:
    return sheets.to_dict(orient="records")


def kind_of(data: dict[str, list[dict[str, object]]], sheet: dict[str, object]) -> int:
    """Give the place of a sheet's architecture and vendor among those of the panel."""
    names = [(kind["architecture"], kind["vendor"]) for kind in data["kinds"]]
    own = tuple("" if sheet[key] == NEW else sheet[key] for key in ("architecture", "vendor"))
    return names.index(own)


def values_of(
    data: dict[str, list[dict[str, object]]], sheet: dict[str, object]
) -> dict[str, object]:
    """Give a sheet's values of the specs; a new architecture comes out when the panel says."""
    year = data["kinds"][kind_of(data, sheet)]["release_year"]
    values = {name: sheet[name] for name in SPECS if not pd.isna(sheet[name])}
    return {**values, "release_year": year}
