"""The sections of the report about power and price."""

import re

import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.report import Report, report
from scalemodel.views.report import power as power_section
from scalemodel.views.report import value as value_section
from scalemodel.views.report.page import report_page
from scalemodel.views.report.parts import Drawing, Section, Table, Words, detail
from scalemodel.views.words import CAUTION, PRICE_CAUTION
from tests.answers.money_lab import HUNGRY, LIMITED
from tests.conftest import HELD_OUT
from tests.views import test_report
from tests.views.html_page import Page


@pytest.fixture(scope="module")
def whole(money_fit: Fit) -> Report:
    cards = money_fit.bench.cards
    return report(money_fit, cards[cards["card"] == HELD_OUT])


@pytest.fixture(scope="module")
def text(whole: Report) -> str:
    return report_page(whole)


def cells(table: Table, card: str) -> list[str]:
    (row,) = (row for row in table.rows if row[0].text == card)
    return [f"{cell.sign} {cell.text}".strip() for cell in row]


def first(section: Section, kind: type) -> Table:
    return next(part for part in section.parts if isinstance(part, kind))


def test_power_shows_each_card_and_what_limits_cost(whole: Report) -> None:
    section = power_section.section(whole)
    assert [type(part) for part in section.parts] == [Drawing, Table, Table, Words]
    assert whole.power is not None
    assert section.parts[-1] == detail(section.parts[-1].folded, str(whole.power))
    assert section.words.count(". ") <= 1
    cards = first(section, Table)
    assert cells(cards, HELD_OUT)[0] == f"◇ {HELD_OUT}"
    against = [column.heading for column in cards.columns].index("against its architecture")
    assert cells(cards, HUNGRY)[against].startswith("▼ −")
    assert cells(cards, HELD_OUT)[against] == "–"
    assert {row[0].text for row in section.parts[2].rows} == {LIMITED}
    assert whole.power is not None
    best = whole.power.cards.query("basis == 'measured' and resolution == '(all)'").iloc[0]
    assert section.gist.startswith(f"{best['card']} the most, ")


def test_value_shows_each_card_and_cautions_once(whole: Report, text: str) -> None:
    section = value_section.section(whole)
    assert [type(part) for part in section.parts] == [Words, Drawing, Table, Words]
    assert whole.value is not None
    assert section.parts[-1] == detail(section.parts[-1].folded, str(whole.value))
    assert section.words.count(". ") <= 1
    placed = whole.value.table.query("resolution == '(all)'")
    table = first(section, Table)
    assert [row[0].text for row in table.rows] == list(placed["card"])
    state = [column.heading for column in table.columns].index("faster and not dearer")
    signs = {"efficient": "●", "open": "◐", "beaten": "○"}
    for row in placed.to_dict(orient="records"):
        assert cells(table, row["card"])[state].startswith(signs[row["state"]])
    assert re.fullmatch(r".+ the most: [\d.]+ fps for 100 EUR\.", section.gist)
    assert text.count(PRICE_CAUTION) == 1
    assert text.count(CAUTION) == 1


def test_the_tables_are_whole_but_for_pairs_far_apart(whole: Report, text: str) -> None:
    assert whole.power is not None
    assert whole.value is not None
    files = dict(test_report.downloads(Page(text)))
    assert files["power.csv"].count("\n") == 1 + len(whole.power.cards)
    assert files["value.csv"].count("\n") == 1 + len(whole.value.table)
    near = int(whole.value.pairs["neighbours"].sum())
    assert 0 < near < len(whole.value.pairs)
    assert files["value-neighbours.csv"].count("\n") == 1 + near


def test_the_page_stays_sound_with_them(text: str, whole: Report) -> None:
    page = Page(text)
    test_report.test_tables_say_what_they_show_and_what_their_cells_belong_to(page)
    test_report.test_figures_have_words_for_those_who_do_not_see_them(page)
    test_report.test_no_cell_shows_a_gap_of_the_program(page)
    test_report.test_signs_have_words_beside_them(page)
    test_report.test_ids_are_there_once_and_references_lead_to_them(page)
    assert report_page(whole) == text


def test_a_card_without_a_price_says_so(money_fit: Fit) -> None:
    cards = money_fit.bench.cards
    free = cards[cards["card"] == HELD_OUT].assign(price=float("nan"))
    section = value_section.section(report(money_fit, free))
    assert cells(first(section, Table), HELD_OUT)[-1] == "no price"
