"""The what-if panel as a page takes it: small, the same on a rerun, nothing of the bench in it."""

import json

import numpy as np

from scalemodel.answers.fitting import Fit
from scalemodel.views.report.whatif import ASSETS, ten_bits, whatif_panel

#: What the panel may add to the report of a bench of this size, in bytes.
MOST = 1_050_000


def test_it_is_small_and_the_same_on_a_rerun(demo_fit: Fit) -> None:
    panel = whatif_panel(demo_fit)
    assert len(panel.data.encode()) < MOST
    assert len((panel.script + panel.style + panel.markup).encode()) < 60_000
    assert whatif_panel(demo_fit) == panel


def test_names_are_in_the_data_only(demo_fit: Fit) -> None:
    panel = whatif_panel(demo_fit)
    data = json.loads(panel.data)
    assert {start["card"] for start in data["starts"]} == set(demo_fit.labels.cards)
    for name in (*demo_fit.labels.cards, *demo_fit.labels.games, *demo_fit.labels.vendors):
        assert name not in panel.markup
        assert name not in panel.script


def test_four_numbers_in_five_bytes() -> None:
    numbers = np.arange(-512, 512, dtype=np.int16)
    packed = ten_bits(numbers).astype(int)
    upper = np.stack([packed[:, 4] >> k & 3 for k in (0, 2, 4, 6)], axis=1)
    np.testing.assert_array_equal((packed[:, :4] | upper << 8).ravel() - 512, numbers)


def test_the_script_makes_no_markup_and_no_code_from_text() -> None:
    for path in ASSETS.glob("whatif*.js"):
        text = path.read_text(encoding="utf-8")
        for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "eval(", "Function("):
            assert word not in text
