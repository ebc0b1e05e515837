"""Help answers without loading what only answers need, and its page is up to date."""

import subprocess
import sys
from pathlib import Path

import pytest

import scalemodel
from scalemodel.cli.main import COMMANDS
from scalemodel.cli.reference import command_reference

PAGE = Path(scalemodel.__file__).parent.parent / "docs" / "commands.md"
HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "rich", "sklearn", "statsmodels")

LOADED = """
import sys
from scalemodel.cli.main import run
try:
    run(sys.argv[1:], standalone_mode=True)
except SystemExit as end:
    assert end.code == 0, end.code
print(*(name for name in {heavy!r} if name in sys.modules), file=sys.stderr)
"""


@pytest.mark.parametrize("words", [["--help"], ["--version"], *([name, "-h"] for name in COMMANDS)])
def test_help_loads_no_numbers(words: list[str]) -> None:
    code = LOADED.format(heavy=HEAVY)
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == ""
    assert done.stdout.startswith(("Usage: ", "scalemodel "))


def test_the_page_of_commands_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == command_reference(), (
        "docs/commands.md is out of date: run python -m scalemodel.cli.reference > docs/commands.md"
    )


def test_the_page_has_every_command() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"\n## scalemodel {name}\n" in page


def test_every_module_of_a_command_is_listed() -> None:
    folder = Path(scalemodel.__file__).parent / "cli"
    found = {
        path.stem
        for path in folder.glob("*.py")
        if "@click.command(" in path.read_text(encoding="utf-8")
    }
    assert found == set(COMMANDS)
