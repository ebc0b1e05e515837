"""What an imagined card can be: spans of the specs, architectures to choose, where to start."""

from pathlib import Path

import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.whatif import RELEASE, SPECS, what_if
from scalemodel.data.bench import read_specs
from scalemodel.errors import ScalemodelError
from tests.conftest import HELD_OUT


def test_specs_run_from_half_to_twice_what_was_tested(lab_fit: Fit) -> None:
    specs = what_if(lab_fit, None, 0.8).specs.set_index("spec")
    assert list(specs.index) == list(SPECS)  # no dates on this bench
    tested = lab_fit.bench.cards[lab_fit.bench.cards["card"].isin(lab_fit.labels.cards)]
    for spec in ("shaders", "bandwidth_gbs"):
        assert specs.loc[spec, "low"] == tested[spec].min() / 2
        assert specs.loc[spec, "high"] == tested[spec].max() * 2
    assert specs.loc["cache_mb", "low"] == 0


def test_it_starts_at_a_middle_card_or_at_the_first_unreleased_one(lab_fit: Fit) -> None:
    cards = lab_fit.bench.cards
    alone = what_if(lab_fit, None, 0.8)
    rates = alone.starts["shader_rate"]
    assert (rates < rates[alone.start]).sum() == len(rates) // 2
    sheets = cards[cards["card"] == HELD_OUT].reset_index(drop=True)
    given = what_if(lab_fit, sheets, 0.8)
    assert given.starts["card"].iloc[given.start] == HELD_OUT
    assert HELD_OUT in str(given)
    assert len(given.starts) == len(alone.starts) + 1


def test_every_architecture_can_be_chosen_and_new_ones(demo_fit: Fit, demo_folder: Path) -> None:
    answer = what_if(demo_fit, read_specs(demo_folder / "specs.csv"), 0.8)
    kinds = answer.kinds
    assert set(kinds["architecture"]) == {*demo_fit.labels.architectures, ""}
    new = kinds[kinds["architecture"] == ""]
    assert list(new["vendor"]) == [*demo_fit.labels.vendors, ""]
    assert (new[RELEASE] > max(demo_fit.labels.releases)).all()
    assert answer.specs["spec"].iloc[-1] == RELEASE


def test_a_sheet_with_a_gap_starts_with_what_is_usual(lab_fit: Fit) -> None:
    cards = lab_fit.bench.cards
    sheet = cards[cards["card"] == HELD_OUT].reset_index(drop=True).assign(cache_mb=float("nan"))
    start = what_if(lab_fit, sheet, 0.8).starts.iloc[0]
    assert start["gaps"] == ("cache_mb",)
    assert 0 < start["cache_mb"] < cards["cache_mb"].max() * 2


def test_a_card_that_was_measured_meanwhile_is_a_measured_one(lab_fit: Fit) -> None:
    cards = lab_fit.bench.cards
    sheets = cards[cards["card"] == "Mirel 35"].reset_index(drop=True)
    starts = what_if(lab_fit, sheets, 0.8).starts
    assert (starts["card"] == "Mirel 35").sum() == 1
    assert starts["measured"].all()


def test_a_level_that_is_no_share_is_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match="not between 0 and 1"):
        what_if(lab_fit, None, 1.5)
