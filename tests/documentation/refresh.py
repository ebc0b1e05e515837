"""Write into the documents what their steps print now.

    python -m tests.documentation.refresh [PAGE ...]

Lines that are shown are replaced by the printed lines with the same words; ``...`` stays. Where
the words changed, or nothing is shown yet between the fences, the page needs an editor: the
program then says what was printed.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.documentation.blocks import Step, steps
from tests.documentation.compare import aligned
from tests.documentation.running import Session

ROOT = Path(__file__).resolve().parents[2]
TOUR = "scalemodel-tour"


def pages() -> list[Path]:
    """Return the documents that are run: the README and the guide."""
    return [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]


def write_tour(folder: Path) -> None:
    """Write what the documents start from: the tour's folder, with its fit beside the bench."""
    program = Path(sys.executable).parent / "scalemodel"
    subprocess.run([program, "tour", TOUR], cwd=folder, check=True, capture_output=True)


def refresh(page: Path, tour: Path) -> list[str]:
    """Run one page in a copy of the tour's folder, rewrite it, and return what needs an editor."""
    lines = page.read_text(encoding="utf-8").splitlines()
    complaints = []
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(tour, Path(place), dirs_exist_ok=True)
        session = Session(Path(place))
        for step in steps(page):
            printed = session.run(step)
            complaints += _rewritten(lines, step, printed)
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return complaints


def _rewritten(lines: list[str], step: Step, printed: list[str]) -> list[str]:
    if step.shown is None:
        return []
    pairs = aligned(step.shown, printed)
    if isinstance(pairs, str):
        return [f"line {step.shown_at + 1}: {pairs}\n" + "\n".join(printed)]
    for k, real in enumerate(pairs):
        if real is not None:
            lines[step.shown_at + k] = real.rstrip()
    return []


def main(names: list[str]) -> int:
    """Refresh the named pages, or all."""
    chosen = [ROOT / name for name in names] or pages()
    with tempfile.TemporaryDirectory() as place:
        write_tour(Path(place))
        complaints = [f"{page}: {text}" for page in chosen for text in refresh(page, Path(place))]
    print("\n\n".join(complaints))
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
