"""The smallest lead that matters."""

from scalemodel.errors import ScalemodelError

LARGEST_MARGIN = 1.0


def check_margin(margin: float) -> None:
    """Refuse a margin that cannot be shown or says nothing.

    Raises:
        ScalemodelError: the margin is not above 0 and below LARGEST_MARGIN.
    """
    if not 0 < margin < LARGEST_MARGIN:
        raise ScalemodelError(
            f"A margin of {margin:.4g} cannot be tested: no measurement is exact enough to show a "
            "difference of nothing, and one of 100% says nothing. Allowed: above 0 and below 100%, "
            "such as 2%."
        )


def share(margin: float) -> str:
    """Write a margin as a percentage: 0.02 as "2%"."""
    return f"{100 * margin:.4g}%"
