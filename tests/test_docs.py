"""The documents do what they say: every command and snippet in them is run on the demo bench."""

import re
import shutil
from pathlib import Path

import pytest

from scalemodel.cli.main import COMMANDS
from scalemodel.data.reference import bench_reference

pytest.importorskip("pty", reason="the documents are followed in a POSIX terminal")

from tests.documentation.blocks import blocks, steps
from tests.documentation.compare import difference
from tests.documentation.refresh import ROOT, pages, write_tour
from tests.documentation.running import Session

READMES = sorted((ROOT / "datasets").rglob("README.md"))
EVERYTHING = [*pages(), ROOT / "DEVELOPERS.md", *READMES]
FOLLOWED = [page for page in pages() if steps(page)]
LINK = re.compile(r"\]\(([^)#\s]+)(#[^)\s]*)?\)")
LANGUAGES = {"sh", "console", "python", "text", "csv", ""}


def page_id(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


@pytest.fixture(scope="session")
def tour(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tour")
    write_tour(folder)
    return folder


@pytest.mark.parametrize("page", FOLLOWED, ids=page_id)
def test_every_step_runs_and_prints_what_is_shown(page: Path, tour: Path, tmp_path: Path) -> None:
    shutil.copytree(tour, tmp_path, dirs_exist_ok=True)
    session = Session(tmp_path)
    for step in steps(page):
        printed = session.run(step)
        if step.shown is not None:
            found = difference(step.shown, printed)
            assert not found, (
                f"{page_id(page)}, line {step.shown_at + 1}, after {step.code!r}:\n{found}\n"
                "To show what is printed now: python -m tests.documentation.refresh"
            )


@pytest.mark.parametrize("page", EVERYTHING, ids=page_id)
def test_links_lead_somewhere(page: Path) -> None:
    for target, _ in LINK.findall(page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", EVERYTHING, ids=page_id)
def test_blocks_have_a_known_language(page: Path) -> None:
    assert {block.language for block in blocks(page.read_text(encoding="utf-8"))} <= LANGUAGES


def test_the_page_of_columns_is_up_to_date() -> None:
    page = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
    assert page == bench_reference(), (
        "docs/bench.md is out of date: run python -m scalemodel.data.reference > docs/bench.md"
    )


def test_the_readme_and_the_guide_use_every_command() -> None:
    run = "\n".join(step.code for page in FOLLOWED for step in steps(page))
    run += (ROOT / "README.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert re.search(rf"scalemodel {name}\b", run), name


SHOWN = ["  lead  +15.0% to +23.2%", "...", "63 charts"]


@pytest.mark.parametrize(
    "printed",
    [
        ["lead +15.1%   to +23.0%", "anything", "63 charts"],
        ["", "lead +15.2% to +23.2%", "64 charts"],
    ],
)
def test_what_is_shown_may_differ_in_spaces_and_last_digits(printed: list[str]) -> None:
    assert difference(SHOWN, printed) == ""


@pytest.mark.parametrize(
    "printed",
    [
        ["lead +17.0% to +23.2%", "63 charts"],
        ["lead −15.0% to +23.2%", "63 charts"],
        ["gap +15.0% to +23.2%", "63 charts"],
        ["lead +15.0% to +23.2%", "63 scenes"],
        ["first", "lead +15.0% to +23.2%", "63 charts"],
        ["lead +15.0% to +23.2%", "63 charts", "more"],
        ["lead +15.0% to +23.2%"],
        [],
    ],
)
def test_what_is_shown_must_have_been_printed(printed: list[str]) -> None:
    assert difference(SHOWN, printed) != ""
