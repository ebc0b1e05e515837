"""An SVG drawing as part of an HTML page: small, in the page's colours, with its own words."""

import hashlib
import re
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import groupby

SVG = "http://www.w3.org/2000/svg"
LINK = "{http://www.w3.org/1999/xlink}href"
FONTS = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
DECIMALS = 2

_NUMBER = re.compile(r"-?\d*\.\d+(?:e-?\d+)?|-?\d+(?:e-?\d+)?")
_FONT = re.compile(r"(?:(?P<weight>bold|\d{3}) )?(?P<size>[\d.]+)px")
_REFERENCE = re.compile(r"#([\w-]+)")
_AROUND_COMMAND = re.compile(r" ?([A-Za-z]) ?")
_WHOLE_PART = re.compile(r"(?<![\d.])0(?=\.)")
_UNTURNED = re.compile(r"rotate\(-?0 [^)]*\)")
_GEOMETRY = ("d", "x", "y", "width", "height", "points", "transform", "stroke-width", "font-size")
_DROPPED = ("metadata", "style")
_INHERITED = ("fill", "stroke", "stroke-width", "stroke-linecap", "fill-opacity", "stroke-opacity")
_USUAL = {
    "stroke-linecap": ("path", "butt"),
    "stroke-width": ("path", "1"),
    "text-anchor": ("text", "start"),
    "font-size": ("text", "medium"),
}
"""Properties said once for a whole drawing: of which elements, and what they are without."""


def page_svg(markup: str, colours: Mapping[str, str], title: str, described: str) -> str:
    """Turn a drawing of matplotlib's into an ``<svg>`` element to be put into an HTML page.

    Colours become custom properties of the page's style with the drawing's own as fallback, styles
    become attributes, so that no style rule is needed. The element has no size of its own and takes
    the width of the page. Ids begin with a digest of the drawing, so that several fit on a page.

    Args:
        markup: a whole SVG document with texts as texts.
        colours: hexadecimal colours by the name of the custom property.
        title: what the figure is called; for screen readers.
        described: what the figure shows; for screen readers.

    Returns:
        The element. The same drawing, title and description give the same text.
    """
    root = ET.fromstring(markup)
    box = root.get("viewBox", "")
    names = {value.lower(): f"var(--{name}, {value})" for name, value in colours.items()}
    for element in list(root.iter()):
        _simplify(element, names)
    usual = _say_once(root)
    _flatten(root)
    texts = [_labelled("title", title), _labelled("desc", described)]
    root[:0] = texts
    digest = hashlib.sha256(ET.tostring(root, encoding="utf-8")).hexdigest()[:6]
    prefix = f"f-{digest}"
    _rename(root, prefix)
    for label, element in zip(("title", "desc"), texts, strict=True):
        element.set("id", f"{prefix}-{label}")
    root.attrib.clear()
    root.attrib |= {
        "xmlns": SVG,
        "viewBox": _rounded(box),
        "role": "img",
        "aria-labelledby": f"{prefix}-title {prefix}-desc",
        "font-family": FONTS,
        "stroke-linejoin": "round",
        **usual,
    }
    return ET.tostring(root, encoding="unicode").replace(" />", "/>")


def _labelled(tag: str, words: str) -> ET.Element:
    element = ET.Element(tag)
    element.text = words
    return element


def _simplify(element: ET.Element, colours: Mapping[str, str]) -> None:
    """Make one element small: no namespace, style as attributes, short numbers."""
    element.tag = element.tag.removeprefix(f"{{{SVG}}}")
    element.tail = None
    if element.tag == "text":
        element.text = (element.text or "").replace("  ", "\N{NO-BREAK SPACE} ")
    elif element.text is not None:
        element.text = None
    link = element.attrib.pop(LINK, None)
    if link is not None:
        element.set("href", link)
    element.attrib |= dict(_properties(element.attrib.pop("style", "")))
    for name, value in list(element.attrib.items()):
        if name in _GEOMETRY:
            short = _rounded(_UNTURNED.sub("", value)).strip()
            short = _path(short) if name == "d" else short
            element.set(name, short)
            if not short:
                del element.attrib[name]
        elif value.lower() in colours:
            element.set(name, colours[value.lower()])


def _properties(style: str) -> Iterator[tuple[str, str]]:
    """Give the properties of a style as attributes; the page chooses the family of the font."""
    for part in filter(None, style.split(";")):
        name, _, value = (text.strip() for text in part.partition(":"))
        if name == "font" and (font := _FONT.search(value)):
            yield "font-size", font["size"]
            if font["weight"]:
                yield "font-weight", font["weight"]
        elif name != "font-family":
            yield name, value.removesuffix("px") if name == "font-size" else value


def _rounded(text: str) -> str:
    short = _NUMBER.sub(lambda found: _short(float(found[0])), text)
    return re.sub(r"\s+", " ", short)


def _path(data: str) -> str:
    """Write the data of a path without what separates nothing."""
    data = _AROUND_COMMAND.sub(r"\1", data).replace(" -", "-")
    return _WHOLE_PART.sub("", data)


def _short(number: float) -> str:
    text = f"{number:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _say_once(root: ET.Element) -> dict[str, str]:
    """Take the commonest values of some properties off their elements; gives them for the root."""
    usual: dict[str, str] = {}
    for name, (tag, default) in _USUAL.items():
        elements = list(root.iter(tag))
        values = Counter(element.get(name, default) for element in elements)
        usual[name] = values.most_common(1)[0][0] if values else default
        for element in elements:
            value = element.attrib.pop(name, default)
            if value != usual[name]:
                element.set(name, value)
    return usual


def _flatten(parent: ET.Element) -> None:
    """Take out what draws nothing, and groups that only hold others."""
    used = {name for element in parent.iter() for name in _references(element)}
    for element in parent.iter():
        if element.get("id") not in used:
            element.attrib.pop("id", None)
    _flatten_below(parent)


def _flatten_below(parent: ET.Element) -> None:
    kept: list[ET.Element] = []
    for child in parent:
        _flatten_below(child)
        empty = child.tag in {"g", "defs"} and not len(child)
        if child.tag in _DROPPED or empty:
            continue
        kept += list(child) if child.tag == "g" and not child.attrib else [child]
    parent[:] = _clipped_together(kept)
    if parent.tag == "g" and len(parent) > 1:
        _lift(parent)


def _clipped_together(elements: list[ET.Element]) -> Iterator[ET.Element]:
    """Give elements; neighbours of which the same is visible are in one group."""
    for clip, run in groupby(elements, lambda element: element.get("clip-path")):
        same = list(run)
        if clip is None or len(same) == 1:
            yield from same
            continue
        group = ET.Element("g", {"clip-path": clip})
        for element in same:
            del element.attrib["clip-path"]
            bare = element.tag == "g" and not element.attrib
            group.extend(list(element) if bare else [element])
        _lift(group)
        yield group


def _lift(group: ET.Element) -> None:
    """Say once, on the group, what all its elements have in common."""
    for name in _INHERITED:
        values = {child.get(name) for child in group}
        value = values.pop()
        if value is not None and not values and name not in group.attrib:
            group.set(name, value)
            for child in group:
                del child.attrib[name]


def _references(element: ET.Element) -> Iterator[str]:
    for name in ("href", "clip-path"):
        yield from _REFERENCE.findall(element.get(name, ""))


def _rename(root: ET.Element, prefix: str) -> None:
    """Number the ids that are used, after the prefix."""
    named = [element for element in root.iter() if "id" in element.attrib]
    new = {element.attrib["id"]: f"{prefix}-{n}" for n, element in enumerate(named)}
    for element in named:
        element.set("id", new[element.attrib["id"]])
    for element in root.iter():
        for name in ("href", "clip-path"):
            if name in element.attrib:
                value = _REFERENCE.sub(lambda found: f"#{new[found[1]]}", element.attrib[name])
                element.set(name, value)
