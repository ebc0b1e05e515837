"""Hooks of the site: its navigation is docs/index.md, and links between files become titles.

A page has one line in one of the tables of index.md. On the site the heading above the table is
the section and the text of the link is the title. Where a page calls another by the name of its
file, the site shows that title; a link to a file of the repository that is not a page is shown
without the link.
"""

import posixpath
import re
from pathlib import Path
from typing import Any

INDEX = "index.md"
_HEADING = re.compile(r"^## (.+)$")
_LISTED = re.compile(r"^\| \[([^\]]+)\]\(([^)#\s]+\.md)\) \|")
_LINK = re.compile(r"(?<!!)\[([^\]]+)\]\(([^)#\s:]+)((?:#[^)\s]*)?)\)")


def sections(index: str) -> dict[str, list[tuple[str, str]]]:
    """Return the titles and paths of the pages that index.md lists under each heading."""
    found: dict[str, list[tuple[str, str]]] = {}
    heading = ""
    for line in index.splitlines():
        if title := _HEADING.match(line):
            heading = title[1]
        elif page := _LISTED.match(line):
            found.setdefault(heading, []).append((page[1], page[2]))
    return found


def navigation(index: str) -> list[dict[str, Any]]:
    """Return the navigation: the guide itself, then a section a heading of index.md."""
    listed = sections(index).items()
    return [
        {"The guide": INDEX},
        *({heading: [{title: path} for title, path in pages]} for heading, pages in listed),
    ]


def for_the_site(text: str, page: str, titles: dict[str, str]) -> str:
    """Return a page with the names of files in its links replaced by the titles of pages.

    Args:
        text: the page in Markdown.
        page: its path within docs.
        titles: titles by such paths.
    """

    def shown(link: re.Match[str]) -> str:
        words, target, anchor = link.groups()
        path = posixpath.normpath(posixpath.join(posixpath.dirname(page), target))
        if path.startswith(".."):
            return words
        named = words.endswith(".md") and path in titles
        return f"[{titles[path] if named else words}]({target}{anchor})"

    return _LINK.sub(shown, text)


def on_config(config: Any) -> Any:
    """Take the navigation from index.md."""
    config.nav = navigation((Path(config.docs_dir) / INDEX).read_text(encoding="utf-8"))
    return config


def on_page_markdown(markdown: str, *, page: Any, config: Any, files: Any) -> str:
    """Show titles for the names of files."""
    del files
    listed = (Path(config.docs_dir) / INDEX).read_text(encoding="utf-8")
    titles = {path: title for pages in sections(listed).values() for title, path in pages}
    return for_the_site(markdown, page.file.src_uri, titles)
