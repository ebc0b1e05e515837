"""A page taken apart with the standard library's parser, strictly: what is opened is closed."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "input", "br", "img", "link", "hr", "use", "path", "rect", "line", "circle"}
RAW = {"script", "style"}


@dataclass
class Element:
    """An element: name, attributes, the element around it, and all text within it."""

    tag: str
    attrs: dict[str, str]
    parent: "Element | None"
    text: str = ""
    children: list["Element"] = field(default_factory=list)

    def around(self, tag: str) -> "Element | None":
        """Return the nearest element of a name around this one."""
        outer = self.parent
        while outer is not None and outer.tag != tag:
            outer = outer.parent
        return outer


class Page(HTMLParser):
    """All elements of a page in their order; an element closed out of turn is an error."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[Element] = []
        self._open: list[Element] = []
        self.feed(text)
        self.close()
        assert not self._open, f"never closed: {[one.tag for one in self._open]}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute twice: {tag} {names}"
        parent = self._open[-1] if self._open else None
        element = Element(tag, {name: value or "" for name, value in attrs}, parent)
        if parent is not None:
            parent.children.append(element)
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self._open, f"</{tag}> closes nothing"
        assert self._open[-1].tag == tag, f"</{tag}> inside <{self._open[-1].tag}>"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.text += data

    def all(self, *tags: str) -> list[Element]:
        """Return the elements of these names."""
        return [one for one in self.elements if one.tag in tags]
