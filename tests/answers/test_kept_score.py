"""A score is kept beside the bench, and found by whoever asks the same again."""

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest

from scalemodel.answers import score as score_module
from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.kept_score import KIND, kept_score, score_cached
from scalemodel.answers.report import report
from scalemodel.answers.score import Score
from scalemodel.answers.workers import Cores
from scalemodel.data.kept_tables import save_tables
from scalemodel.data.store import FOLDER
from tests.answers import small_lab
from tests.answers.test_score import FOUR, SMALL


@pytest.fixture(scope="module")
def scored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Fit, Score]:
    lab = small_lab.simulate(SMALL)
    others = tuple(set(lab.cards["card"]) - set(FOUR))
    found = fit(lab.bench(tmp_path_factory.mktemp("kept") / "bench", without=others))
    return found, score_cached(found, 0.8, "each", "", Cores(1))


def same(a: Score, b: Score) -> bool:
    for one in fields(Score):
        x, y = getattr(a, one.name), getattr(b, one.name)
        if isinstance(x, pd.DataFrame):
            pd.testing.assert_frame_equal(x, y, check_exact=True)
        elif x != y:
            return False
    return str(a) == str(b)


def no_work(*_: object) -> None:
    raise AssertionError("scored again")


def test_the_same_question_is_not_worked_out_again(
    scored: tuple[Fit, Score], monkeypatch: pytest.MonkeyPatch
) -> None:
    found, answer = scored
    monkeypatch.setattr(score_module, "hold_out", no_work)
    assert same(score_cached(found, 0.8, "each", ""), answer)
    kept = kept_score(found, 0.8)
    assert kept is not None
    assert same(kept, answer)


@pytest.mark.parametrize(
    "asked",
    [(0.5, "each"), (0.8, "largest"), (0.8, "each", "Game 1"), (0.8, "each", "", "game")],
)
def test_another_question_has_no_kept_answer(
    scored: tuple[Fit, Score], asked: tuple[float, str, *tuple[str, ...]]
) -> None:
    assert kept_score(scored[0], *asked) is None


def damaged(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def removed(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("spoil", [damaged, removed])
def test_a_spoilt_file_is_as_good_as_none(
    scored: tuple[Fit, Score], spoil: Callable[[Path], None]
) -> None:
    found, answer = scored
    (path,) = (Path(found.bench.source) / ".scalemodel").glob("*.score")
    whole = path.read_bytes()
    spoil(path)
    assert kept_score(found, 0.8) is None
    assert report(found).scores == {}
    path.write_bytes(whole)
    assert report(found).scores["each"].cards.equals(answer.cards)


def test_a_bench_that_is_not_a_folder_keeps_nothing(scored: tuple[Fit, Score]) -> None:
    from dataclasses import replace

    found, _ = scored
    gone = replace(found, bench=replace(found.bench, source="nowhere"))
    assert kept_score(gone, 0.8) is None


def test_a_forged_score_is_not_used(scored: tuple[Fit, Score]) -> None:
    found, answer = scored
    (kept,) = (found.bench.folder / FOLDER).glob(f"*.{KIND}")
    before = kept.read_bytes()
    tables = {one.name: getattr(answer, one.name) for one in fields(Score)}
    about = {name: tables.pop(name) for name in ("level", "held_out", "scene")}
    for forged in (
        {**tables, "summary": answer.summary.drop(columns="method")},
        {name: table for name, table in tables.items() if name != "cards"},
        {**tables, "more": answer.cards},
    ):
        assert save_tables(found.bench.folder, kept.stem, forged, about, KIND)
        assert kept_score(found, 0.8) is None
    assert save_tables(found.bench.folder, kept.stem, tables, {**about, "level": "x"}, KIND)
    assert kept_score(found, 0.8) is None
    kept.write_bytes(before)
    assert kept_score(found, 0.8) is not None
