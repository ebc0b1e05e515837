"""Every notebook runs from top to bottom, and is kept without outputs."""

import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))

RUN = """
import sys
import nbformat
from nbclient import NotebookClient
notebook = nbformat.read(sys.argv[1], as_version=4)
NotebookClient(notebook, timeout=300, kernel_name="python3").execute()
"""
"""In a process of its own: a kernel's event loop and sockets do not belong in a test run."""


def test_there_is_a_notebook() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_the_notebook_runs(path: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(path)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_the_notebook_is_kept_without_outputs(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
