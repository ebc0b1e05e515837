"""The same work by processes here and by a Dask cluster; a cluster that is not there."""

import builtins
import os
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from joblib import Parallel, delayed, parallel_config

import scalemodel as sm
from scalemodel.answers.fitting import Fit
from scalemodel.answers.workers import Cluster, Cores
from scalemodel.errors import ScalemodelError
from tests.answers import small_lab
from tests.answers.test_score import FOUR, SMALL, assert_same, only

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50
    ) as two:
        yield two


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    return only(small_lab.simulate(SMALL), tmp_path_factory.mktemp("four"), FOUR)


def add(shared: int, item: int) -> int:
    if item < 0:
        raise ScalemodelError(f"{item} is below zero")
    return shared + item


@pytest.mark.parametrize("jobs", [1, 2])
def test_answers_come_in_the_order_asked(jobs: int) -> None:
    done: list[int] = []
    assert Cores(jobs).map(add, 10, [3, 1, 2], lambda: done.append(1)) == [13, 11, 12]
    assert len(done) == 3
    with pytest.raises(ScalemodelError, match="-1 is below zero"):
        Cores(jobs).map(add, 10, [3, -1])


def test_two_processes_of_a_cluster_give_the_same_answer(whole: Fit, cluster: Any) -> None:
    with Cluster(cluster.scheduler_address) as team:
        there = whole.score(workers=team)
    assert_same(there, whole.score(workers=Cores(1)))


def test_an_error_of_the_work_is_the_users(cluster: Any) -> None:
    with (
        Cluster(cluster.scheduler_address) as team,
        pytest.raises(ScalemodelError, match="-1 is below zero"),
    ):
        team.map(add, 10, [3, -1])


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nowhere", "tcp://127.0.0.1:99999"])
def test_an_address_where_nothing_answers(address: str) -> None:
    with pytest.raises(ScalemodelError) as told:
        Cluster(address)
    assert str(told.value) == (
        f'No Dask scheduler answers at "{address}". Allowed: an address such as '
        "tcp://10.0.0.5:8786. Fix: start one with `dask scheduler` and `dask worker`, or correct "
        "the address."
    )


def test_a_listener_that_is_no_scheduler(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scalemodel.answers.workers.PATIENCE_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(ScalemodelError, match=f'No Dask scheduler answers at "{address}"'):
            Cluster(address)


def test_workers_that_run_another_version(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scalemodel.answers.workers.code_digest", lambda: str(os.getpid()))
    with pytest.raises(ScalemodelError, match="do not run this version of scalemodel"):
        Cluster(cluster.scheduler_address)


def test_a_scheduler_without_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scalemodel.answers.workers.PATIENCE_S", 1)
    with distributed.LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50) as empty:
        address = empty.scheduler_address
        with pytest.raises(ScalemodelError, match=f'The Dask scheduler at "{address}" has no'):
            Cluster(address)


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "distributed":
            raise ImportError(name)
        return usual(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ScalemodelError) as told:
        Cluster("tcp://127.0.0.1:8786")
    assert str(told.value) == (
        "Workers elsewhere need Dask, which is not installed. Fix: pip install 'scalemodel[dask]'"
    )


def test_the_folder_of_a_bench_need_not_be_there(whole: Fit, tmp_path: Path) -> None:
    """Workers get the cells, not the path: a bench on one machine is enough."""
    lab = small_lab.simulate(SMALL)
    here = only(lab, tmp_path / "bench", FOUR)
    for file in (tmp_path / "bench").iterdir():
        file.unlink()
    (tmp_path / "bench").rmdir()
    assert str(here.score(workers=Cores(1))) == str(whole.score(workers=Cores(1)))


def fitted(path: str) -> tuple[str, bytes]:
    """Return the digest of a bench and the bits of a fit of it."""
    bench = sm.read_bench(path)
    fit = sm.fit(bench)
    return bench.digest, fit.table.to_json().encode() + fit.model.draws.theta.tobytes()


def test_many_benches_fitted_on_a_cluster_through_joblib_are_the_same(
    tmp_path: Path, cluster: Any
) -> None:
    paths = []
    for seed in (1, 2):
        lab = small_lab.simulate(replace(SMALL, seed=seed))
        paths.append(lab.bench(tmp_path / str(seed)).source)
    here = [fitted(path) for path in paths]
    with distributed.Client(cluster), parallel_config("dask"):
        there = Parallel()(delayed(fitted)(path) for path in paths)
    assert there == here
    assert here[0] != here[1]
