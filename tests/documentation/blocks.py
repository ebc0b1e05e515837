"""The fenced blocks of a document, and the steps in them that can be run."""

import re
from dataclasses import dataclass
from pathlib import Path

_FENCE = re.compile(r"^```(\w*)\s*$")
_STATUS = re.compile(r"#\s*exit status (\d+)\s*$")
INSTALLS = "pip install"
"""Blocks with these words prepare a machine and are not run here."""


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, its lines, and the line of the file that the first one is."""

    language: str
    lines: tuple[str, ...]
    start: int


@dataclass(frozen=True)
class Step:
    """One thing to run, and what the document shows that it prints.

    Attributes:
        kind: "shell" or "python".
        code: the command or the snippet.
        shown: the lines shown, or None where the document shows none.
        shown_at: index, in the lines of the file, of the first shown line.
        status: the exit status of a command that the document expects.
    """

    kind: str
    code: str
    shown: tuple[str, ...] | None
    shown_at: int
    status: int = 0


def blocks(text: str) -> list[Block]:
    """Return the fenced blocks of a document."""
    found: list[Block] = []
    language, start, lines = "", -1, []
    for number, line in enumerate(text.splitlines()):
        fence = _FENCE.match(line)
        if fence and start < 0:
            language, start, lines = fence[1], number + 1, []
        elif line.rstrip() == "```":
            found.append(Block(language, tuple(lines), start))
            start = -1
        elif start >= 0:
            lines.append(line)
    return found


def steps(path: Path) -> list[Step]:
    """Return what can be run in a document, in order."""
    found: list[Step] = []
    all_blocks = blocks(path.read_text(encoding="utf-8"))
    for number, block in enumerate(all_blocks):
        code = "\n".join(block.lines)
        if INSTALLS in code:
            continue
        if block.language == "sh":
            found.append(Step("shell", code, None, block.start))
        elif block.language == "console":
            found += _commands(block)
        elif block.language == "python":
            found.append(_snippet(block, all_blocks[number + 1 : number + 2]))
    return found


def _commands(block: Block) -> list[Step]:
    """Split a console block into its commands, each with the lines shown below it."""
    starts = [k for k, line in enumerate(block.lines) if line.startswith("$ ")]
    found = []
    for first, after in zip(starts, [*starts[1:], len(block.lines)], strict=True):
        command = block.lines[first][2:]
        status = _STATUS.search(command)
        shown = block.lines[first + 1 : after]
        found.append(
            Step(
                "shell",
                command,
                shown or None,
                block.start + first + 1,
                int(status[1]) if status else 0,
            )
        )
    return found


def _snippet(block: Block, after: list[Block]) -> Step:
    """Take a text block that directly follows a snippet as what the snippet prints."""
    end = block.start + len(block.lines)
    if after and after[0].language == "text" and after[0].start <= end + 3:
        return Step("python", "\n".join(block.lines), after[0].lines, after[0].start)
    return Step("python", "\n".join(block.lines), None, end)
