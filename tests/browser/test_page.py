"""The report in a browser: alone with itself, wide and narrow, by day and night, by keyboard."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import HOSTILE, Open

WIDTHS = (390, 1280, 1920)
SCHEMES = ("light", "dark")


@pytest.fixture(scope="session")
def axe() -> str:
    """Give the accessibility checker's source; AXE_CORE says where it is."""
    path = os.environ.get("AXE_CORE")
    if not path:
        if os.environ.get("CI"):
            pytest.fail("AXE_CORE does not say where axe.min.js is")
        pytest.skip("AXE_CORE does not say where axe.min.js is")
    return Path(path).read_text(encoding="utf-8")


def unfold(page: Any) -> None:
    page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")


def test_it_asks_nothing_of_the_network(demo_report: Path, opened: Open) -> None:
    with opened(demo_report) as found:
        unfold(found.page)
        found.settle()
        assert found.requests == []
        assert found.complaints == []


def test_names_from_the_bench_stay_text(hostile_report: Path, opened: Open) -> None:
    with opened(hostile_report) as found:
        unfold(found.page)
        found.page.select_option("#what-if-start", label=f"Halvor C {HOSTILE}")
        found.settle()
        assert found.page.inner_text("#what-if-scene option:checked").endswith(HOSTILE)
        assert found.page.locator("img").count() == 0
        found.page.wait_for_timeout(800)  # until the sentence has been read aloud
        assert HOSTILE in found.page.inner_text("body")
        assert found.requests == []
        assert found.complaints == []


def test_a_table_is_sorted_and_filtered(small_report: Path, opened: Open) -> None:
    with opened(small_report) as found:
        unfold(found.page)
        table = found.page.locator("table.tools").first
        heading = table.locator("thead th", has_text="rate").first
        column = heading.evaluate("(one) => one.cellIndex")
        for sign, state in ((1, "ascending"), (-1, "descending")):
            heading.locator("button").click()
            assert heading.get_attribute("aria-sort") == state
            texts = table.locator(f"tbody td:nth-child({column + 1})").all_inner_texts()
            rates = [float(text.replace(",", "").split()[0]) for text in texts if text[0].isdigit()]
            assert len(rates) > 50
            assert rates == sorted(rates, reverse=sign < 0)
        search = found.page.get_by_label("rows with the words").first
        rows = table.locator("tbody tr")
        search.fill("mirel 2560x1440")
        shown = [row.inner_text().lower() for row in rows.all() if row.is_visible()]
        assert 0 < len(shown) < rows.count()
        assert all("mirel" in row and "2560x1440" in row for row in shown)


@pytest.mark.parametrize("width", WIDTHS)
def test_it_is_as_wide_as_the_window(demo_report: Path, opened: Open, width: int) -> None:
    with opened(demo_report, width) as found:
        unfold(found.page)
        found.settle()
        assert found.page.evaluate("document.documentElement.scrollWidth") <= width
        box = found.page.locator("#what-if-figure").bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["height"] > 200


def lightness(page: Any, of: str) -> float:
    colour = page.evaluate(f"getComputedStyle(document.querySelector('{of[0]}')).{of[1]}")
    parts = [float(part) for part in colour.split("(")[1].rstrip(")").split(",")[:3]]
    return sum(parts) / 3 / 255


def test_it_is_dark_by_night(small_report: Path, opened: Open) -> None:
    paper, ink = ("body", "backgroundColor"), ("#what-if-figure .wi-row", "fill")
    with opened(small_report, scheme="light") as day:
        assert lightness(day.page, paper) > 0.9
        assert lightness(day.page, ink) < 0.3
        day.page.get_by_label("night").check()
        assert lightness(day.page, paper) < 0.2
    with opened(small_report, scheme="dark") as night:
        assert lightness(night.page, paper) < 0.2
        assert lightness(night.page, ink) > 0.8


QUICK = ("groups", "lows", "latency", "power", "value")
"""Sections that begin with a sentence, a figure and a table; the rest is folded."""


def test_a_section_shows_its_answer_and_unfolds_the_rest(demo_report: Path, opened: Open) -> None:
    with opened(demo_report) as found:
        for key in QUICK:
            section = found.page.locator(f"section#{key}")
            assert section.locator("p.answer").is_visible()
            assert section.locator("figure").first.is_visible()
            words = section.locator("details").filter(has=found.page.locator("> p"))
            assert words.count() == 1
            assert not words.locator("> p").is_visible()
            words.locator("summary").press("Enter")
            assert len(words.locator("> p").inner_text()) > 60
            for table in section.locator("table").all():
                if table.is_visible():
                    assert table.locator("tbody tr").count() <= 12


def grave_findings(page: Any, axe: str, within: Sequence[str] = ("body",)) -> list[str]:
    """Check the page as it is now, and return what bars someone from reading it."""
    page.evaluate(axe)
    result = page.evaluate("(within) => axe.run({ include: within })", list(within))
    assert len(result["passes"]) > 20
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:200]} ({len(one['nodes'])})"
        for one in result["violations"]
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_every_part_of_it_is_accessible(
    small_report: Path, opened: Open, axe: str, scheme: str
) -> None:
    with opened(small_report, scheme=scheme) as found:
        unfold(found.page)
        assert grave_findings(found.page, axe) == []


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_large_one_is_accessible_as_it_opens(
    demo_report: Path, opened: Open, axe: str, scheme: str
) -> None:
    with opened(demo_report, scheme=scheme) as found:
        assert grave_findings(found.page, axe) == []


@pytest.mark.parametrize("scheme", SCHEMES)
def test_what_a_large_one_unfolds_in_quick_sections_is_accessible(
    demo_report: Path, opened: Open, axe: str, scheme: str
) -> None:
    with opened(demo_report, scheme=scheme) as found:
        unfold(found.page)
        assert grave_findings(found.page, axe, [f"#{key}" for key in QUICK]) == []
