"""House rules: sizes of files and functions, words for the user, no path of one's own machine."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CODE = sorted((ROOT / "scalemodel").rglob("*.py"))
TEXTS = [
    *CODE,
    *sorted((ROOT / "docs").rglob("*.md")),
    *sorted((ROOT / "docs").rglob("*.py")),
    *sorted((ROOT / "notebooks").rglob("*.ipynb")),
    *sorted((ROOT / "datasets").rglob("*.py")),
    *sorted((ROOT / "datasets").rglob("README.md")),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "pyproject.toml",
    ROOT / ".ci" / "run",
]
LONGEST_FILE = 400
LONGEST_BODY = 40

FORBIDDEN = (
    r"bottleneck(ed)? (percent|by \d)",
    r"percent(age)? bottleneck",
    r"\d+ ?% bottleneck",
    r"out of (100|ten|10)\b",
    r"\bper cent of (a )?perfect",
    r"\btier[ -]?list",
    r"\b[SABCDEF][ -]tier\b",
    r"\b(top|mid|low|entry)[ -]tier\b",
    r"\bletter grade",
    r"\bgrade [A-F]\b",
)
"""What results are never turned into: shares of a bottleneck, scores, tiers, grades."""

OWN_MACHINE = (r"/home/\w", r"/Users/\w", r"[A-Z]:\\\\", r"(?<![\w.])/(work|tmp|root|mnt)/\w")


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the lines of a body without its docstring."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


@pytest.mark.parametrize("path", CODE, ids=relative)
def test_files_and_functions_are_short(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert len(source.splitlines()) <= LONGEST_FILE
    long = {f.name: body_lines(f) for f in functions(ast.parse(source))}
    assert {name: lines for name, lines in long.items() if lines > LONGEST_BODY} == {}


def test_a_long_body_is_seen_and_a_docstring_is_not_counted() -> None:
    lines = ["def f():", '    """One', "", '    three."""', *["    x = 1"] * 41]
    (found,) = functions(ast.parse("\n".join(lines)))
    assert body_lines(found) == 41


def found_in_texts(patterns: tuple[str, ...], flags: int = 0) -> list[str]:
    return [
        f"{relative(path)}: {match[0]!r}"
        for path in TEXTS
        for pattern in patterns
        for match in re.finditer(pattern, path.read_text(encoding="utf-8"), flags)
    ]


def test_results_are_not_turned_into_scores() -> None:
    assert found_in_texts(FORBIDDEN, re.IGNORECASE) == []


def test_no_path_of_one_machine() -> None:
    assert found_in_texts(OWN_MACHINE) == []


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        (FORBIDDEN[2], "a 12% bottleneck"),
        (FORBIDDEN[3], "87 out of 100"),
        (FORBIDDEN[6], "an S-tier card"),
        (OWN_MACHINE[0], "/home/someone/bench"),
        (OWN_MACHINE[3], "see /tmp/bench"),
    ],
)
def test_the_patterns_find_what_they_are_for(pattern: str, text: str) -> None:
    assert re.search(pattern, text, re.IGNORECASE)
