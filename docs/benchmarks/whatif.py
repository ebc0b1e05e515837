"""How close is the what-if panel of the report to `predict`, how large is it, and how fast?

Run from the root of the repository: ``python docs/benchmarks/whatif.py --labs 3``; it needs node.
Cards are imagined inside the tested span, beyond it, of new architectures and vendors, and with
specs at the ends of the sliders, and placed by both on every chart. Beside it stands how far
`predict` itself moves with the seed of its draws. The figures it gave are in whatif.md beside it.
"""

import argparse
import platform
import sys
import tempfile
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.labsim import random_settings, simulate_lab  # noqa: E402
from scalemodel.views.report.whatif import whatif_panel  # noqa: E402
from tests.browser.arithmetic import RANGE, by_page, imagined_sheets  # noqa: E402


def apart(one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    """Return how far two predictions of the same cards and charts are apart."""
    rates = np.abs(np.log(one[RANGE].to_numpy() / other[RANGE].to_numpy()))
    chance = np.abs(one["p_ceiling"].to_numpy() - other["p_ceiling"].to_numpy())
    return pd.DataFrame({**dict(zip(RANGE, rates.T, strict=True)), "p_ceiling": chance})


def compared(name: str, bench: sm.Bench, cards: int, seeds: int) -> pd.DataFrame:
    """Return one row a kind of card: how far the panel, and another seed, are from `predict`."""
    fit = sm.fit(bench)
    sheets = imagined_sheets(fit, cards, 1)
    library, page = fit.predict(sheets).table, by_page(fit, sheets)
    what = library["card"].map(dict(zip(sheets["card"], sheets["what"], strict=True)))
    near = apart(page.table, library)
    moved = [
        apart(sm.fit(bench, seed=seed).predict(sheets).table, library)
        for seed in range(1, seeds + 1)
    ]
    size = len(whatif_panel(fit).data.encode())
    rows = []
    for kind in dict.fromkeys(what):
        here = (what == kind).to_numpy()
        others = pd.concat([one[here] for one in moved])
        row = {"bench": name, "card": kind, "charts": int(near[here]["median"].notna().sum())}
        for label, found in (("panel", near[here]), ("seed", others)):
            rates = found[RANGE].to_numpy()
            row |= {f"{label} rms %": 100 * np.sqrt(np.nanmean(rates**2))}
            row[f"{label} largest %"] = 100 * np.nanmax(rates)
            row[f"{label} p"] = found["p_ceiling"].max()
        rows.append(row)
    shape = fit.model.layout.shape
    print(
        f"{name}: {shape.cards} cards, {len(fit.labels.charts)} charts; {size / 1e6:.2f} MB; "
        f"{np.median(page.milliseconds):.0f} ms of processor time an update",
        flush=True,
    )
    return pd.DataFrame(rows)


def markdown(table: pd.DataFrame) -> str:
    """Return a Markdown table, two significant digits."""
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * table.shape[1]]
    for row in table.itertuples(index=False):
        cells = (f"{v:.2g}" if isinstance(v, float) else str(v) for v in row)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=3)
    parser.add_argument("--cards", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=2)
    asked = parser.parse_args()
    versions = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy"))
    print(f"{platform.machine()}, Python {platform.python_version()}, {versions}")
    demo = sm.read_bench(Path(str(files("scalemodel") / "demo")))
    tables = [compared("demo", demo, asked.cards, asked.seeds)]
    for lab in range(asked.labs):
        with tempfile.TemporaryDirectory() as folder:
            simulate_lab(random_settings(lab), lab).write(Path(folder))
            bench = sm.read_bench(folder)
        tables.append(compared(f"lab {lab}", bench, asked.cards, asked.seeds))
    print(markdown(pd.concat(tables, ignore_index=True)))


if __name__ == "__main__":
    main()
