"""Spec sheets made ready for prediction: what they lack, what they rest on, what is refused."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from scalemodel.data.specs import with_derived

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: A sheet further beyond the tested cards than this factor is refused.
FARTHEST = 4.0
#: A speed within this factor of the tested span counts as inside.
SLACK = 1.02
SPEEDS = {
    "shader_rate": "shaders x clock",
    "bandwidth_gbs": "bandwidth",
}


@dataclass(frozen=True)
class Sheets:
    """Completed spec sheets.

    Attributes:
        table: the sheets, gaps filled.
        basis: for each sheet, what its prediction rests on.
        refused: for each sheet, why it cannot be predicted at all, or "".
    """

    table: pd.DataFrame
    basis: tuple[str, ...]
    refused: tuple[str, ...]

    def reasons(self, fit: "Fit", k: int) -> list[str]:
        """Return, for each chart of the bench, why the card is refused there, or ""."""
        if self.refused[k]:
            return [self.refused[k]] * len(fit.labels.charts)
        memory = float(self.table["memory_gb"].iloc[k])
        enough = memory_needed(fit)
        return [
            f"{memory:g} GB: cards with {need:g} GB fell for lack of memory here"
            if memory <= need
            else ""
            for need in enough
        ]


def complete_sheets(fit: "Fit", specs: pd.DataFrame) -> Sheets:
    """Fill what sheets leave open and the fit uses, and say what each prediction rests on."""
    tested = tested_sheets(fit)
    filled, basis, refused = [], [], []
    for _, sheet in specs.iterrows():
        gaps = fit.labels.gaps(sheet)
        near = tested[tested["architecture"] == sheet["architecture"]]
        like = near if len(near) else tested
        for gap in gaps:
            sheet[gap] = float((like[gap] / like["shaders"]).median() * sheet["shaders"])
        filled.append(sheet)
        beyond = _beyond(tested, sheet)
        basis.append(_basis(fit, sheet, beyond, gaps))
        refused.append(_refusal(fit, sheet, beyond))
    table = pd.DataFrame(filled).reset_index(drop=True)
    return Sheets(with_derived(table), tuple(basis), tuple(refused))


def tested_sheets(fit: "Fit") -> pd.DataFrame:
    """Return the sheets of the measured cards."""
    return fit.bench.cards[fit.bench.cards["card"].isin(fit.labels.cards)]


def _beyond(tested: pd.DataFrame, sheet: "pd.Series[Any]") -> dict[str, float]:
    """Return by which factor each speed lies outside the tested span, where it does."""
    out = {}
    for column, words in SPEEDS.items():
        value = float(sheet[column])
        factor = max(value / tested[column].max(), tested[column].min() / value)
        if factor > SLACK:
            out[words] = float(factor)
    return out


def kin_words(fit: "Fit", architecture: str, vendor: str) -> str:
    """Say which tested cards are of a card's kind."""
    siblings = int((tested_sheets(fit)["architecture"] == architecture).sum())
    if siblings:
        return f"{siblings} tested card{'s' if siblings > 1 else ''} of its architecture"
    if vendor in fit.labels.vendors:
        return "new architecture of a tested vendor"
    return "new architecture of a new vendor"


def _basis(fit: "Fit", sheet: "pd.Series[Any]", beyond: dict[str, float], gaps: list[str]) -> str:
    words = kin_words(fit, sheet["architecture"], sheet["vendor"])
    if beyond:
        parts = (f"{name} {factor:.2f}x outside" for name, factor in beyond.items())
        words += f"; beyond the tested cards ({', '.join(parts)})"
    if gaps:
        words += f"; {' and '.join(gaps)} not on the sheet, taken as usual for its shaders"
    return words


def _refusal(fit: "Fit", sheet: "pd.Series[Any]", beyond: dict[str, float]) -> str:
    if sheet["card"] in fit.labels.cards:
        return "already measured: see its results"
    far = {name: factor for name, factor in beyond.items() if factor > FARTHEST}
    if far:
        name, factor = next(iter(far.items()))
        return f"{name} is {factor:.1f}x outside the tested cards; nothing is known that far out"
    return ""


def memory_needed(fit: "Fit") -> list[float]:
    """Return, for each chart, the most memory found too little there or at fewer pixels."""
    charts = fit.labels.charts
    views = list(zip(charts["game"], charts["preset"], charts["resolution"], strict=True))
    need = fit.model.needs_more_than_gb
    known = {view: float(need[k]) for k, view in enumerate(fit.labels.views)}
    pixels = dict(zip(views, charts["pixels"], strict=True))
    return [
        max(
            amount
            for other, amount in known.items()
            if other[:2] == view[:2] and pixels[other] <= pixels[view]
        )
        for view in views
    ]
