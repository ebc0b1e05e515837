"""Fits that many tests look at, done once a session."""

from importlib.resources import files
from pathlib import Path

import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.data.bench import read_bench
from tests.answers import money_lab, small_lab

HELD_OUT = "Mirel 45"


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    return Path(str(files("scalemodel") / "demo"))


@pytest.fixture(scope="session")
def demo_fit(demo_folder: Path) -> Fit:
    return fit(read_bench(demo_folder))


@pytest.fixture(scope="session")
def lab() -> small_lab.Lab:
    return small_lab.simulate()


@pytest.fixture(scope="session")
def lab_fit(lab: small_lab.Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """Fit the small lab without the results of one card."""
    return fit(lab.bench(tmp_path_factory.mktemp("lab"), without=(HELD_OUT,)))


@pytest.fixture(scope="session")
def money() -> money_lab.MoneyLab:
    return money_lab.money_lab()


@pytest.fixture(scope="session")
def money_fit(money: money_lab.MoneyLab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """Fit the small lab with power and prices, without the results of one card."""
    folder = money.write(tmp_path_factory.mktemp("money"), without=(HELD_OUT,))
    return fit(read_bench(folder))
