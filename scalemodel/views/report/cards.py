"""Cells about a card that the sections of power and of price share."""

from typing import Any

from scalemodel.answers.power_cards import MEASURED
from scalemodel.views.report.parts import Cell, number
from scalemodel.views.words import count_words, probability_words


def named(row: Any) -> Cell:
    """Name a card, with a sign if it is predicted."""
    return Cell(str(row.card), "" if row.basis == MEASURED else "◇")


def chance(probability: float) -> Cell:
    """Write the probability of being truly ahead of the next card; a dash for the last one."""
    return number(probability, probability_words(probability))


def rests_on(row: Any) -> str:
    """Say on how many charts a row rests, or why it has no numbers."""
    return row.reason or count_words(int(row.charts_used), "chart")
