"""At which price two of the demo's cards are truly equal in rate for their money."""

import numpy as np
import pandas as pd

PAIRS = (
    ("Ostrel T60", "Kivand L200"),
    ("Ostrel T80", "Kivand L240"),
    ("Tumarin S7X", "Ostrel F70"),
    ("Ostrel F50 16G", "Tumarin S7"),
)
KEYS = ["platform", "game", "preset", "resolution"]


def truth(cards: pd.DataFrame, cells: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Return pairs with their true lead and the price of `a` at which both are equal.

    Over the charts of the first platform on which both were tested and neither is at its ceiling
    in truth; below and above that price the order of value is crossed.
    """
    tested = results[["card", *KEYS]].drop_duplicates()
    seen = cells.merge(tested, on=["card", *KEYS])
    seen = seen[(seen["platform"] == cells["platform"].iloc[0]) & ~seen["at_ceiling"]]
    price = cards.set_index("card")["price"]
    rows = []
    for resolution, here in seen.groupby("resolution", sort=False):
        rates = here[~here["over_memory"]].pivot_table(
            index=KEYS, columns="card", values="true_fps"
        )
        for a, b in PAIRS:
            both = np.log(rates[[a, b]].dropna())
            ratio = float(np.exp((both[a] - both[b]).mean()))
            numbers = {"charts": len(both), "lead": round(ratio - 1, 5)}
            equal = round(ratio * float(price[b]), 3)
            rows.append(
                {"a": a, "b": b, "resolution": resolution, **numbers, "equal_price_a": equal}
            )
    return pd.DataFrame(rows)
