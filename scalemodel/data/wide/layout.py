"""layout.toml: what a wide sheet does not say itself."""

import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from scalemodel.data.cells import Complaint, parse_id, parse_resolution
from scalemodel.data.problems import ProblemLog, shown

FILE = "layout.toml"
UNKNOWN = "???"
"""Stands in a draft for what the user has to say."""

ROLES = ("game", "preset", "game and preset", "platform", "resolution", "metric", "run", "nothing")
"""What a row or column of headers may hold; resolutions, metrics and runs are found in any."""

SHEET_ROLES = ("game", "preset", "game and preset", "platform", "resolution", "nothing")
NAMES = ("platform", "game", "preset", "resolution")
"""What charts are named by; a key of each gives it to the charts that no header names it for."""

LARGEST = 1 << 20
LINE = 60
"""Characters of a list that a draft writes in one line."""


@dataclass(frozen=True)
class Layout:
    """How the wide sheets of a bench are to be read.

    Attributes:
        names: platform, game, preset or resolution of what no header names it for.
        headers: what each row (or column) of headers holds, from the outside in.
        sheets: what the names of the sheets or files are.
        presets: names of presets, where they stand in one text with the game.
        resolutions: resolutions by the words that the headers have for them.
        ignore: rows, columns and sheets to leave alone, by a text in their headers.
        content: the file, for the digest of the bench; empty without one.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    headers: tuple[str, ...] = ()
    sheets: str = ""
    presets: tuple[str, ...] = ()
    resolutions: Mapping[str, str] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    content: bytes = b""


def read_layout(folder: Path, log: ProblemLog) -> Layout:
    """Read layout.toml of a folder; an empty layout if there is none, or with errors in the log."""
    try:
        with (folder / FILE).open("rb") as stream:
            content = stream.read(LARGEST + 1)
        if len(content) > LARGEST:
            what, allowed = f"the file is larger than {LARGEST >> 20} MiB", "a few lines"
            log.error(FILE, what, allowed, "check that this is the right file")
            return Layout()
        table = tomllib.loads(content.decode("utf-8-sig"))
    except (FileNotFoundError, NotADirectoryError):
        return Layout()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        what = f"the file is not TOML: {shown(str(error), 80)}"
        log.error(FILE, what, 'lines such as platform = "open bench"', "correct the line")
        return Layout()
    except OSError as error:
        what = f"the layout cannot be read ({error.strerror})"
        log.error(FILE, what, "a readable file", "allow reading it or remove it")
        return Layout()
    return _checked(table, content, log)


def _checked(table: Mapping[str, object], content: bytes, log: ProblemLog) -> Layout:
    for key in table:
        if key not in _KEYS:
            what = f"there is no key {shown(key)}"
            log.error(FILE, what, ", ".join(_KEYS), "rename the key or take it out")
    values = {key: check(key, table[key], log) for key, check in _KEYS.items() if key in table}
    names = {key: values.pop(key) for key in NAMES if key in values}
    return Layout(names=names, content=content, **values)  # type: ignore[arg-type]


def _text(key: str, value: object, log: ProblemLog) -> str:
    read = parse_id(value.strip()) if isinstance(value, str) else None
    if read == UNKNOWN:
        what = f'the value of {key} is still "{UNKNOWN}"'
        log.error(FILE, what, "a name", "write the name in its place")
    elif not isinstance(read, str) or not read:
        what = f"the value of {key} is {shown(str(value))}"
        log.error(FILE, what, 'a name in quotes, such as "open bench"', "write it so")
        return ""
    return str(read)


def _resolution(key: str, value: object, log: ProblemLog) -> str:
    read = parse_resolution(value.strip()) if isinstance(value, str) else None
    if read is None or isinstance(read, Complaint) or not read:
        what = f"the value of {key} is {shown(str(value))}"
        log.error(FILE, what, 'width x height, such as "3840x2160"', "write it so")
        return ""
    return str(read)


def _texts(key: str, value: object, log: ProblemLog) -> tuple[str, ...]:
    if not isinstance(value, list):
        what = f"the value of {key} is not a list"
        log.error(FILE, what, f'a list of texts: {key} = ["one", "another"]', "write it so")
        return ()
    return tuple(_text(f"{key}, entry {n},", one, log) for n, one in enumerate(value, start=1))


def _role(key: str, value: object, log: ProblemLog, roles: tuple[str, ...] = SHEET_ROLES) -> str:
    if value in roles:
        return str(value)
    what = f"the value of {key} is {shown(str(value))}"
    log.error(FILE, what, f"one of {', '.join(roles)}", "write what it holds")
    return ""


def _roles(key: str, value: object, log: ProblemLog) -> tuple[str, ...]:
    if not isinstance(value, list) or not value:
        what = f"the value of {key} is not a list"
        log.error(FILE, what, f'a list such as {key} = ["game", "resolution"]', "write it so")
        return ()
    return tuple(_role(f"{key}, entry {n},", v, log, ROLES) for n, v in enumerate(value, start=1))


def _resolutions(key: str, value: object, log: ProblemLog) -> dict[str, str]:
    if not isinstance(value, dict):
        what = f"the value of {key} is not a table"
        allowed = f'a table: {key} = {{ "1440p" = "3440x1440" }}'
        log.error(FILE, what, allowed, "write it so")
        return {}
    found = {
        _text(f"{key}, a word,", word, log): _resolution(f"{key}, {shown(word)},", size, log)
        for word, size in value.items()
    }
    return {word: size for word, size in found.items() if word}


_KEYS: Mapping[str, Callable[[str, object, ProblemLog], object]] = {
    "platform": _text,
    "game": _text,
    "preset": _text,
    "resolution": _resolution,
    "headers": _roles,
    "sheets": _role,
    "presets": _texts,
    "resolutions": _resolutions,
    "ignore": _texts,
}


@dataclass(frozen=True)
class Asked:
    """What a sheet leaves open.

    Attributes:
        names: which of NAMES it does not say, with where that was noticed.
        headers: for each row or column of headers its role if it is known, else "", and in words
            what is in it; empty if nothing about them is open.
        sheets: what the sheets are called, if their role is open.
        ignore: texts over numbers that name no resolution.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    headers: tuple[tuple[str, str], ...] = ()
    sheets: str = ""
    ignore: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.names or self.headers or self.sheets or self.ignore)


_OR = {
    "preset": f'end in the names of presets: presets = ["{UNKNOWN}"]',
    "resolution": f'have words of their own for it: resolutions = {{ "a word" = "{UNKNOWN}" }}',
}
"""How else a name may be given in a draft."""


def draft(asked: list[Asked], layout: Layout) -> str:
    """Write a layout.toml with what is known and a mark where the user has to say it."""
    lines = ["# How the wide sheets of this bench are read."]
    open_names = {key: why for one in reversed(asked) for key, why in one.names.items()}
    for key in NAMES:
        if key in open_names:
            lines += [f"# {open_names[key]}", f'{key} = "{UNKNOWN}"']
            if key in _OR:
                lines.append(f"# or, if headers {_OR[key]}")
        elif key in layout.names:
            lines.append(f"{key} = {_toml(layout.names[key])}")
    lines += _draft_of_headers(asked, layout)
    if layout.presets:
        lines.append(f"presets = {_toml(list(layout.presets))}")
    if layout.resolutions:
        pairs = [f"{_toml(word)} = {_toml(size)}" for word, size in layout.resolutions.items()]
        lines.append(f"resolutions = {{ {', '.join(pairs)} }}")
    more = list(dict.fromkeys(text for one in asked for text in one.ignore))
    if layout.ignore or more:
        if more:
            lines.append(
                "# numbers without a resolution; take out what is a chart, and say its own"
            )
        lines.append(f"ignore = {_toml([*layout.ignore, *more])}")
    return "\n".join(lines)


def _draft_of_headers(asked: list[Asked], layout: Layout) -> list[str]:
    lines = []
    headers = next((one.headers for one in asked if one.headers), ())
    if headers:
        lines += [f"# {words}" for _, words in headers]
        lines.append(f"headers = {_toml([role or UNKNOWN for role, _ in headers])}")
    elif layout.headers:
        lines.append(f"headers = {_toml(list(layout.headers))}")
    sheets = next((one.sheets for one in asked if one.sheets), "")
    if sheets:
        lines += [f"# {sheets}", f'sheets = "{UNKNOWN}"']
    elif layout.sheets:
        lines.append(f"sheets = {_toml(layout.sheets)}")
    if headers or sheets:
        lines.append(f"# each of them one of: {', '.join(ROLES)}")
    return lines


def _toml(value: str | list[str]) -> str:
    """Write a text or a list of texts; JSON and TOML agree on these but for DEL."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    texts = [_toml(text) for text in value]
    short = sum(map(len, texts)) <= LINE
    return f"[{', '.join(texts)}]" if short else "\n".join(["[", *(f"  {t}," for t in texts), "]"])
