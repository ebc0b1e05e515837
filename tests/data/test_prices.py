"""A price list: what it gives, and every message that refuses one."""

from pathlib import Path

import pytest

from scalemodel.data.bench import BenchError
from scalemodel.data.prices import read_prices


def write(folder: Path, text: str) -> Path:
    path = folder / "prices.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_price_list_is_read_as_other_tables_are(tmp_path: Path) -> None:
    path = write(tmp_path, "card;price;currency;date;shop\nOstra 4;489,50;EUR;2026-03-14;a\n")
    table = read_prices(path)
    assert list(table) == ["card", "price", "currency", "date"]
    assert table.to_numpy().tolist() == [["Ostra 4", 489.5, "EUR", "2026-03-14"]]


def test_currency_and_date_may_be_missing(tmp_path: Path) -> None:
    table = read_prices(write(tmp_path, "card,price\nOstra 4,489\n"))
    assert table.to_numpy().tolist() == [["Ostra 4", 489.0, "", ""]]


def test_everything_wrong_is_said_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, "card,price,date\nOstra 4,489,x\nOstra 4,479,\nOstra 6,,\nOstra 8,-1,\n")
    with pytest.raises(BenchError) as error:
        read_prices(path)
    place, number = "prices.csv, row", "a number above 0 and up to 1,000,000,000"
    fix = "Fix: correct the cell or delete the row."
    assert str(error.value).splitlines() == [
        f"4 problems in {path}; nothing was read.",
        f'{place} 2, column date: "x" is not a date. Allowed: a date such as 2026-03-14, 2026-03 '
        f"or 2026, or nothing. {fix}",
        f'{place} 3, column card: the card "Ostra 4" is already in row 2. Allowed: each card once. '
        "Fix: delete one of the rows or rename it.",
        f"{place} 4, column price: the cell is empty. Allowed: {number}. {fix}",
        f'{place} 5, column price: "-1" is too small. Allowed: {number}. {fix}',
    ]


def test_a_missing_file_is_one_message(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"the file is missing\. Allowed: a readable file\."):
        read_prices(tmp_path / "prices.csv")
