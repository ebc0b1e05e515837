"""Nothing is left out of the documents: no command, option, column or message.

Each test asks the program what there is, and the page where a reader would look.
"""

import ast
import dataclasses
import datetime
import importlib
import pkgutil
import re
from collections.abc import Iterator

import click
import pandas as pd
import pytest

import scalemodel
from scalemodel import answers
from scalemodel.answers.comparison import compare
from scalemodel.answers.fitting import Fit
from scalemodel.answers.landing import landing
from scalemodel.answers.latency import latency
from scalemodel.answers.reduce import Reduced
from scalemodel.answers.reduced_rows import COLUMNS, columns_of
from scalemodel.answers.report import report
from scalemodel.answers.whatif import WhatIf
from scalemodel.cli.main import COMMANDS, run
from scalemodel.data.bench import EXCLUDED_COLUMNS
from scalemodel.data.schema import TABLES
from scalemodel.views.terminal.check import PROBLEM_COLUMNS
from tests.conftest import HELD_OUT
from tests.documentation.messages import Message, Module, messages, messages_of
from tests.documentation.refresh import ROOT

DOCS = ROOT / "docs"
GENERATED = {"commands"}
"""Lists every option whatever anybody wrote about it."""

UNSEEN = {WhatIf}
"""Answers whose tables only the page of the report reads."""

MESSAGES = messages(("data", "model", "answers", "views", "cli"))
_ENTRY = re.compile(r"^\| `([^`]+)` \| (\w+) \|", re.MULTILINE)


def page(name: str) -> str:
    return (DOCS / f"{name}.md").read_text(encoding="utf-8")


def prose() -> str:
    """Give all pages of the guide that somebody wrote."""
    return "\n".join(page(p.stem) for p in DOCS.glob("*.md") if p.stem not in GENERATED)


def explained(name: str) -> set[str]:
    """Give the words in the tables of a page that a cell further right says something about."""
    rows = [line.strip("|").split("|")[:-1] for line in page(name).splitlines() if line[:1] == "|"]
    return set(re.findall(r"[A-Za-z]\w*", " ".join(cell for row in rows for cell in row)))


# Commands and options


def commands() -> Iterator[tuple[str, click.Command]]:
    with click.Context(run) as context:
        for name in COMMANDS:
            command = run.get_command(context, name)
            assert command is not None
            yield name, command


OPTIONS = [
    (name, option)
    for name, command in commands()
    for option in command.params
    if isinstance(option, click.Option)
]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_shown_at_work(name: str) -> None:
    assert re.search(rf"^(\$ )?scalemodel {name}\b", prose(), re.MULTILINE)


@pytest.mark.parametrize(
    ("name", "option"), OPTIONS, ids=[f"{name} {option.opts[-1]}" for name, option in OPTIONS]
)
def test_every_option_is_explained(name: str, option: click.Option) -> None:
    assert option.help, f"scalemodel {name} {option.opts[0]} has no help"
    words = "|".join(re.escape(word) for word in option.opts)
    assert re.search(rf"(?<![\w-])({words})(?![\w-])", prose()), (
        f"no page of the guide has the option {option.opts[0]} of scalemodel {name}"
    )


# Columns


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_column_of_a_bench_is_explained(table: object) -> None:
    section = page("bench").partition(f"\n## {table.name}.csv ")[2].partition("\n## ")[0]
    for column in table.columns:
        assert f"\n| {column.name} |" in section, f"{table.name}.csv, {column.name}"
        assert column.meaning


def sheet_of(fit: Fit) -> pd.DataFrame:
    return fit.bench.cards[fit.bench.cards["card"] == HELD_OUT]


def given(fit: Fit, demo: Fit) -> dict[str, list[object]]:
    """Give an answer of every kind, by its page; `demo` has power, prices and shots."""
    sheet = sheet_of(fit)
    forecast = fit.forecast(sheet, datetime.date(2026, 3, 14))
    runs = columns_of(pd.DataFrame(columns=list(COLUMNS)), "quantile")
    a, b = "Mirel 55", "Halvor D"
    return {
        "fit-and-cache": [fit],
        "ceilings": [fit.ceilings(), fit.knee(("Game 1",))],
        "predict": [fit.predict(sheet, against=("Mirel 35",), ranks=True)],
        "lead": [fit.lead(a, b), fit.lead_by("game", a, b), fit.standings()],
        "latency": [latency(demo.bench)],
        "lows": [demo.lows()],
        "explain": [fit.explain(a, b), fit.order()],
        "plan": [fit.plan(2)],
        "score": [fit.score(held_out="largest"), fit.score_forecast(forecast)],
        "repeat": [fit.repeatability(), compare(fit.bench, a, b)],
        "reduce": [Reduced(runs, (), "quantile", 0.8, 0)],
        "power": [demo.power()],
        "value": [demo.value()],
        "report": [report(fit), landing(fit, sheet, 0.8)],
    }


def tables(answer: object) -> Iterator[tuple[str, pd.DataFrame]]:
    """Give the tables of an answer by name; `table` may be worked out when asked for."""
    assert dataclasses.is_dataclass(answer)
    for name in dict.fromkeys(("table", *(field.name for field in dataclasses.fields(answer)))):
        if isinstance(value := getattr(answer, name, None), pd.DataFrame):
            yield name, value


def kinds_of_answers() -> set[type]:
    """Give every class that is an answer: it says itself in words and holds a table."""
    found = set()
    for module in pkgutil.walk_packages(answers.__path__, f"{answers.__name__}."):
        for kind in vars(importlib.import_module(module.name)).values():
            if isinstance(kind, type) and dataclasses.is_dataclass(kind):
                held = " ".join(str(field.type) for field in dataclasses.fields(kind))
                if "__str__" in vars(kind) and "DataFrame" in held:
                    found.add(kind)
    return found


@pytest.fixture(scope="module")
def all_given(lab_fit: Fit, demo_fit: Fit) -> dict[str, list[object]]:
    return given(lab_fit, demo_fit)


def test_no_kind_of_answer_is_forgotten(all_given: dict[str, list[object]]) -> None:
    asked = {type(answer) for found in all_given.values() for answer in found}
    assert asked == kinds_of_answers() - UNSEEN


def test_every_column_of_an_answer_is_explained(all_given: dict[str, list[object]]) -> None:
    missing = {
        f"docs/{where}.md, {type(answer).__name__}.{name}: {column}"
        for where, found in all_given.items()
        for answer in found
        for name, table in tables(answer)
        for column in set(table) - explained(where)
    }
    assert not missing, "no table says what these columns mean:\n" + "\n".join(sorted(missing))


def test_every_column_of_check_is_explained() -> None:
    assert {*PROBLEM_COLUMNS, *EXCLUDED_COLUMNS} <= explained("errors")


# Python


def test_every_public_name_is_in_the_reference() -> None:
    for name in scalemodel.__all__:
        home = getattr(scalemodel, name).__module__
        assert f"\n::: {home}.{name}\n" in page("library"), name


# Messages


def entries() -> list[tuple[str, str]]:
    """Give the messages on the page of errors, and the kind it gives each."""
    return _ENTRY.findall(page("errors"))


def pattern(entry: str) -> re.Pattern[str]:
    parts = (re.escape(part) for part in entry.replace("\\|", "|").split("…"))
    return re.compile(".*".join(parts))


def documents(entry: tuple[str, str], message: Message) -> bool:
    text, kind = entry
    alike = kind in {message.kind, "either"}
    return alike and pattern(text).fullmatch(message.text) is not None


@pytest.mark.parametrize("message", MESSAGES, ids=lambda m: f"{m.module}:{m.text[:60]}")
def test_every_message_is_explained(message: Message) -> None:
    assert any(documents(entry, message) for entry in entries()), (
        f"{message.module}, line {message.line}: docs/errors.md has no entry for the "
        f"{message.kind} {message.text!r}"
    )


@pytest.mark.parametrize("entry", entries(), ids=lambda entry: entry[0][:60])
def test_every_entry_is_a_message(entry: tuple[str, str]) -> None:
    """It stands for something that can be said, and not for everything."""
    found = {message.text for message in MESSAGES if documents(entry, message)}
    assert found, f"nothing in the program says {entry[0]!r}"
    assert len(found) <= 8


SOURCE = """
def check(rows, log, name):
    what = "hidden by what follows"
    if rows:
        what = f"row {rows[0]} is odd"
        log.error(name, what, "rows", "look at it")
    what, fix = "no row" + (" at all" if name else ""), "add one"
    log.error(name, what, "rows", fix)
    _refuse("too many" if rows > 3 else "too few")
    raise ScalemodelError(_told(name))

def _told(name):
    return f'"{name}" is unknown. Allowed: others.'

def _refuse(what):
    try:
        raise UnreadableError(f"{what} rows", "some", "count")
    except UnreadableError as error:
        raise ScalemodelError(str(error)) from None
"""


def test_messages_are_found_however_they_are_put_together() -> None:
    found = messages_of([Module("m", ast.parse(SOURCE))])
    assert {message.text for message in found} == {
        "row … is odd",
        "no row",
        "no row at all",
        '"…" is unknown',
        "too many rows",
        "too few rows",
    }
    assert {message.kind for message in found} == {"error"}
