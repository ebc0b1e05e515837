"""The what-if panel in a browser: moved by hand it shows what `predict` says of the same sheet."""

import io
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.data.bench import read_specs
from tests.browser.arithmetic import RANGE, imagined_sheets
from tests.browser.conftest import Open, Opened
from tests.browser.test_arithmetic import CHANCE, RATE

CHART = ["platform", "game", "preset", "resolution"]
TYPED = ("shaders", "boost_clock_mhz", "bandwidth_gbs", "cache_mb", "memory_gb", "rops")


def choose_kind(page: Any, sheet: Any, of: Fit) -> None:
    """Choose the architecture of a sheet, tested or new."""
    vendor = sheet.vendor if sheet.vendor in of.labels.vendors else "a new vendor"
    known = sheet.architecture in of.labels.architectures
    words = f"{sheet.architecture}, {vendor}" if known else f"new architecture of {vendor}"
    page.select_option("#what-if-kind", label=words)


def move_to(found: Opened, sheet: Any, of: Fit) -> None:
    """Type a sheet into the panel."""
    choose_kind(found.page, sheet, of)
    for spec in TYPED:
        found.page.fill(f"#what-if-{spec}-number", repr(float(getattr(sheet, spec))))
    found.settle()


def shown(page: Any) -> pd.DataFrame:
    """Read the panel's table, with the numbers behind what is written."""
    rows = page.evaluate(
        """() => [...document.querySelectorAll("#what-if-charts tr")].map((row) => {
             const value = (k) => row.cells[k].dataset.value;
             return [row.cells[0].textContent, row.cells[1].textContent, row.cells[2].textContent,
                     value(3), value(4), value(5), row.cells[6].textContent];
           })"""
    )
    table = pd.DataFrame(rows, columns=["scene", *CHART[3:], "platform", "m", "r", "p", "note"])
    ends = table["r"].astype("string").str.split(" ", expand=True).reindex(columns=[0, 1])
    ends = ends.astype(float)
    return table.assign(
        lower=ends[0], median=table["m"].astype(float), upper=ends[1], p=table["p"].astype(float)
    )


def agree(page: Any, predicted: pd.DataFrame) -> None:
    table = shown(page)
    assert list(table["scene"]) == list(predicted["game"] + " | " + predicted["preset"])
    assert list(table["resolution"]) == list(predicted["resolution"])
    assert list(table["platform"]) == list(predicted["platform"])
    refused = (predicted["reason"] != "").to_numpy()
    assert list(table["note"][refused]) == list(predicted["reason"][refused])
    assert (table["median"].isna() == refused).all()
    apart = np.abs(np.log(table[RANGE].to_numpy() / predicted[RANGE].to_numpy()))
    assert (apart[~refused] < RATE).all()
    assert ((table["p"] - predicted["p_ceiling"]).abs()[~refused] < CHANCE).all()
    assert page.inner_text("#what-if-basis") == f"Rests on: {predicted['basis'].iloc[0]}."


def test_it_starts_at_the_unreleased_cards(
    demo_fit: Fit, demo_folder: Path, demo_report: Path, opened: Open
) -> None:
    sheets = read_specs(demo_folder / "specs.csv")
    predicted = demo_fit.predict(sheets).table
    with opened(demo_report) as found:
        for n, card in enumerate(sheets["card"]):
            if n:
                found.page.select_option("#what-if-start", label=card)
                found.settle()
            agree(found.page, predicted[predicted["card"] == card].reset_index(drop=True))
        assert found.complaints == []


def test_moved_to_any_sheet_it_shows_what_predict_says(
    demo_fit: Fit, demo_report: Path, opened: Open
) -> None:
    sheets = imagined_sheets(demo_fit, 5, 7)
    sheets["memory_gb"] = [8.0, 12.0, 16.0, 8.0, 24.0]
    predicted = demo_fit.predict(sheets).table
    with opened(demo_report) as found:
        for sheet in sheets.itertuples():
            move_to(found, sheet, demo_fit)
            agree(found.page, predicted[predicted["card"] == sheet.card].reset_index(drop=True))


def test_a_small_bench_too(lab_fit: Fit, small_report: Path, opened: Open) -> None:
    sheets = imagined_sheets(lab_fit, 5, 8)
    predicted = lab_fit.predict(sheets).table
    with opened(small_report) as found:
        for sheet in sheets.itertuples():
            move_to(found, sheet, lab_fit)
            agree(found.page, predicted[predicted["card"] == sheet.card].reset_index(drop=True))


def test_the_card_can_be_taken_along_as_csv(
    demo_fit: Fit, demo_folder: Path, demo_report: Path, opened: Open
) -> None:
    predicted = demo_fit.predict(read_specs(demo_folder / "specs.csv").iloc[[0]]).table
    with opened(demo_report) as found:
        address = found.page.evaluate("document.getElementById('what-if-file').href")
    head, text = unquote(address).split(",", 1)
    assert head == "data:text/csv;charset=utf-8"
    table = pd.read_csv(io.StringIO(text), keep_default_na=False, dtype=str)
    assert list(table.columns) == list(predicted.columns)
    for name in (*CHART, "metric", "basis", "reason"):
        assert list(table[name]) == list(predicted[name]), name
    good = predicted["reason"] == ""
    rates = table.loc[good, RANGE].astype(float)
    np.testing.assert_allclose(rates, predicted.loc[good, RANGE], rtol=RATE)


def test_sliders_move_by_keyboard_and_say_so_when_they_rest(
    small_report: Path, opened: Open
) -> None:
    with opened(small_report, 390) as found:
        page = found.page
        before = page.inner_text("#what-if-result")
        slider = page.get_by_label("Shaders", exact=True)
        value = float(slider.input_value())
        page.get_by_role("status").get_by_text(before, exact=True).wait_for()
        for _ in range(5):
            slider.press("ArrowRight")
        found.settle()
        assert float(page.input_value("#what-if-shaders-number")) == pytest.approx(value + 5 * 64)
        after = page.inner_text("#what-if-result")
        assert after != before
        assert page.inner_text("#what-if-said") == before
        page.get_by_role("status").get_by_text(after, exact=True).wait_for()
        slider.press("End")
        assert "beyond the tested cards" in slider.get_attribute("aria-valuetext")
        page.get_by_role("button", name="reset").click()
        found.settle()
        assert page.inner_text("#what-if-result") == before


def test_a_number_that_makes_no_sense_moves_nothing(small_report: Path, opened: Open) -> None:
    with opened(small_report) as found:
        before = found.page.inner_text("#what-if-result")
        for typed in ("", "-5", "0"):
            found.page.fill("#what-if-boost_clock_mhz-number", typed)
            found.settle()
            assert found.page.inner_text("#what-if-result") == before
        invalid = found.page.get_attribute("#what-if-boost_clock_mhz-number", "aria-invalid")
        assert invalid == "true"


def test_without_scripts_the_panel_is_not_there(small_report: Path, opened: Open) -> None:
    with opened(small_report, java_script_enabled=False) as found:
        assert not found.page.locator("#what-if-panel").is_visible()
        assert "takes JavaScript" in found.page.inner_text("#what-if")
