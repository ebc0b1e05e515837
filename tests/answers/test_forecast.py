"""Sealed forecasts: kept whole, and judged by what is measured later."""

import datetime
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import scalemodel as sm
from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.score_forecast import ForecastScore
from scalemodel.data import forecast_file
from scalemodel.data.forecast_file import Forecast, ForecastError, read_forecast
from scalemodel.errors import ScalemodelError
from tests.answers import small_lab
from tests.answers.small_lab import CHART
from tests.conftest import HELD_OUT

DAY = datetime.date(2026, 3, 1)
ALLOWED = "Allowed: a forecast as `scalemodel predict --save FILE` writes it."


@pytest.fixture(scope="module")
def sheet(lab_fit: Fit) -> pd.DataFrame:
    return lab_fit.bench.cards[lab_fit.bench.cards["card"] == HELD_OUT]


@pytest.fixture(scope="module")
def made(lab_fit: Fit, sheet: pd.DataFrame) -> Forecast:
    return lab_fit.forecast(sheet, DAY)


@pytest.fixture
def file(made: Forecast, tmp_path: Path) -> Path:
    path = tmp_path / "forecast.json"
    path.write_text(made.to_json(), encoding="utf-8")
    return path


Change = Callable[[pd.DataFrame], "pd.Series[float] | float"]


def as_forecast(rows: pd.DataFrame) -> float:
    del rows
    return 1.0


def measured(
    lab: small_lab.Lab, made: Forecast, folder: Path, factor: Change, level: float = 0.8
) -> ForecastScore:
    """Score a bench on which the card has the forecast's own medians, times a factor."""
    median = made.charts[CHART].assign(rate=made.rates[:, made.rates.shape[1] // 2])
    results = lab.results.merge(median, on=CHART)
    own = results["card"] == HELD_OUT
    bound = results.merge(made.charts[[*CHART, "p_ceiling"]], on=CHART)["p_ceiling"] >= 0.5
    rates = results["rate"] * factor(results.assign(bound=bound))
    results.loc[own, "avg_fps"] = rates[own].round(4)
    changed = small_lab.Lab(lab.cards, results[lab.results.columns], lab.truth)
    return fit(changed.bench(folder)).score_forecast(made, level)


def test_what_is_read_is_what_was_made(made: Forecast, file: Path) -> None:
    back = sm.read_forecast(file)
    assert back.to_json() == made.to_json()
    assert back.seal == made.seal
    assert back.date == DAY
    assert_allclose(back.rates, made.rates)
    assert_allclose(back.draws, made.draws, atol=0.6e-4)  # half a step, and the median's rounding
    pd.testing.assert_frame_equal(back.charts, made.charts)


def test_the_same_fit_makes_the_same_file(
    lab_fit: Fit, sheet: pd.DataFrame, made: Forecast
) -> None:
    assert lab_fit.forecast(sheet, DAY).to_json() == made.to_json()
    other = lab_fit.forecast(sheet, DAY + datetime.timedelta(days=1))
    assert other.seal != made.seal


def test_the_ranges_are_those_of_predict(lab_fit: Fit, sheet: pd.DataFrame, made: Forecast) -> None:
    document = json.loads(made.to_json())
    (card,) = document["cards"]
    for level in (0.5, 0.8, 0.95):
        told = lab_fit.predict(sheet, level).table
        lower = document["quantiles"].index(round((1 - level) / 2, 3))
        upper = document["quantiles"].index(round((1 + level) / 2, 3))
        assert_allclose([c["rates"][lower] for c in card["charts"]], told["lower"], atol=6e-4)
        assert_allclose([c["rates"][upper] for c in card["charts"]], told["upper"], atol=6e-4)
    assert card["sheet"]["card"] == HELD_OUT
    assert len(card["draws"]) == 256


def test_a_card_as_forecast_is_no_surprise(
    lab: small_lab.Lab, made: Forecast, tmp_path: Path
) -> None:
    answer = measured(lab, made, tmp_path, as_forecast)
    assert answer.table["inside"].all()
    assert answer.shifts.empty
    assert_allclose(answer.table["error"], 0, atol=1e-4)
    assert (answer.table["surprise"] > 0.8).all()  # in the middle, as far as 256 draws tell
    assert "12 of 12 measured rates in the 80% ranges" in str(answer)
    assert "That is no surprise" in str(answer)
    assert answer.changes.empty


@pytest.mark.parametrize(
    ("factor", "kind", "where"),
    [
        (lambda rows: np.where(rows["bound"], 1.0, 1.2), "card", "everywhere"),
        (lambda rows: np.where(rows["game"] == "Game 4", 0.8, 1.0), "game", "in Game 4"),
        (
            lambda rows: np.where((rows["resolution"] == "3840x2160") & ~rows["bound"], 1.15, 1.0),
            "resolution",
            "at 3840x2160",
        ),
        (lambda rows: np.where(rows["bound"], 1.1, 1.0), "ceiling", "at the ceiling"),
    ],
)
def test_where_a_card_is_not_as_forecast(
    lab: small_lab.Lab,
    made: Forecast,
    tmp_path: Path,
    factor: Callable[[pd.DataFrame], np.ndarray],
    kind: str,
    where: str,
) -> None:
    answer = measured(lab, made, tmp_path, factor)
    assert answer.shifts["kind"].tolist() == [kind]
    assert answer.shifts["where"].tolist() == [where]
    size = factor(
        pd.DataFrame({"game": ["Game 4"], "resolution": ["3840x2160"], "bound": kind == "ceiling"})
    )
    # Draws kept leave the median of a group open by a share of their sd.
    assert_allclose(answer.shifts["shift"], size[0] - 1, atol=0.02)
    assert where in str(answer)
    row = answer.cards.iloc[0]
    assert row["p"] < 0.05
    assert row["inside"] < 1


def test_nothing_measured_yet_is_a_reason(lab_fit: Fit, made: Forecast) -> None:
    answer = lab_fit.score_forecast(made)
    assert (answer.table["reason"] == "not measured yet").all()
    assert answer.table["inside"].isna().all()
    assert answer.cards["cells"].tolist() == [0]
    assert str(answer) == f"Forecast of 2026-03-01. {HELD_OUT}: not measured yet."


def test_a_new_chart_and_what_changed_since(
    lab: small_lab.Lab, made: Forecast, tmp_path: Path
) -> None:
    results = lab.results[lab.results["card"] != "Mirel 10"].copy()
    results.loc[results["card"] == "Mirel 20", "avg_fps"] *= 1.02
    extra = results[(results["resolution"] == "3840x2160") & (results["game"] == "Game 1")]
    results = pd.concat([results, extra.assign(resolution="5120x2880")])
    cards = lab.cards.copy()
    cards["boost_clock_mhz"] = cards["boost_clock_mhz"].where(cards["card"] != HELD_OUT, 2500)
    answer = fit(small_lab.Lab(cards, results, lab.truth).bench(tmp_path)).score_forecast(made)
    reasons = answer.table.set_index("resolution")["reason"]
    assert reasons["5120x2880"] == "measured, but not in the forecast"
    assert (reasons.drop("5120x2880") == "").all()
    changes = set(answer.changes.itertuples(index=False, name=None))
    assert ("results", "Mirel 10", "gone") in changes
    assert ("results", "Mirel 20", "changed") in changes
    assert ("spec sheet", HELD_OUT, "boost_clock_mhz: 2450.0 then, 2500.0 now") in changes
    assert f"{len(changes)} things changed in the bench since." in str(answer)


def test_a_level_between_the_quantiles_kept(
    lab: small_lab.Lab, made: Forecast, tmp_path: Path
) -> None:
    answer = measured(lab, made, tmp_path, as_forecast, level=0.85)
    tight = measured(lab, made, tmp_path / "again", as_forecast, level=0.8)
    wide = measured(lab, made, tmp_path / "more", as_forecast, level=0.9)
    assert (answer.table["lower"] < tight.table["lower"]).all()
    assert (answer.table["lower"] > wide.table["lower"]).all()


def test_what_cannot_be_compared(lab_fit: Fit, made: Forecast, demo_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match=r"level of 0\.995 is more than a forecast keeps"):
        lab_fit.score_forecast(made, 0.995)
    with pytest.raises(ScalemodelError, match="the forecast was made from another bench"):
        demo_fit.score_forecast(made)


def broken(file: Path, content: bytes | str) -> str:
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ForecastError) as told:
        read_forecast(file)
    return str(told.value)


def test_files_that_are_no_whole_forecast(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    whole = (
        f"{file}: this is not a whole JSON document. {ALLOWED} "
        "Fix: take the file as it was written; a copy may be cut short."
    )
    for content in (text[:-100], "", b"\xff\xfe", "card,lower\n", "[" * 100_000, '{"a": NaN}'):
        assert broken(file, content) == whole
    other = (
        f"{file}: this is not a forecast. {ALLOWED} Fix: name the file that predict --save wrote."
    )
    for content in ("[]", "3", '{"kind": "report"}'):
        assert broken(file, content) == other
    file.unlink()
    with pytest.raises(ForecastError) as told:
        read_forecast(file)
    assert str(told.value) == f"{file}: there is no such file. {ALLOWED} Fix: correct the path."


def test_an_edited_forecast_is_refused(file: Path) -> None:
    document = json.loads(file.read_text(encoding="utf-8"))
    document["date"] = "2026-02-01"
    assert broken(file, json.dumps(document)) == (
        f"{file}: the content does not match its seal: it was changed after it was written. "
        f"{ALLOWED} Fix: take the file as it was written."
    )


def test_other_spacing_is_the_same_forecast(file: Path, made: Forecast) -> None:
    document = json.loads(file.read_text(encoding="utf-8"))
    file.write_text(json.dumps(document, indent=4), encoding="utf-8")
    assert read_forecast(file).seal == made.seal


def test_another_format_is_refused(file: Path) -> None:
    document = {**json.loads(file.read_text(encoding="utf-8")), "format": 2}
    assert (
        f"the forecast has format 2, and scalemodel {sm.version.VERSION} reads format 1"
        in broken(file, json.dumps(document))
    )


def test_a_forged_forecast_is_refused_too(file: Path) -> None:
    """A seal can be made by anybody; what is under it must still be a forecast."""
    document = json.loads(file.read_text(encoding="utf-8"))
    for spoil in ({"cards": []}, {"cards": [{}]}, {"bench": 3}, {"date": "soon"}):
        forged = {**document, **spoil}
        forged["seal"] = forecast_file._seal(forged)
        assert "the forecast is not as scalemodel writes it" in broken(file, json.dumps(forged))


def test_a_card_that_is_refused_is_kept_with_its_reason(
    lab_fit: Fit, sheet: pd.DataFrame, tmp_path: Path
) -> None:
    far = sheet.assign(card="Mirel 99", shaders=sheet["shaders"] * 9)
    far = far.assign(shader_rate=far["shaders"] * far["boost_clock_mhz"])
    both = pd.concat([sheet, far], ignore_index=True)
    forecast = lab_fit.forecast(both, DAY)
    path = tmp_path / "two.json"
    path.write_text(forecast.to_json(), encoding="utf-8")
    back = read_forecast(path)
    assert back.to_json() == forecast.to_json()
    answer = lab_fit.score_forecast(back)
    words = answer.cards.set_index("card")["where"]
    assert "outside the tested cards" in words["Mirel 99"]
    assert words[HELD_OUT] == "not measured yet"
