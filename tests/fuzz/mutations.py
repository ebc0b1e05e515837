"""What is done to a sound file: to its bytes, its text, its cells, rows, columns and header."""

from collections.abc import Callable
from random import Random

Rows = list[list[str]]

CELLS = (
    "", " ", "nan", "inf", "-inf", "1e999", "-1e-999", "=1+1", "@SUM(A1)", "+1", "-5", "0", "0.0",
    "1,5", "1.234,5", "1,234.5", "1 234", "0x10", "1_000", "१२३", "１２３", "½", "1e5", "60.5", "7",
    "yes", "no", "ja", "TRUE", "2560x1440", "2560×1440", "0x0", "99999x99999", "1920X1080", "x",
    "2026-02-30", "0000-00-00", "2026", "2026-3-4", "9999-12-31", "s", "ms stamp", "null", "None",
    "../../etc/passwd", "/etc/passwd", "frames/..", "a\\b", "log.csv", ".", "..", "~", "CON",
    "<script>alert(1)</script>", "{{7*7}}", "[bold]x[/bold]", "$\\frac{", "%s%n", "'; --", '"',
    '""', "\x1b[31mred", "\x07", "a\nb", "a\r\nb", "\t", "\0", "\u202egnp", "\u200b", "\ufeff",
    "\u2028", "👩‍🚀", "🙂", "e\u0301", "\u0301" * 200, "\u0316\u0301" * 3000, "9" * 400,
    "9" * 5000 + "x", "1" * 40_000 + "y", "." * 3000, "name " * 2000,
    "Ostra 4", "Mirel 10", "Halvor A", "Game 1",
)  # fmt: skip
"""Cells that some program, somewhere, has taken badly."""

PIECES = (
    b",", b";", b"\t", b'"', b'""', b"\n", b"\r", b"\r\n", b"\0", b"\xff", b"\xef\xbb\xbf", b"=",
    b"-", b" ", b"1e999", b"nan", b"card", b"\xe2\x80\x8b", b"|", b"yes", b"\xc3\x97", b"<", b"&a;",
    b"\xff\xff\xff\x7f", b"\x00\x00\x00\x80", b"PAR1", b"PK\x03\x04", b"\x1f\x8b", b"{", b"}", b"[",
    b"]", b":", b"null", b"\x80" * 9, b"9" * 30, b"1e308", b"\xed\xa0\x80",
)  # fmt: skip


def mutated_bytes(rng: Random, content: bytes) -> bytes:
    """Damage a file of any kind in one to six places."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        end = min(len(data), at + rng.choice((0, 1, 1, 4, 16, 256)))
        match rng.randrange(7):
            case 0:
                data[at:end] = rng.choice(PIECES)
            case 1:
                data[at:at] = rng.choice(PIECES)
            case 2:
                del data[at:end]
            case 3:
                data[at:at] = data[at:end] * rng.choice((1, 2, 50))
            case 4:
                data[at:end] = rng.randbytes(end - at)
            case 5 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case _:
                if rng.random() < 0.2:
                    del data[at:]
    return bytes(data)


def _cells(rng: Random, rows: Rows) -> Rows:
    for _ in range(rng.choice((1, 1, 2, 5))):
        row = rng.choice(rows[1:] or rows)
        if row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
    return rows


def _column_of_cells(rng: Random, rows: Rows) -> Rows:
    at, cell = rng.randrange(len(rows[0]) or 1), rng.choice(CELLS)
    return [rows[0], *([*row[:at], cell, *row[at + 1 :]] for row in rows[1:])]


def _drop_row(rng: Random, rows: Rows) -> Rows:
    del rows[rng.randrange(len(rows))]
    return rows


def _repeat_rows(rng: Random, rows: Rows) -> Rows:
    row = rng.choice(rows)
    return [*rows, *([*row] for _ in range(rng.choice((1, 3, 30, 1500))))]


def _shuffle(rng: Random, rows: Rows) -> Rows:
    body = rows[1:]
    rng.shuffle(body)
    return [rows[0], *body]


def _few_rows(rng: Random, rows: Rows) -> Rows:
    return rows[: rng.randrange(len(rows) + 1)]


def _blank_rows(rng: Random, rows: Rows) -> Rows:
    at = rng.randrange(len(rows) + 1)
    return [*rows[:at], *([] for _ in range(rng.choice((1, 5)))), *rows[at:]]


def _wider_row(rng: Random, rows: Rows) -> Rows:
    rng.choice(rows).extend(rng.choice(CELLS) for _ in range(rng.choice((1, 2, 40))))
    return rows


def _drop_column(rng: Random, rows: Rows) -> Rows:
    at = rng.randrange(len(rows[0]) or 1)
    return [[*row[:at], *row[at + 1 :]] for row in rows]


def _more_columns(rng: Random, rows: Rows) -> Rows:
    names = [rng.choice((*CELLS, *rows[0])) for _ in range(rng.choice((1, 2, 30)))]
    return [[*rows[0], *names], *([*row, *(rng.choice(CELLS) for _ in names)] for row in rows[1:])]


def _swap_columns(rng: Random, rows: Rows) -> Rows:
    order = list(range(len(rows[0])))
    rng.shuffle(order)
    return [[row[i] for i in order if i < len(row)] for row in rows]


def _header(rng: Random, rows: Rows) -> Rows:
    if rows[0]:
        at = rng.randrange(len(rows[0]))
        name = rows[0][at]
        spelt = (name.upper(), f" {name} ", name[:-1], f"{name}s", name.replace("_", " "), "row")
        rows[0][at] = rng.choice((*spelt, *CELLS, *rows[0]))
    return rows


def _many_columns(rng: Random, rows: Rows) -> Rows:
    extra = [f"c{i}" for i in range(rng.choice((200, 3000)))]
    return [[*rows[0], *extra], *rows[1:]]


CHANGES: tuple[Callable[[Random, Rows], Rows], ...] = (
    _cells, _cells, _cells, _cells, _column_of_cells, _drop_row, _repeat_rows, _shuffle, _few_rows,
    _blank_rows, _wider_row, _drop_column, _more_columns, _swap_columns, _header, _many_columns,
)  # fmt: skip


def mutated_rows(rng: Random, rows: Rows) -> Rows:
    """Change cells, rows, columns or the header of a table in one to three ways."""
    found = [[*row] for row in rows]
    for _ in range(rng.choice((1, 1, 2, 3))):
        if found and found[0]:
            found = rng.choice(CHANGES)(rng, found)
    return found


def _quoted(cell: str, delimiter: str) -> str:
    if any(sign in cell for sign in (delimiter, '"', "\n", "\r")):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def written(rng: Random, rows: Rows) -> bytes:
    """Write rows as some program somewhere might: its delimiter, line ends and encoding."""
    usual = rng.random() < 0.6
    delimiter = "," if usual else rng.choice(",;\t|")
    end = "\n" if usual else rng.choice(("\n", "\r\n", "\r", "\n\n"))
    text = "".join(delimiter.join(_quoted(c, delimiter) for c in row) + end for row in rows)
    if rng.random() < 0.1:
        text = text.replace(".", ",")
    encoding = "utf-8" if usual else rng.choice(("utf-8-sig", "utf-16", "latin-1", "cp1252"))
    return text.encode(encoding, errors="replace")
