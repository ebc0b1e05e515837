"""Figures inside a page: an element that stands by itself, in the page's colours."""

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from html.parser import HTMLParser

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

from scalemodel.views.figures.lead import lead_figure
from scalemodel.views.style import COLOURS, house_style, inline_svg
from scalemodel.views.svg import SVG
from tests.views import examples
from tests.views.test_figures import all_figures

NAME = "{" + SVG + "}"
HOSTILE = "</svg><script>alert(1)</script>&\"'"


class Tags(HTMLParser):
    """Keeps the names of the elements that a page has."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del attrs
        self.found.append(tag)


@pytest.fixture(scope="module")
def drawn() -> dict[str, str]:
    figures = all_figures()
    return {name: inline_svg(figure, name, "What it shows.") for name, figure in figures.items()}


def test_it_is_one_element_without_size_prolog_or_style_rules(drawn: dict[str, str]) -> None:
    for markup in drawn.values():
        assert markup.startswith("<svg ")
        root = ET.fromstring(markup)
        assert root.tag == f"{NAME}svg"
        assert re.fullmatch(r"0 0 [\d.]+ [\d.]+", root.attrib["viewBox"])
        assert not {"width", "height"} & set(root.attrib)
        for forbidden in ("<style", "style=", "<metadata", "<!", "<?", "xlink", "url(http"):
            assert forbidden not in markup


def test_every_colour_is_a_property_of_the_page_with_the_own_one_as_fallback(
    drawn: dict[str, str],
) -> None:
    for markup in drawn.values():
        found = dict(re.findall(r"var\(--(\w+), (#\w+)\)", markup))
        assert found.items() <= COLOURS.items()
        assert {"paper", "ink"} <= set(found)
        rest = re.sub(r"var\([^)]*\)", "", markup)
        assert not re.search(r"=\"#[0-9a-fA-F]{3,8}\"", rest)


def test_ids_of_several_figures_differ_and_every_reference_has_its_target(
    drawn: dict[str, str],
) -> None:
    every: list[str] = []
    for markup in drawn.values():
        ids = re.findall(r' id="([^"]+)"', markup)
        aimed = set(re.findall(r"(?:url\(|href=\")#([\w-]+)", markup))
        assert len({one.split("-")[1] for one in ids}) == 1
        assert aimed == {one for one in ids if not one.endswith(("-title", "-desc"))}
        every += ids
    assert len(every) == len(set(every))


def test_title_and_description_are_what_a_screen_reader_finds(drawn: dict[str, str]) -> None:
    root = ET.fromstring(drawn["lead"])
    labels = {element.get("id"): element.text for element in root if "id" in element.attrib}
    wanted = root.attrib["aria-labelledby"].split()
    assert [labels[one] for one in wanted] == ["lead", "What it shows."]
    assert root.attrib["role"] == "img"


def test_texts_stay_texts(drawn: dict[str, str]) -> None:
    texts = [element.text for element in ET.fromstring(drawn["lead"]).iter(f"{NAME}text")]
    assert "Cash $5 & <Tag> $x^2$ | high [bold]" in texts
    assert "+33.3%\N{NO-BREAK SPACE} odd one out" in texts


def test_names_cannot_leave_their_text() -> None:
    table = examples.lead().assign(a=HOSTILE, game=HOSTILE)
    markup = inline_svg(lead_figure(table, 0.8), HOSTILE, HOSTILE)
    parser = Tags()
    parser.feed(f"<p>{markup}</p>")
    assert "script" not in parser.found
    assert parser.found.count("svg") == 1


def test_the_same_figure_gives_the_same_text_in_short_numbers(drawn: dict[str, str]) -> None:
    for name, figure in all_figures().items():
        assert inline_svg(figure, name, "What it shows.") == drawn[name]
        numbers = re.findall(r"\d+\.(\d+)", re.sub(r"var\([^)]*\)", "", drawn[name]))
        assert max(map(len, numbers)) <= 2


def test_it_may_be_drawn_in_between(drawn: dict[str, str]) -> None:
    figure: Figure = lead_figure(examples.lead(), 0.8)
    inline_svg(figure, "lead", "What it shows.")
    assert inline_svg(figure, "lead", "What it shows.") == drawn["lead"]


DEFAULTS = {
    "stroke-linecap": "butt",
    "stroke-width": "1",
    "fill": "",
    "stroke": "",
    "clip-path": "",
}
"""What a path is drawn with, and its values where nothing says otherwise."""

Drawn = tuple[list[float], dict[str, str]]


def paths(root: ET.Element) -> Iterator[Drawn]:
    """Give the numbers of every path and what it is drawn with, said on it or around it."""

    def below(element: ET.Element, around: dict[str, str]) -> Iterator[Drawn]:
        style = dict(
            part.split(":", 1) for part in element.get("style", "").split(";") if ":" in part
        )
        said = element.attrib | {name.strip(): value.strip() for name, value in style.items()}
        own = around | {name: said[name] for name in DEFAULTS if name in said}
        if element.tag.endswith("path"):
            numbers = re.findall(r"-?(?:\d+\.?\d*|\.\d+)(?:e-?\d+)?", element.get("d", ""))
            yield [round(float(one), 2) for one in numbers], own
        for child in element:
            yield from below(child, own)

    yield from below(root, DEFAULTS)


def seen(drawn: dict[str, str], clips: dict[str, int]) -> dict[str, str]:
    """Write colours, widths and clips as they compare."""
    colour = {name: re.sub(r"var\(--\w+, (#\w+)\)", r"\1", drawn[name]) for name in drawn}
    clip = clips.setdefault(drawn["clip-path"], len(clips))
    width = f"{float(drawn['stroke-width']):.2f}"
    return {**colour, "clip-path": str(clip), "stroke-width": width}


def test_every_path_is_drawn_as_in_the_whole_drawing() -> None:
    """Making the element small changes neither its paths nor how they are drawn."""
    for name, figure in all_figures().items():
        stream = io.BytesIO()
        with house_style(), mpl.rc_context({"svg.fonttype": "none"}):
            figure.savefig(stream, format="svg", metadata={"Date": None})
        whole = ET.fromstring(stream.getvalue())
        small = ET.fromstring(inline_svg(figure, name, "What it shows."))
        first, second = list(paths(whole)), list(paths(small))
        assert len(first) == len(second) > 0
        clips: tuple[dict[str, int], dict[str, int]] = {}, {}
        for (numbers, one), (again, other) in zip(first, second, strict=True):
            assert again == pytest.approx(numbers, abs=0.011), name
            assert seen(other, clips[1]) == seen(one, clips[0]), name
