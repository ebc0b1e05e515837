"""What the model learned."""

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.tables import cell_text
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack


def fit_view(summary: str, table: pd.DataFrame, left_out: pd.DataFrame) -> RenderableType:
    """Show the fitted quantities and what was left out of the fit.

    Args:
        summary: the fit in a paragraph.
        table: one row a fitted quantity.
        left_out: cells that the fit does not use: card, platform, game, preset, resolution and
            reason.
    """
    names = [str(name) for name in table.columns]
    numbers = {name for name in names if pd.api.types.is_numeric_dtype(table[name])}
    columns = [f"{'>' if name in numbers else ''}{name.replace('_', ' ')}" for name in names]
    rows = [
        [cell_text(value, name) for value, name in zip(row, names, strict=True)]
        for row in table.itertuples(index=False, name=None)
    ]
    parts: list[RenderableType] = [sentence(summary), heading("fit", "what was learned"), Text()]
    parts += [grid(columns, rows, "The fit has no table.")]
    if not left_out.empty:
        parts += [Text(), note("Left out of the fit:"), *reasons(left_out["reason"], "cell")]
    return stack(*parts)
