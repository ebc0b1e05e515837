"""The fit kept beside a bench: used when it is the right one, and never trusted otherwise."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from scalemodel.answers import fitting
from scalemodel.answers.fitting import Fit, fit_cached
from scalemodel.data.bench import read_bench
from scalemodel.data.store import load_arrays, save_arrays
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import Settings, simulate


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bench of one game at one resolution, which is fitted in a moment."""
    use = Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",), runs=2)
    return simulate(use).write(tmp_path / "bench")


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Count fits that are really done."""
    done: list[object] = []
    real = fitting.fit_model

    def counted(*args: Any) -> object:
        done.append(args)
        return real(*args)

    monkeypatch.setattr(fitting, "fit_model", counted)
    return done


def ask(folder: Path, **options: Any) -> Fit:
    return fit_cached(read_bench(folder), **options)


def stored(folder: Path) -> list[Path]:
    return sorted((folder / ".scalemodel").glob("*.fit"))


def same(a: Fit, b: Fit) -> bool:
    return bool(
        np.array_equal(a.model.draws.theta, b.model.draws.theta)
        and a.ceilings().table.equals(b.ceilings().table)
        and a.left_out.equals(b.left_out)
        and str(a) == str(b)
    )


def test_a_second_question_does_not_fit_again(folder: Path, fits: list[object]) -> None:
    first, second = ask(folder), ask(folder)
    assert len(fits) == 1
    assert same(first, second)
    assert len(stored(folder)) == 1


def test_the_place_of_a_bench_does_not_matter(folder: Path, fits: list[object]) -> None:
    first = ask(folder)
    moved = folder.rename(folder.with_name("elsewhere"))
    assert same(first, ask(moved))
    assert len(fits) == 1


@pytest.mark.parametrize("options", [{"seed": 1}, {"metric": "low_1pct"}])
def test_other_settings_are_other_fits(
    folder: Path, fits: list[object], options: dict[str, Any]
) -> None:
    text = (folder / "results.csv").read_text().splitlines()
    lows = [f"{line},{float(line.rsplit(',', 1)[1]) * 0.8}" for line in text[1:]]
    (folder / "results.csv").write_text("\n".join([text[0] + ",low_1pct_fps", *lows, ""]))
    ask(folder)
    ask(folder, **options)
    assert len(fits) == 2


def test_changed_content_is_fitted_again(folder: Path, fits: list[object]) -> None:
    first = ask(folder)
    text = (folder / "results.csv").read_text()
    head, row, rest = text.split("\n", 2)
    changed = f"{row.rsplit(',', 1)[0]},27.5"
    assert changed != row
    (folder / "results.csv").write_text(f"{head}\n{changed}\n{rest}")
    assert not same(first, ask(folder))
    assert len(fits) == 2


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[:0],
        lambda content: content[:-10],
        lambda content: content[:200] + bytes([content[200] ^ 1]) + content[201:],
        lambda content: content[::-1],
    ],
)
def test_a_damaged_file_is_fitted_again(folder: Path, fits: list[object], damage: Any) -> None:
    first = ask(folder)
    (file,) = stored(folder)
    sound = file.read_bytes()
    file.write_bytes(damage(sound))
    assert same(first, ask(folder))
    assert len(fits) == 2
    assert file.read_bytes() == sound  # and is whole again


def test_a_file_of_something_else_is_fitted_again(folder: Path, fits: list[object]) -> None:
    first = ask(folder)
    key = stored(folder)[0].stem
    assert save_arrays(folder, key, {"theta": np.zeros(3)}, {"status": "converged"})
    assert same(first, ask(folder))
    assert len(fits) == 2


def test_another_benchs_file_under_this_name_is_fitted_again(
    folder: Path, fits: list[object], tmp_path: Path
) -> None:
    use = Settings(ceilings={"Game 1": 150.0}, resolutions=("1920x1080",), runs=2)
    other = simulate(use).write(tmp_path / "other")
    ask(other)
    first = ask(folder)
    stored(folder)[0].write_bytes(stored(other)[0].read_bytes())
    assert same(first, ask(folder))
    assert len(fits) == 3


def test_where_nothing_can_be_written_it_works_all_the_same(
    folder: Path, fits: list[object]
) -> None:
    # A file in the place of the store's folder stops everybody, whatever their permissions.
    (folder / ".scalemodel").write_text("not a folder")
    assert same(ask(folder), ask(folder))
    assert len(fits) == 2
    assert (folder / ".scalemodel").read_text() == "not a folder"


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("kept", lambda old: old.astype("U9")),
        ("needs", lambda old: old.astype("U9")),
        ("theta", lambda old: old * np.nan),
        ("draws_theta", lambda old: old[:-1]),
        ("scales", lambda _old: "x"),
        ("log_sd", lambda old: {**old, "noise": None}),
        ("scales", lambda old: {"noise": old["noise"]}),
        ("rounds", lambda _old: []),
    ],
)
def test_a_forged_fit_is_fitted_again(
    folder: Path, fits: list[object], name: str, make: Callable[[Any], object]
) -> None:
    first = ask(folder)
    (kept,) = stored(folder)
    found = load_arrays(folder, kept.stem)
    assert found is not None
    arrays, meta = dict(found[0]), dict(found[1])
    part: dict[str, Any] = arrays if name in arrays else meta
    part[name] = make(part[name])
    assert save_arrays(folder, kept.stem, arrays, meta)
    assert same(first, ask(folder))
    assert len(fits) == 2


ASK = """
import sys
from scalemodel.answers.fitting import fit_cached
from scalemodel.data.bench import read_bench
print(fit_cached(read_bench(sys.argv[1])).ceilings().table.to_csv())
"""


def test_two_processes_at_once_have_the_same_answer(folder: Path, fits: list[object]) -> None:
    command = [sys.executable, "-c", ASK, str(folder)]
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    both = [
        subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    one, two = (process.communicate()[0] for process in both)
    assert [process.returncode for process in both] == [0, 0]
    assert one == two
    assert one == ask(folder).ceilings().table.to_csv() + "\n"
    assert fits == []  # what they stored is sound
    assert [file.name for file in (folder / ".scalemodel").iterdir()] == [stored(folder)[0].name]


def test_too_little_to_fit_is_one_message(folder: Path) -> None:
    text = (folder / "results.csv").read_text().splitlines()
    (folder / "results.csv").write_text("\n".join([*text[:5], ""]))
    with pytest.raises(ScalemodelError) as caught:
        ask(folder)
    assert str(caught.value) == (
        f"{folder}: 2 cell(s) of 2 card(s) are too few to fit. Needed: at least 6 cells of "
        "3 cards. Add results of more cards."
    )


def test_unknown_and_missing_metrics_are_one_message(folder: Path) -> None:
    with pytest.raises(ScalemodelError) as caught:
        ask(folder, metric="median")
    assert str(caught.value) == ('"median" is not a metric. Allowed: average, low_1pct, low_01pct.')
    with pytest.raises(ScalemodelError) as caught:
        ask(folder, metric="low_1pct")
    assert str(caught.value) == (
        f"{folder}: no run has low_1pct_fps. Fill that column of results, or ask for another "
        "metric."
    )
