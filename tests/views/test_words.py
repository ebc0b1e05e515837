import math

import pytest

from scalemodel.views.words import (
    ceiling_words,
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    probability_words,
    rate_words,
    resolution_order,
    short_name,
    short_range_words,
    short_scene,
    shortened,
)


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.482, "0.48"),
        (7.04, "7.04"),
        (9.996, "10.0"),
        (99.94, "99.9"),
        (99.96, "100"),
        (143.5, "144"),
        (1234.4, "1,234"),
    ],
)
def test_rates_have_three_digits_below_1000(rate: float, words: str) -> None:
    assert rate_words(rate) == words


def test_a_bounded_ceiling_is_never_written_as_a_number_of_its_own() -> None:
    assert ceiling_words(math.nan, 310.0, math.nan) == "above 310"
    assert ceiling_words(232.0, 228.4, 236.4) == "232 (228–236)"
    assert ceiling_words(math.nan, math.nan, math.nan) == "unknown"


@pytest.mark.parametrize(
    ("lead", "words"),
    [(0.123, "+12.3%"), (-0.0512, "−5.1%"), (-0.0001, "+0.0%"), (0.0, "+0.0%"), (1.5, "+150.0%")],
)
def test_leads_are_signed_percentages(lead: float, words: str) -> None:
    assert lead_words(lead) == words


def test_ranges_levels_and_counts() -> None:
    assert lead_range_words(-0.01, 0.05) == "−1.0% to +5.0%"
    assert lead_range_words(0.0101, 0.0102) == "+1.0%"
    assert [level_words(x) for x in (0.8, 0.995, 0.29)] == ["80%", "99.5%", "29%"]
    assert count_words(1, "chart") == "1 chart"
    assert count_words(1200, "run") == "1,200 runs"


def test_resolutions_go_by_pixels_not_by_text() -> None:
    found = ["3840x2160", "1280x720", "2560x1440", "1280x720", "1920x1080"]
    assert resolution_order(found) == ["1280x720", "1920x1080", "2560x1440", "3840x2160"]


def test_long_names_are_cut_with_a_sign() -> None:
    assert shortened("abcdef", 6) == "abcdef"
    assert shortened("abc def", 5) == "abc…"


def test_long_scenes_keep_their_preset() -> None:
    assert short_scene("Game", "high", 20) == "Game | high"
    assert short_scene("A game with a long name", "high", 16) == "A game w… | high"
    assert short_scene("A game", "a preset with a long name", 16) == "A ga… | a prese…"


def test_probabilities_from_draws_are_never_certain() -> None:
    found = [probability_words(p) for p in (0.0, 0.004, 0.5, 0.994, 1.0)]
    assert found == ["<0.01", "<0.01", "0.50", ">0.99", ">0.99"]


def test_short_ranges_have_no_signs_of_percent() -> None:
    assert short_range_words(-0.012, 0.0084) == "−1.2…0.8"
    assert short_range_words(-0.0001, 0.0001) == "0.0…0.0"


def test_a_long_name_keeps_both_ends() -> None:
    assert short_name("Card 10", 7) == "Card 10"
    assert short_name("Heritage Edition 10 OC", 12) == "Herit…10 OC"
    assert len(short_name("a" * 50, 11)) == 11
