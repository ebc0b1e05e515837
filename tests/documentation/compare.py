"""Compare what a document shows with what was printed.

Words must be the same, whatever the spaces between them; a line ``...`` stands for any lines.
Numbers may differ by two in their last place or by 2%, because the last digits of a fit depend on
the machine's arithmetic. A tag, such as a sign for a state, is a word.
"""

import math
import re
from collections.abc import Sequence

_NUMBER = re.compile(r"[−+-]?(?<![\w.,])\d[\d,]*(?:\.\d+)?(?![x\d])")
"""A number that stands alone: neither part of a name nor of a resolution."""

ELISION = "..."
SHARE = 0.02
UNITS = 2.0


def words_of(line: str) -> str:
    """Return a line with one space between words and ``#`` for each number."""
    return _NUMBER.sub("#", " ".join(line.split()))


def numbers_agree(shown: str, printed: str) -> bool:
    """Tell whether two lines with the same words have nearly the same numbers."""
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(printed), strict=True)
    return all(_near(a, b) for a, b in pairs)


def _near(shown: str, printed: str) -> bool:
    unit = 10.0 ** -len(shown.partition(".")[2])
    a, b = (float(text.replace(",", "").replace("−", "-")) for text in (shown, printed))
    return math.isclose(a, b, rel_tol=SHARE, abs_tol=UNITS * unit * 1.0001)


def aligned(shown: Sequence[str], printed: Sequence[str]) -> list[str | None] | str:
    """Return the printed line behind each shown one (None for ``...`` and blank lines).

    Where the two cannot be brought together, return a sentence that says why.
    """
    real = [line for line in printed if line.strip()]
    out: list[str | None] = []
    at, gap = 0, False
    for line in shown:
        if line.strip() in {"", ELISION}:
            gap = gap or line.strip() == ELISION
            out.append(None)
            continue
        found = _place(line, real, at, len(real) if gap else min(at + 1, len(real)))
        if found is None:
            near = real[at] if at < len(real) else "(nothing more)"
            return f"not printed: {line!r}\nprinted next: {near!r}"
        out.append(real[found])
        at, gap = found + 1, False
    if at < len(real) and not gap:
        return f"printed but not shown: {real[at]!r}"
    return out


def _place(line: str, real: Sequence[str], begin: int, end: int) -> int | None:
    """Return where a line was printed: with nearly the same numbers if it was, else with any."""
    alike = [k for k in range(begin, end) if words_of(real[k]) == words_of(line)]
    exact = [k for k in alike if numbers_agree(line, real[k])]
    return next(iter([*exact, *alike]), None)


def difference(shown: Sequence[str], printed: Sequence[str]) -> str:
    """Return how a document differs from what was printed, or an empty text."""
    pairs = aligned(shown, printed)
    if isinstance(pairs, str):
        return pairs
    for line, real in zip(shown, pairs, strict=True):
        if real is not None and not numbers_agree(line, real):
            return f"shown:   {line.strip()!r}\nprinted: {real.strip()!r}"
    return ""
