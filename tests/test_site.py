"""The site has every page of the guide, says so in its own words, and asks nobody for anything."""

import importlib.util
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from mkdocs.commands.build import build
from mkdocs.config import load_config
from mkdocs.config.defaults import MkDocsConfig

from tests.documentation.refresh import ROOT

DOCS = ROOT / "docs"
SETTINGS = DOCS / "site" / "mkdocs.yml"

_spec = importlib.util.spec_from_file_location("pages", DOCS / "site" / "pages.py")
assert _spec is not None
assert _spec.loader is not None
pages = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pages)


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> MkDocsConfig:
    folder = tmp_path_factory.mktemp("site")
    config = load_config(str(SETTINGS), strict=True, site_dir=str(folder))
    config.plugins.on_startup(command="build", dirty=False)
    build(config)
    return config


def test_the_navigation_has_every_page_once(config: MkDocsConfig) -> None:
    assert config.nav is not None
    listed = [path for entry in config.nav for path in paths(entry)]
    there = {page.relative_to(DOCS).as_posix() for page in DOCS.rglob("*.md")}
    assert sorted(listed) == sorted(there)


def paths(entry: object) -> Iterator[str]:
    if isinstance(entry, str):
        yield entry
    elif isinstance(entry, dict):
        for below in entry.values():
            yield from paths(below)
    elif isinstance(entry, list):
        for below in entry:
            yield from paths(below)


class Requests(HTMLParser):
    """Collects what a browser fetches by itself; a link waits for the reader."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        names = ("src", "srcset", "data", "poster") if tag != "link" else ("href",)
        if given.get("rel") not in ("canonical", "prev", "next"):
            self.found += [value for name in names if (value := given.get(name))]


def test_a_page_asks_for_nothing_from_elsewhere(config: MkDocsConfig) -> None:
    built = list(Path(config.site_dir).rglob("*.html"))
    assert len(built) > 20
    for page in built:
        parser = Requests()
        parser.feed(page.read_text(encoding="utf-8"))
        assert parser.found
        assert [one for one in parser.found if re.match(r"(\w+:)?//", one)] == [], page
    for sheet in Path(config.site_dir).rglob("*.css"):
        assert not re.search(r"url\(['\"]?(https?:)?//", sheet.read_text(encoding="utf-8")), sheet


def test_every_public_name_is_described(config: MkDocsConfig) -> None:
    page = (Path(config.site_dir) / "library.html").read_text(encoding="utf-8")
    for name in re.findall(r"^::: (\S+)$", (DOCS / "library.md").read_text(encoding="utf-8"), re.M):
        assert f'id="{name}"' in page


INDEX = """\
# The guide

| page | what for |
|---|---|
| [Not listed](nowhere.txt) | no page |

## Start

| page | what for |
|---|---|
| [Say how far](lead.md) | leads |
| [Measured](deeper/logs.md) | logs |
"""


def test_the_navigation_comes_from_the_tables_of_the_guide() -> None:
    assert pages.navigation(INDEX) == [
        {"The guide": "index.md"},
        {"Start": [{"Say how far": "lead.md"}, {"Measured": "deeper/logs.md"}]},
    ]


@pytest.mark.parametrize(
    ("page", "link", "shown"),
    [
        ("a.md", "[lead.md](lead.md)", "[Say how far](lead.md)"),
        ("a.md", "[the lead](lead.md#x)", "[the lead](lead.md#x)"),
        ("deeper/logs.md", "[lead.md](../lead.md)", "[Say how far](../lead.md)"),
        ("deeper/logs.md", "[other.md](other.md)", "[other.md](other.md)"),
        ("a.md", "[the start](../README.md)", "the start"),
        ("deeper/logs.md", "[it](../../README.md)", "it"),
        ("a.md", "[a site](https://example.org)", "[a site](https://example.org)"),
        ("a.md", "![a picture](lead.png)", "![a picture](lead.png)"),
    ],
)
def test_names_of_files_become_titles(page: str, link: str, shown: str) -> None:
    titles = {"lead.md": "Say how far", "deeper/logs.md": "Measured"}
    assert pages.for_the_site(f"See {link}.", page, titles) == f"See {shown}."
