"""A few hundred mutated files and commands of docs/benchmarks/fuzz.py: each is read or refused."""

import pytest

from tests.fuzz.running import FINE, TARGETS, run_case

CASES = dict.fromkeys(TARGETS, 40) | {"command": 12, "kept file": 20, "bench, workbook": 20}


@pytest.mark.parametrize("target", TARGETS)
def test_mutated_input_is_read_or_refused(target: str) -> None:
    outcomes = [run_case(target, 1_000_000 + number) for number in range(CASES[target])]
    assert [one for one in outcomes if one.ending not in FINE] == []
    assert {one.ending for one in outcomes} >= (
        {"accepted"} if target == "kept file" else set(FINE)
    )
