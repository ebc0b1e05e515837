"""What the model learned."""

from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack

COLUMNS = ("quantity", "of", ">value", ">80% range", "unit")


def fit_view(summary: str, table: pd.DataFrame, left_out: pd.DataFrame) -> RenderableType:
    """Show the fitted quantities and what was left out of the fit.

    Args:
        summary: the fit in a paragraph.
        table: quantity, of, value, lower, upper (ends of the 80% range) and unit.
        left_out: runs and cells that the fit does not use, with the reason.
    """
    rows: list[list[str | Text]] = []
    last = ""
    for row in rows_of(table):
        rows.append(["" if row.quantity == last else row.quantity, *_values(row)])
        last = row.quantity
    parts: list[RenderableType] = [sentence(summary), heading("fit", "what was learned"), Text()]
    parts += [grid(COLUMNS, rows, "The fit has no table.")]
    if not left_out.empty:
        parts += [Text(), note("Left out of the fit:"), *reasons(left_out["reason"], "result")]
    return stack(*parts)


def _values(row: Any) -> list[str]:
    return [row.of, _number(row.value), f"{_number(row.lower)} to {_number(row.upper)}", row.unit]


def _number(value: float) -> str:
    digits = f"{value:.3f}" if abs(value) < 1 else f"{value:.3g}"
    return digits.replace("-", "−")
