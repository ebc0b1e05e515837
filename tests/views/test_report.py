"""The report page, parsed: built as it should be, self-contained, and nobody's names break it."""

import base64
import hashlib
import io
import itertools
import json
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.report import Report, report
from scalemodel.data.bench import read_bench, read_specs
from scalemodel.views.report import page as page_module
from scalemodel.views.report.page import ASSETS, SECTIONS, in_script, report_page
from scalemodel.views.report.parts import Live, Section
from scalemodel.views.style import COLOURS
from scalemodel.views.tables import to_csv
from scalemodel.views.words import CAUTION
from tests.answers import small_lab
from tests.views.html_page import Element, Page

BAD_CARD = "</script><img src=x onerror=alert(1)>"
BAD_GAME = "\"'><svg onload=alert(1)>,</table>"
BAD_PLATFORM = "<b>Bench & co</b>"
BAD_VENDOR = "\u2028Halvor</style>"
NEW = "Mirel 45"
SETTINGS = small_lab.Settings(
    ceilings={"Game 1": 150.0, "Game 2": 230.0},
    platforms={"Bench": 1.0, "Small": 0.7},
    resolutions=("1920x1080", "3840x2160"),
    runs=2,
)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """A report on a bench whose names are markup, with a spec sheet of such a name."""
    folder = tmp_path_factory.mktemp("hostile")
    lab = small_lab.simulate(SETTINGS)
    names = {"Mirel 30": BAD_CARD, "Game 1": BAD_GAME, "Bench": BAD_PLATFORM, "Halvor": BAD_VENDOR}
    cards, results = lab.cards.replace(names), lab.results.replace(names)
    fps = results["avg_fps"]
    results = results.assign(low_1pct_fps=0.8 * fps, latency_ms=10 + 2000 / fps)
    results["engine"] = results["game"].map({BAD_GAME: BAD_GAME, "Game 2": "north"})
    results[results["card"] != NEW].to_csv(folder / "results.csv", index=False)
    cards.to_csv(folder / "cards.csv", index=False)
    new = cards[cards["card"] == NEW].assign(card=f"{BAD_CARD} new")
    new.to_csv(folder / "new.csv", index=False)
    return report(fit(read_bench(folder)), read_specs(folder / "new.csv"))


@pytest.fixture(scope="module")
def text(hostile: Report) -> str:
    return report_page(hostile)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


@pytest.fixture(scope="module")
def bare_fit(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """A fit of one game at one resolution, one run a cell: hardly anything can be answered."""
    use = small_lab.Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",), runs=1)
    return fit(small_lab.simulate(use).bench(tmp_path_factory.mktemp("bare")))


def test_headings_are_in_order_under_one_title(page: Page) -> None:
    levels = [int(one.tag[1]) for one in page.all("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert levels.count(2) == 1 + len(SECTIONS)


def test_the_list_at_the_top_leads_to_every_section_and_answers_in_a_sentence(page: Page) -> None:
    (nav,) = page.all("nav")
    sections = [one.attrs["id"] for one in page.all("section")]
    items = [one for one in page.all("li") if one.around("nav") is nav]
    links = [item.children[0].attrs["href"] for item in items]
    assert links == [f"#{key}" for key in sections]
    for item in items:
        assert item.children[0].text.endswith("?")
        assert item.children[1].text.endswith(".")


def test_ids_are_there_once_and_references_lead_to_them(page: Page) -> None:
    ids = [one.attrs["id"] for one in page.elements if "id" in one.attrs]
    assert len(ids) == len(set(ids))
    for one in page.elements:
        named = one.attrs.get("aria-labelledby", "").split()
        href = one.attrs.get("href", "")
        named += [href[1:]] if href.startswith("#") else []
        assert set(named) <= set(ids), (one.tag, named)


def test_tables_say_what_they_show_and_what_their_cells_belong_to(page: Page) -> None:
    assert len(page.all("table")) > 10
    for table in page.all("table"):
        assert table.children[0].tag == "caption"
        assert table.children[0].text.strip()
    for cell in page.all("th"):
        wanted = "col" if cell.around("thead") else "row"
        assert cell.attrs["scope"] == wanted
    for row in page.all("tr"):
        if row.around("thead") is None:
            assert row.children[0].tag == "th"


def test_figures_have_words_for_those_who_do_not_see_them(page: Page) -> None:
    drawn = page.all("svg")
    assert len(drawn) >= 4  # results, a card on two platforms, runs
    for one in drawn:
        assert one.attrs["role"] == "img"
        assert [child.tag for child in one.children[:2]] == ["title", "desc"]
        assert all(child.text for child in one.children[:2])


def test_what_scrolls_can_be_reached_by_keyboard(page: Page) -> None:
    scrolling = [one for one in page.elements if "scroll" in one.attrs.get("class", "").split()]
    assert scrolling
    for one in scrolling:
        assert one.attrs["tabindex"] == "0"
        assert one.attrs["role"] == "region"
        assert {"aria-label", "aria-labelledby"} & set(one.attrs)
    skip = page.all("a")[0]
    assert skip.attrs["href"] == "#answers"
    named = {one.attrs["for"] for one in page.all("label") if "for" in one.attrs}
    inputs = page.all("input", "select")
    assert {"light-system", "light-day", "light-night"} <= {one.attrs["id"] for one in inputs}
    for one in inputs:
        inside = one.parent is not None and one.parent.tag == "label"
        assert inside or one.attrs["id"] in named or "aria-label" in one.attrs


def test_signs_have_words_beside_them(page: Page) -> None:
    signs = page.all("i")
    assert signs
    for sign in signs:
        assert sign.attrs == {"aria-hidden": "true"}
        assert sign.parent is not None
        assert len(sign.parent.text.strip()) > len(sign.text)


def test_nothing_is_asked_of_the_network(page: Page, text: str) -> None:
    for one in page.elements:
        assert not [name for name in one.attrs if name.startswith("on") or name == "style"]
        assert "src" not in one.attrs
        href = one.attrs.get("href", "#")
        assert href.startswith(("#", "data:text/csv;charset=utf-8,"))
    assert not page.all(
        "img", "iframe", "object", "embed", "link", "form", "base", "video", "audio"
    )
    assert "url(h" not in text
    assert "@import" not in text


def test_the_policy_allows_what_is_in_the_page_and_nothing_else(page: Page) -> None:
    (policy,) = [one for one in page.all("meta") if "http-equiv" in one.attrs]
    rules = dict(part.strip().split(" ", 1) for part in policy.attrs["content"].split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for tag, rule in (("style", "style-src"), ("script", "script-src")):
        run = [one for one in page.all(tag) if one.attrs.get("type") != "application/json"]
        hashes = [base64.b64encode(hashlib.sha256(one.text.encode()).digest()) for one in run]
        assert rules[rule] == " ".join(f"'sha256-{one.decode()}'" for one in hashes)
    assert policy.parent is not None
    assert policy.parent.children.index(policy) <= 1  # before anything it is to hold for


def test_names_that_are_markup_stay_text(page: Page) -> None:
    assert len(page.all("script")) == 3  # the what-if panel brings data and a script
    texts = [one.text for one in page.all("th", "td", "text", "title", "desc", "p", "span")]
    for name in (BAD_CARD, BAD_GAME, BAD_PLATFORM, f"{BAD_CARD} new"):
        assert any(name in one for one in texts), name
    assert not [one for one in page.all("svg") if set(one.attrs) & {"onload"}]
    assert {one.tag for one in page.elements if one.around("table")} <= {
        *("caption", "thead", "tbody", "tr", "th", "td", "b", "i", "small"),
    }


def downloads(page: Page) -> Iterator[tuple[str, str]]:
    for one in page.all("a"):
        if "download" in one.attrs:
            address = one.attrs["href"].removeprefix("data:text/csv;charset=utf-8,")
            yield one.attrs["download"], unquote(address, errors="strict")


def test_every_table_can_be_had_as_csv(page: Page, hostile: Report) -> None:
    files = dict(downloads(page))
    assert hostile.landing is not None
    assert hostile.standings is not None
    for name, table in (
        ("ceilings.csv", hostile.ceilings.table),
        ("charts.csv", hostile.ceilings.charts),
        ("predict-leads.csv", hostile.landing.table),
        ("standings.csv", hostile.standings.table),
        ("left-out.csv", hostile.fit.left_out),
        ("fit-scenes.csv", hostile.fit.learned_scenes),
    ):
        assert files[name] == to_csv(table)
    cards = set(pd.read_csv(io.StringIO(files["ceilings.csv"]))["card"])
    assert BAD_CARD in cards
    for section in page.all("section"):
        if any(one.around("section") is section for one in page.all("table")):
            assert any(one.around("section") is section for one in page.all("a"))


def test_the_caution_is_given_once(text: str, bare_fit: Fit) -> None:
    assert text.count(CAUTION) == 1
    assert report_page(report(bare_fit)).count(CAUTION) == 1  # of the what-if panel


def test_the_same_report_gives_the_same_bytes(text: str, hostile: Report) -> None:
    again = report(hostile.fit, hostile.specs)
    assert report_page(again) == text


def answers(page: Page) -> dict[str, str]:
    found = {}
    for one in page.all("p"):
        section = one.around("section")
        if section is not None and one.attrs.get("class") == "answer":
            found[section.attrs["id"]] = one.text
    return found


def test_what_cannot_be_answered_says_so_in_one_line(bare_fit: Fit) -> None:
    page = Page(report_page(report(bare_fit)))
    found = answers(page)
    assert found["unreleased"].startswith("Nothing was predicted: no spec sheets were given.")
    assert found["order"].startswith("Nothing to compare: ")
    assert found["forecasts"].startswith("No score is kept beside the bench.")
    assert found["power"].startswith("Power is not known: ")
    assert "no run has power_w" in found["power"]
    assert found["value"].startswith("Prices are not known: ")
    assert "no card with results has a price" in found["value"]
    assert found["groups"].startswith("Not known. No column of results parts the charts of ")
    assert found["lows"].startswith("Lows are not known: ")
    assert "no run has low_1pct_fps" in found["lows"]
    assert found["latency"].startswith("Latency is not known: ")
    assert "no latency to go by" in found["latency"]
    for key in ("unreleased", "order", "groups", "lows", "latency", "power", "value", "forecasts"):
        (section,) = (one for one in page.all("section") if one.attrs["id"] == key)
        assert [one.tag for one in section.children] == ["h2", "p"]
    assert not gaps(page)


def test_where_all_sit_at_the_ceiling_nobody_leads(tmp_path: Path) -> None:
    use = small_lab.Settings(
        ceilings={"Game 1": 15.0}, resolutions=("1280x720", "1920x1080"), runs=2
    )
    page = Page(report_page(report(fit(small_lab.simulate(use).bench(tmp_path)))))
    gists = {one.children[0].text: one.children[1].text for one in page.all("li")}
    assert gists["Which charts compare cards?"] == "0 of 2 charts compare all cards, 2 none."
    assert gists["Who leads whom?"] == "Nobody: no chart compares two cards."
    assert not [one for one in page.all("table") if one.attrs.get("class") == "matrix"]
    assert not gaps(page)


def gaps(page: Page) -> list[str]:
    """Return what cells show of missing numbers; a matrix is empty on one side."""
    found = []
    for cell in page.all("td", "th"):
        table = cell.around("table")
        assert table is not None
        empty = not cell.text.strip() and table.attrs.get("class") != "matrix"
        if empty or re.search(r"\b(nan|None|NaT|inf)\b|<NA>", cell.text):
            found.append(cell.text)
    return found


def test_no_cell_shows_a_gap_of_the_program(page: Page) -> None:
    assert not gaps(page)


def test_a_section_brings_its_own_script_style_and_data(
    bare_fit: Fit, monkeypatch: pytest.MonkeyPatch
) -> None:
    awkward = {"name": "</script><!--\u2028&"}
    live = Section(
        key="live",
        title="What if?",
        gist="It moves.",
        words="Words.",
        parts=(Live(page_module.Markup("<p id='stage'></p>")),),
        style="#stage { color: var(--plum); }",
        script="document.title;",
        data={"live-data": json.dumps(awkward, ensure_ascii=False)},
    )
    monkeypatch.setattr(page_module, "SECTIONS", (lambda _: live, lambda _: None))
    page = Page(report_page(report(bare_fit)))
    assert [one.attrs["id"] for one in page.all("section")] == ["live"]
    data, *scripts = page.all("script")
    assert data.attrs == {"type": "application/json", "id": "live-data"}
    assert json.loads(data.text) == awkward
    assert not set("<>&\u2028") & set(data.text)
    assert [one.text for one in scripts][-1] == live.script
    assert page.all("style")[-1].text == live.style
    test_the_policy_allows_what_is_in_the_page_and_nothing_else(page)


@pytest.mark.parametrize("value", ["</script>", "<!--", "a & b", "\u2028\u2029", 'plain "text"'])
def test_json_in_a_script_is_the_same_json(value: str) -> None:
    safe = in_script(json.dumps(value, ensure_ascii=False))
    assert json.loads(safe) == value
    assert not set("<>&\u2028\u2029") & set(safe)


def palette() -> dict[str, tuple[str, str]]:
    css = (ASSETS / "report.css").read_text(encoding="utf-8")
    both = re.findall(r"--(\w+): light-dark\((#\w{6}), (#\w{6})\)", css)
    return {name: (day, night) for name, day, night in both}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, "relative luminance")."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in parts]
    return sum(weight * x for weight, x in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize("name", ["ink", "quiet", "plum", "amber"])
def test_texts_stand_out_from_the_paper_by_day_and_by_night(name: str, night: bool) -> None:
    colours = {one: pair[night] for one, pair in palette().items()}
    one, other = sorted(luminance(colours[key]) for key in (name, "paper"))
    assert (other + 0.05) / (one + 0.05) >= 4.5  # WCAG 2.2, success criterion 1.4.3, level AA


def test_by_day_the_page_has_the_colours_of_the_figures() -> None:
    assert {name: day for name, (day, _) in palette().items()} == COLOURS
    css = (ASSETS / "report.css").read_text(encoding="utf-8")
    plain = dict(re.findall(r"--(\w+): (#\w{6});", css))
    assert plain == COLOURS


def test_templates_and_assets_are_beside_the_code() -> None:
    folder = Path(page_module.__file__).parent
    assert {path.name for path in (folder / "templates").iterdir()} >= {"page.html", "parts.html"}


def first(page: Page, tag: str) -> Element:
    return page.all(tag)[0]


def test_without_the_script_the_page_is_whole(page: Page, hostile: Report) -> None:
    """Rows are in the page, folded parts are native; hidden is what takes the script."""
    hidden = [one for one in page.elements if "hidden" in one.attrs]
    assert [one.attrs["id"] for one in hidden] == ["what-if-panel"]
    results = [t for t in page.all("table") if t.children[0].text.startswith("Every result.")]
    rows = [row for row in page.all("tr") if row.around("table") is results[0]]
    assert len(rows) == 1 + len(hostile.ceilings.table)
    assert first(page, "html").attrs["lang"] == "en"
