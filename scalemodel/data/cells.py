"""Read one cell: text to id, number, flag, resolution or date, or a complaint in words."""

import datetime
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.problems import shown
from scalemodel.data.schema import Column

CORRECT = "correct the cell or delete the row"

LONGEST_ID = 250
"""Characters of a name: more fit no table and no figure."""


@dataclass(frozen=True)
class Complaint:
    """Why a cell cannot be used, and what to do."""

    what: str
    fix: str = CORRECT


Parsed = str | float | bool | None | Complaint
"""None stands for an empty cell of a number column."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_PLAIN = b"0123456789."
_SWAP = str.maketrans(",.", ".,")
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)
_RESOLUTION = re.compile(r"(\d{1,5})\s*[xX×]\s*(\d{1,5})", re.ASCII)
_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", re.ASCII)
_YES = frozenset({"yes", "true", "1", "on"})
_NO = frozenset({"no", "false", "0", "off", ""})


def parser(column: Column, decimal: str) -> Callable[[str], Parsed]:
    """Give the function that reads one stripped cell of this column."""
    match column.kind:
        case "id":
            return parse_id
        case "number":
            return lambda text: parse_number(text, column, decimal)
        case "flag":
            return parse_flag
        case "resolution":
            return parse_resolution
        case "date":
            return parse_date
        case "choice":
            return lambda text: parse_choice(text, column)
        case _:
            return lambda text: text


def parse_id(text: str) -> Parsed:
    """Keep an id as text: composed Unicode, every kind of space a plain one."""
    if len(text) > LONGEST_ID:
        what = f"{shown(text)} has {len(text):,} characters; a name has {LONGEST_ID} at most"
        return Complaint(what, "shorten the name")
    name = unicodedata.normalize("NFC", text)
    if not name.isprintable():
        name = "".join(" " if unicodedata.category(c) == "Zs" else c for c in name)
        if not name.isprintable():
            return Complaint(f"{shown(text)} holds a line break or an invisible character")
    return name


def parse_number(text: str, column: Column, decimal: str) -> Parsed:
    """Read a finite decimal number within the limits of its column."""
    if not text:
        return None
    if text.startswith("="):
        return Complaint(f"{shown(text)} is a formula", "save the file with values")
    plain = text.translate(_SWAP) if decimal == "," else text
    if not _NUMBER.fullmatch(plain):
        return _not_a_number(text, decimal)
    number = float(plain)
    if number < column.low or (column.low_open and number == column.low):
        return Complaint(f"{shown(text)} is too small")
    if number > column.high:
        return Complaint(f"{shown(text)} is too large")
    return number


def plain_numbers(cells: Sequence[str], column: Column) -> NDArray[np.float64] | None:
    """Read a whole column of digits and points at once, many times faster than cell by cell.

    None if `parse_number` has to look at the cells: one is empty, written in another way or out of
    the limits of the column.
    """
    try:
        if "".join(cells).encode().translate(None, _PLAIN):
            return None
        numbers = np.array(list(map(float, cells)))
    except ValueError:
        return None
    low = numbers > column.low if column.low_open else numbers >= column.low
    return numbers if (low & (numbers <= column.high)).all() else None


def _not_a_number(text: str, decimal: str) -> Complaint:
    if _NOT_FINITE.fullmatch(text):
        fix = "write the number, or leave the cell empty where that is allowed"
        return Complaint(f"{shown(text)} is not a finite number", fix)
    other, name = (",", "point") if decimal == "." else (".", "comma")
    if _NUMBER.fullmatch(text.replace(",", "").replace(".", "")) and other in text:
        fix = f"write the number with a decimal {name} and no thousands separator"
        return Complaint(f"{shown(text)} is not a number with a decimal {name}", fix)
    return Complaint(f"{shown(text)} is not a number")


def parse_flag(text: str) -> Parsed:
    """Read yes or no; an empty cell is no."""
    word = text.lower()
    if word in _YES or word in _NO:
        return word in _YES
    return Complaint(f"{shown(text)} is neither yes nor no")


def parse_choice(text: str, column: Column) -> Parsed:
    """Read one of a few words; an empty cell stays empty."""
    word = " ".join(text.lower().split())
    if not word or word in column.choices:
        return word
    return Complaint(f"{shown(text)} is not one of the words allowed")


def parse_resolution(text: str) -> Parsed:
    """Read a resolution and write it the one way, WxH."""
    match = _RESOLUTION.fullmatch(text)
    if text and not (match and int(match[1]) and int(match[2])):
        return Complaint(f"{shown(text)} is not a resolution")
    return f"{int(match[1])}x{int(match[2])}" if match else ""


def parse_date(text: str) -> Parsed:
    """Check a day, month or year of the calendar; the text is kept."""
    if not text:
        return text
    match = _DATE.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        datetime.date(int(match[1]), int(match[2] or 1), int(match[3] or 1))
    except ValueError:
        return Complaint(f"{shown(text)} is not a date")
    return text
