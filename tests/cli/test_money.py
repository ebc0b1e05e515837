"""The commands power and value, answered by a fit of a small lab."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scalemodel.answers.fitting import Fit
from scalemodel.cli import fitted as fitted_module
from scalemodel.cli.main import run
from scalemodel.views.words import CAUTION, PRICE_CAUTION
from tests.answers.money_lab import MoneyLab
from tests.conftest import HELD_OUT


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, money_fit: Fit, money: MoneyLab, tmp_path: Path) -> Path:
    monkeypatch.setattr(fitted_module, "fitted", lambda *_: money_fit)
    cards = money.lab.cards
    cards[cards["card"] == HELD_OUT].to_csv(tmp_path / "specs.csv", index=False)
    prices = cards[["card", "price", "currency"]].assign(date="2026-03-14")
    prices.to_csv(tmp_path / "prices.csv", index=False)
    return tmp_path


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize(
    ("rows", "column"),
    [
        ("cards", "frames_per_joule"),
        ("results", "p_ceiling"),
        ("architectures", "against_siblings"),
        ("limits", "rate_ratio"),
        ("curves", "brings"),
        ("predicted", "power_median"),
        ("held-out", "plain_error"),
    ],
)
def test_power_gives_the_rows_asked_for(bench: Path, rows: str, column: str) -> None:
    done = call("power", bench, "--specs", bench / "specs.csv", "--rows", rows)
    assert done.exit_code == 0
    assert column in read(done.stdout)[0]
    assert done.stderr == f"{CAUTION}\n"


def test_power_without_sheets_says_no_caution(bench: Path) -> None:
    done = call("power", bench)
    assert done.stderr == ""
    assert {row["basis"] for row in read(done.stdout)} == {"measured"}


def test_power_as_json_has_every_table(bench: Path) -> None:
    found = json.loads(call("power", bench, "--format", "json", "--level", "0.9").stdout)
    assert found["level"] == 0.9
    assert {"limits", "curves", "architectures", "held-out", "records"} <= set(found)
    assert found["summary"].startswith("On Bench ")


def test_value_takes_prices_and_cautions_once(bench: Path) -> None:
    done = call("value", bench, "--prices", bench / "prices.csv", "--tolerance", "2%")
    assert done.stderr == f"{PRICE_CAUTION}\n"
    assert {row["price_date"] for row in read(done.stdout)} == {"2026-03-14"}
    found = json.loads(call("value", bench, "--format", "json").stdout)
    assert found["notes"] == [PRICE_CAUTION]
    assert found["tolerance"] == 0.04
    assert found["pairs"][0]["equal_price"] > 0


def test_value_compares_two_cards(bench: Path) -> None:
    done = call("value", bench, "--compare", "Halvor C", "Mirel 35")
    assert [row["resolution"] for row in read(done.stdout)] == [
        "1920x1080",
        "2560x1440",
        "3840x2160",
        "(all)",
    ]
    shown = call("value", bench, "--compare", "Halvor C", "Mirel 35", "--format", "table")
    assert "A equal at" in shown.stdout
    both = call("value", bench, "--compare", "Halvor C", "Mirel 35", "--rows", "pairs")
    assert both.exit_code == 2
    assert "--compare has rows of its own and no figure" in both.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--tolerance", "80%"), "A tolerance of 80% is not possible. Allowed: from 0 up to 50%"),
        (("--tolerance", "some"), "'some' is not a share. Allowed: a number such as 2% or 0.02."),
        (("--prices", "missing.csv"), "missing.csv: the file is missing."),
        (("--compare", "Halvor C", "Halvor C"), "stand side by side on no platform"),
    ],
)
def test_what_cannot_be_answered_is_a_message_and_2(
    bench: Path, words: tuple[str, ...], message: str
) -> None:
    done = call("value", bench, *words)
    assert done.exit_code == 2
    assert message in done.stderr
    assert done.stdout == ""


def test_figures_go_to_their_file(bench: Path) -> None:
    for name in ("power", "value"):
        path = bench / f"{name}.png"
        done = call(name, bench, "--figure", path)
        assert done.exit_code == 0
        assert path.read_bytes()[:4] == b"\x89PNG"
        assert f"Drew {path}" in done.stderr
