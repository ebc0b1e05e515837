"""Chromium, driven by Playwright, and the reports that it opens."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import sync_playwright

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.report import report
from scalemodel.data.bench import read_bench, read_specs
from scalemodel.views.report.page import report_page
from tests.answers import small_lab
from tests.browser.arithmetic import program
from tests.conftest import HELD_OUT

FLAGS = [
    f"--{flag}"
    for flag in (
        "no-sandbox",
        "disable-gpu",
        "disable-quic",
        "no-first-run",
        "disable-background-networking",
        "disable-component-update",
        "disable-sync",
    )
]
HOSTILE = "</script><img src=x onerror=alert(1)>"


@dataclass
class Opened:
    """A page that was opened, and what went wrong on it."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def settle(self) -> None:
        """Wait until the panel has drawn what was asked for."""
        self.page.evaluate(
            "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )


Open = Callable[..., AbstractContextManager[Opened]]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    with sync_playwright() as playwright:
        path = program("chromium")
        chromium = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: Any) -> Open:
    """Give a function that opens a file, with the network off."""

    @contextmanager
    def open_file(path: Path, width: int = 1280, scheme: str = "light", **more: Any) -> Any:
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True, **more
        )
        found = Opened(context.new_page())

        def pass_on(route: Any) -> None:
            if route.request.url == path.as_uri():
                route.continue_()
            else:
                found.requests.append(route.request.url)
                route.abort()

        def dismiss(dialog: Any) -> None:
            found.complaints.append(f"dialog: {dialog.message}")
            dialog.dismiss()

        context.route("**/*", pass_on)
        found.page.on("dialog", dismiss)
        found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
        found.page.on("console", lambda message: found.complaints.append(message.text))
        found.page.goto(path.as_uri())
        if more.get("java_script_enabled", True):
            found.settle()
        yield found
        context.close()

    return open_file


def write_report(of: Fit, sheets: Any, path: Path) -> Path:
    path.write_text(report_page(report(of, sheets)), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def demo_report(demo_fit: Fit, demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    sheets = read_specs(demo_folder / "specs.csv")
    return write_report(demo_fit, sheets, tmp_path_factory.mktemp("demo") / "report.html")


@pytest.fixture(scope="session")
def small_report(lab_fit: Fit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Report on the small lab, with the card that was held out as the unreleased one."""
    cards = lab_fit.bench.cards
    sheets = cards[cards["card"] == HELD_OUT].reset_index(drop=True)
    return write_report(lab_fit, sheets, tmp_path_factory.mktemp("small") / "report.html")


@pytest.fixture(scope="session")
def hostile_report(lab: small_lab.Lab, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Report on a bench with names that would be markup if they were not kept as text."""
    folder = tmp_path_factory.mktemp("hostile")
    lab.write(folder)
    for name in ("cards.csv", "results.csv"):
        text = (folder / name).read_text(encoding="utf-8")
        for plain in ("Halvor C", "Strand", "Game 2", "High"):
            text = text.replace(plain, f"{plain} {HOSTILE}")
        (folder / name).write_text(text, encoding="utf-8")
    return write_report(fit(read_bench(folder)), None, folder / "report.html")
