"""The sections of the report about kinds of charts, lows and latency."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.latency import Latency, latency
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.lows import Lows
from scalemodel.answers.report import Report
from scalemodel.data.bench import read_specs
from scalemodel.views.report import groups as groups_section
from scalemodel.views.report import latency as latency_section
from scalemodel.views.report import lows as lows_section
from scalemodel.views.report.parts import MOST_OPEN, Section, Table, Words

A, B = "Kivand L160", "Tumarin S5"


def asked(**answers: Any) -> Report:
    """Return a report with these answers only."""
    return cast("Report", SimpleNamespace(missing={}, **answers))


def tables(section: Section) -> list[Table]:
    return [part for part in section.parts if isinstance(part, Table)]


@pytest.fixture(scope="module")
def kinds(demo_fit: Fit) -> LeadGroups:
    return demo_fit.lead_by("ray_tracing", A, B)


@pytest.fixture(scope="module")
def lows(demo_fit: Fit) -> Lows:
    return demo_fit.lows()


@pytest.fixture(scope="module")
def lat(demo_fit: Fit, demo_folder: Path) -> Latency:
    return latency(demo_fit.bench, fit=demo_fit, specs=read_specs(demo_folder / "specs.csv"))


def verdict(kinds: LeadGroups, verdict: str, reason: str = "") -> LeadGroups:
    rows = kinds.table["row_kind"] == "difference"
    table = kinds.table.copy()
    table.loc[rows, ["verdict", "reason"]] = [verdict, reason]
    return replace(kinds, table=table)


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ("different", "differs by ray_tracing (no +"),
        ("open", "does not surely differ by ray_tracing (no +"),
        ("tied", "is the same by ray_tracing, surely within 2%."),
    ],
)
def test_kinds_are_told_in_one_sentence(kinds: LeadGroups, found: str, words: str) -> None:
    section = groups_section.section(asked(groups=(verdict(kinds, found),)))
    assert section.words.startswith(f"The lead of {A} over {B}, the card nearest to it, ")
    assert words in section.words
    assert section.words == section.gist


def test_a_column_that_tells_comes_before_one_that_cannot(kinds: LeadGroups) -> None:
    mute = verdict(kinds, "", "one scene only")
    mute = replace(mute, by="engine", table=mute.table.assign(by="engine"))
    section = groups_section.section(asked(groups=(mute, kinds)))
    assert "engine" not in section.words
    assert section.parts[0].title.endswith("by ray_tracing")  # type: ignore[union-attr]
    (table,) = tables(section)
    assert [row[1].text for row in table.rows[:3]] == ["no", "yes", "no over yes"]
    assert {row[0].text for row in table.rows} == {"ray_tracing", "engine"}
    alone = groups_section.section(asked(groups=(mute,)))
    assert alone.words.endswith("cannot be told apart by engine: one scene only.")
    assert set(section.tables) == {"groups", "groups-charts"}
    assert len(section.tables["groups"]) == 2 * len(kinds.table)


def test_why_groups_cannot_be_told_apart_is_in_the_table(kinds: LeadGroups) -> None:
    table = kinds.table[kinds.table["row_kind"] != "difference"].copy()
    whole = (table["row_kind"] == "all") & (table["platform"] == "open bench")
    table.loc[whole, "reason"] = "too few scenes"
    section = groups_section.section(asked(groups=(replace(kinds, table=table),)))
    assert section.words.endswith("cannot be told apart by ray_tracing: too few scenes.")
    (shown,) = tables(section)
    assert [row[1].text for row in shown.rows] == ["no", "yes", "all of them"]
    assert shown.rows[-1][-1].text == "too few scenes"
    assert [cell.text for cell in shown.rows[-1][4:6]] == ["–", "–"]


def test_the_planted_low_is_named_and_counted(lows: Lows) -> None:
    section = lows_section.section(asked(lows=lows))
    assert section.words == (
        "The 1% low of Tumarin S5 is up to 20% below what its average says, in 2 scenes. "
        "The other cards are in step."
    )
    open_, folded = tables(section)
    assert [row[0].text for row in open_.rows] == ["Tumarin S5", "Tumarin S5"]
    assert not open_.folded
    assert len(folded.rows) > MOST_OPEN
    assert folded.folded == "1% low over average, scene by scene"
    cells = section.tables["lows"]
    judged = lows.table[lows.table["reason"] == ""]
    assert len(cells) == len(judged)
    assert {"low_fps", "expected_fps", "apart", "out_of_step"} <= set(cells)


def test_lows_that_are_all_in_step_are_said_to_be(lows: Lows) -> None:
    none = replace(
        lows,
        table=lows.table.assign(out_of_step=False),
        places=lows.places.assign(out_of_step=False),
    )
    section = lows_section.section(asked(lows=none))
    assert section.words == "Yes: the 1% low of every card is in step with its average."
    assert Words("The 1% low of no card is out of step in a scene.") in section.parts
    one = none.table.copy()
    one.loc[one.index[0], "out_of_step"] = True
    words = lows_section.sentence(replace(none, table=one))
    assert words.endswith("in step with its average, but for 1 single cell.")


def test_lows_of_several_cards_are_counted(lows: Lows) -> None:
    places = lows.places.copy()
    places.loc[places["card"] == "Ostrel T80", "out_of_step"] = True
    count = int((places["card"] == "Ostrel T80").sum())
    words = lows_section.sentence(replace(lows, places=places))
    assert words.endswith(f"in 2 scenes; 1 other card in {count} scenes too.")


def test_the_card_that_breaks_from_the_line_is_named(lat: Latency) -> None:
    section = latency_section.section(asked(latency=lat))
    (line,) = lat.lines[lat.lines["game"] == "(all)"].to_dict(orient="records")
    assert section.words == (
        f"A click takes {line['constant_ms']:.1f} ms and {line['frames']:.1f} frames; Kivand L200 "
        f"breaks from that line, {lat.cards.set_index('card')['apart_ms']['Kivand L200']:+.2f} ms."
    )
    cards, scenes, ahead = tables(section)
    assert len(cards.rows) == len(lat.cards) > MOST_OPEN
    assert cards.folded == "All 14 cards on open bench by latency"
    broken = [row for row in cards.rows if row[2].sign]
    assert [row[0].text for row in broken] == ["Kivand L200"]
    assert [row[0].text for row in scenes.rows][-1] == "all scenes"
    told = lat.ahead[lat.ahead["reason"] == ""]
    assert len(ahead.rows) == len(told) > 0
    assert len(section.tables["latency-ahead"]) == len(told)


def test_neighbours_by_latency_have_the_numbers_of_their_pair(lat: Latency) -> None:
    section = latency_section.section(asked(latency=lat))
    rows = tables(section)[0].rows
    pairs = lat.pairs.set_index(["a", "b"])
    for fast, slow in pairwise(rows):
        names = fast[0].text, slow[0].text
        sign = -1 if names in pairs.index else 1
        pair = pairs.loc[names if sign < 0 else names[::-1]]
        words = f"{sign * pair['difference_ms']:+.2f} ms".replace("-", "−")
        assert (fast[5].text, fast[5].small) == (words, pair["verdict"])
    assert rows[-1][5].text == "–"


def test_without_a_line_the_reason_is_said(lat: Latency) -> None:
    lines = lat.lines.tail(1).assign(reason="too few cells")
    none = replace(lat, lines=lines, ahead=lat.ahead.iloc[:0])
    section = latency_section.section(asked(latency=none))
    assert section.words == "It was measured, but there is no line: too few cells."
    assert "latency-ahead" not in section.tables
